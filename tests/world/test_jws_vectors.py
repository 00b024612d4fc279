"""Detached signatures against published examples.

Sources: RFC 7515 appendix A.1 (HS256), A.3 (ES256), A.4 (ES512) and F (detached content); RFC 7520 section 4.5
(signature with detached content); RFC 7797 section 4.2 (unencoded payload). A signature that does not belong to its
key and text fails here by itself, so that a slip in copying cannot pass.
"""

from __future__ import annotations

from base64 import urlsafe_b64decode

import pytest
from joserfc.jwk import ECKey, OctKey, RSAKey

from ebbmark.audit.signature import fits

PAYLOAD = b'{"iss":"joe",\r\n "exp":1300819380,\r\n "http://example.com/is_root":true}'
BOOK = (
    "It\u2019s a dangerous business, Frodo, going out your door. You step onto the road, and if you don't keep your "
    "feet, there\u2019s no knowing where you might be swept off to."
).encode()

Key = dict[str, str | list[str]]
ES256_KEY: Key = {
    "kty": "EC",
    "crv": "P-256",
    "x": "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU",
    "y": "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0",
}
ES512_KEY: Key = {
    "kty": "EC",
    "crv": "P-521",
    "x": "AekpBQ8ST8a8VcfVOTNl353vSrDCLLJXmPk06wTjxrrjcBpXp5EOnYG_NjFZ6OvLFV1jSfS9tsz4qUxcWceqwQGk",
    "y": "ADSmRA43Z1DSNx_RvcLI87cdL07l6jQyyBXMoxVg_l2Th-x3S1WDhjDly79ajL4Kkd0AZMaZmh9ubmf63e3kyMj2",
}
HS256_KEY: Key = {
    "kty": "oct",
    "k": "AyM1SysPpbyDfgZld3umj1qzKObwVMkoqQ-EstJQLr_T-1qS0gZH75aKtMN3Yj0iPS4hcgUuTwjAzZr1Z9CAow",
}
BOOK_HS256_KEY: Key = {"kty": "oct", "k": "hJtXIZ2uSN5kbQfbtTNWbpdmhkV8FJG-Onbc6mxCcYg"}

Vector = tuple[str, bytes, ECKey | RSAKey | OctKey, str]
VECTORS: dict[str, Vector] = {
    "RFC 7515 A.1": (
        "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9..dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk",
        PAYLOAD,
        OctKey.import_key(HS256_KEY),
        "HS256",
    ),
    "RFC 7515 A.3": (
        "eyJhbGciOiJFUzI1NiJ9..DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q",
        PAYLOAD,
        ECKey.import_key(ES256_KEY),
        "ES256",
    ),
    "RFC 7515 A.4": (
        "eyJhbGciOiJFUzUxMiJ9..AdwMgeerwtHoh-l192l60hp9wAHZFVJbLfD_UxMi70cwnZOYaRI1bKPWROc-mZZqwqT2SI-KGDKB34XO0aw_7Xdt"
        "AG8GaSwFKdCAPZgoXD2YBJZCPEX3xKpRwcdOO8KpEHwJjyqOgzDO7iKvU8vcnwNrmxYbSW9ERBXukOXolLzeO_Jn",
        b"Payload",
        ECKey.import_key(ES512_KEY),
        "ES512",
    ),
    "RFC 7520 4.5": (
        "eyJhbGciOiJIUzI1NiIsImtpZCI6IjAxOGMwYWU1LTRkOWItNDcxYi1iZmQ2LWVlZjMxNGJjNzAzNyJ9.."
        "s0h6KThzkfBBBkLspW1h84VsJZFTsPPqMDA7g1Md7p0",
        BOOK,
        OctKey.import_key(BOOK_HS256_KEY),
        "HS256",
    ),
}


@pytest.fixture(params=VECTORS)
def vector(request: pytest.FixtureRequest) -> Vector:
    return VECTORS[request.param]


def test_a_published_signature_fits_its_payload_once_that_is_put_back(vector: Vector) -> None:
    assert fits(*vector)


def test_no_published_signature_fits_another_payload(vector: Vector) -> None:
    detached, payload, key, algorithm = vector

    assert not fits(detached, payload + b" ", key, algorithm)


def test_no_published_signature_fits_after_a_bit_is_turned(vector: Vector) -> None:
    detached, payload, key, algorithm = vector
    place = detached.index("..") + 8
    turned = detached[:place] + ("A" if detached[place] != "A" else "B") + detached[place + 1 :]

    assert not fits(turned, payload, key, algorithm)


def test_the_header_does_not_choose_the_algorithm(vector: Vector) -> None:
    detached, payload, key, _ = vector

    assert not fits(detached, payload, key, "ES384")


def test_the_detached_form_of_appendix_f_leaves_the_middle_empty() -> None:
    """RFC 7515 appendix F: the payload is the empty string in the compact serialization."""
    for detached, _, _, _ in VECTORS.values():
        header, middle, signature = detached.split(".")
        assert (bool(header), middle, bool(signature)) == (True, "", True)
        assert urlsafe_b64decode(header + "=" * (-len(header) % 4)).startswith(b"{")


UNENCODED_HEADER = "eyJhbGciOiJIUzI1NiIsImI2NCI6ZmFsc2UsImNyaXQiOlsiYjY0Il19"
UNENCODED = f"{UNENCODED_HEADER}..A5dxf2s96_n5FLueVuW1Z_vh161FwXZC4YLPff6dmDY"


def test_a_signature_over_an_unencoded_payload_is_not_taken_for_one_of_ours() -> None:
    """RFC 7797 section 4.2: its critical header `b64` is one that we do not use; such a JWS must be refused."""
    assert not fits(UNENCODED, b"$.02", OctKey.import_key(HS256_KEY), "HS256")
