"""The official examples of the JOSE standards.

Sources, values as printed there (line breaks within values taken out):

* RFC 7515 (JWS) appendix A: A.1 HS256, A.2 RS256, A.3 ES256, A.4 ES512, A.5 none.
* RFC 7517 (JWK) appendix A: A.1 public keys, A.2 private keys, A.3 symmetric keys.
* RFC 7638 (JWK thumbprint) section 3.1.
"""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest
from joserfc import jws

from ebbmark.keys import KeyRing, PublicKey, public_key_set, read_key_ring, read_public_keys
from ebbmark.record.sign_in import FixedKeys
from ebbmark.web.token_check import TokenRefusal, TokenRules, TrustedParty, signature_fits, verified_claims

PAYLOAD = "eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ"
JOE_SAYS = b'{"iss":"joe",\r\n "exp":1300819380,\r\n "http://example.com/is_root":true}'

# RFC 7515, A.1 and A.5
HS256 = f"eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9.{PAYLOAD}.dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk"
HS256_KEY = {
    "kty": "oct",
    "k": "AyM1SysPpbyDfgZld3umj1qzKObwVMkoqQ-EstJQLr_T-1qS0gZH75aKtMN3Yj0iPS4hcgUuTwjAzZr1Z9CAow",
}
NONE = f"eyJhbGciOiJub25lIn0.{PAYLOAD}."

# RFC 7515, A.2
RS256 = (
    f"eyJhbGciOiJSUzI1NiJ9.{PAYLOAD}."
    "cC4hiUPoj9Eetdgtv3hF80EGrhuB__dzERat0XF9g2VtQgr9PJbu3XOiZj5RZmh7AAuHIm4Bh-0Qc_lF5YKt_O8W2Fp5jujGbds9uJdbF9CU"
    "Ar7t1dnZcAcQjbKBYNX4BAynRFdiuB--f_nZLgrnbyTyWzO75vRK5h6xBArLIARNPvkSjtQBMHlb1L07Qe7K0GarZRmB_eSN9383LcOLn6_d"
    "O--xi12jzDwusC-eOkHWEsqtFZESc6BfI7noOPqvhJ1phCnvWh6IeYI2w9QOYEUipUTI8np6LbgGY9Fs98rqVt5AXLIhWkWywlVmtVrBp0ig"
    "cN_IoypGlUPQGe77Rw"
)
RS256_KEY = {
    "kty": "RSA",
    "n": "ofgWCuLjybRlzo0tZWJjNiuSfb4p4fAkd_wWJcyQoTbji9k0l8W26mPddxHmfHQp-Vaw-4qPCJrcS2mJPMEzP1Pt0Bm4d4QlL-yRT-SF"
    "d2lZS-pCgNMsD1W_YpRPEwOWvG6b32690r2jZ47soMZo9wGzjb_7OMg0LOL-bSf63kpaSHSXndS5z5rexMdbBYUsLA9e-KXBdQOS-UTo7WTB"
    "EMa2R2CapHg665xsmtdVMTBQY4uDZlxvb3qCo5ZwKh9kG4LT6_I5IhlJH7aGhyxXFvUK-DWNmoudF8NAco9_h9iaGNj8q2ethFkMLs91kzk2"
    "PAcDTW9gb54h4FRWyuXpoQ",
    "e": "AQAB",
}

# RFC 7515, A.3
ES256 = (
    f"eyJhbGciOiJFUzI1NiJ9.{PAYLOAD}."
    "DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q"
)
ES256_KEY = {
    "kty": "EC",
    "crv": "P-256",
    "x": "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU",
    "y": "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0",
}

# RFC 7515, A.4
ES512 = (
    "eyJhbGciOiJFUzUxMiJ9.UGF5bG9hZA."
    "AdwMgeerwtHoh-l192l60hp9wAHZFVJbLfD_UxMi70cwnZOYaRI1bKPWROc-mZZqwqT2SI-KGDKB34XO0aw_7XdtAG8GaSwFKdCAPZgoXD2Y"
    "BJZCPEX3xKpRwcdOO8KpEHwJjyqOgzDO7iKvU8vcnwNrmxYbSW9ERBXukOXolLzeO_Jn"
)
ES512_KEY = {
    "kty": "EC",
    "crv": "P-521",
    "x": "AekpBQ8ST8a8VcfVOTNl353vSrDCLLJXmPk06wTjxrrjcBpXp5EOnYG_NjFZ6OvLFV1jSfS9tsz4qUxcWceqwQGk",
    "y": "ADSmRA43Z1DSNx_RvcLI87cdL07l6jQyyBXMoxVg_l2Th-x3S1WDhjDly79ajL4Kkd0AZMaZmh9ubmf63e3kyMj2",
}

# RFC 7517, A.1 (the RSA key is also that of RFC 7638, 3.1) and the private exponent of A.2
RSA_2011 = {
    "kty": "RSA",
    "n": "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiF"
    "V4n3oknjhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0"
    "zgdAZHzu6qMQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csF"
    "Cur-kEgU8awapJzKnqDKgw",
    "e": "AQAB",
    "alg": "RS256",
    "kid": "2011-04-29",
}
EC_FOR_ENCRYPTION = {
    "kty": "EC",
    "crv": "P-256",
    "x": "MKBCTNIcKUSDii11ySs3526iDZ8AiTo7Tu6KPAqv7D4",
    "y": "4Etl6SRW2YiLUrN5vfvVHuhp7x8PxltmWWlbbM4IFyM",
    "use": "enc",
    "kid": "1",
}
D_2011 = (
    "X4cTteJY_gn4FYPsXB8rdXix5vwsg1FLN5E3EaG6RJoVH-HLLKD9M7dx5oo7GURknchnrRweUkC7hT5fJLM0WbFAKNLWY2vv7B6NqXSzUvxT"
    "0_YSfqijwp3RTzlBaCxWp4doFk5N2o8Gy_nHNKroADIkJ46pRUohsXywbReAdYaMwFs9tv8d_cPVY3i07a3t8MN6TNwm0dSawm9v47UiCl3S"
    "k5ZiG7xojPLu4sbg1U2jx4IBTNBznbJSzFHK66jT8bgkuqsk0GjskDJk19Z4qwjwbsnn4j2WBii3RL-Us2lGVkY8fkFzme1z0HbIkfz0Y6mq"
    "nOYtqc0X4jfcKoAC8Q"
)
SYMMETRIC_KEYS = (
    {"kty": "oct", "alg": "A128KW", "k": "GawgguFyGrWKav7AX4VKUg"},
    {**HS256_KEY, "kid": "HMAC key used in JWS spec Appendix A.1 example"},
)
THUMBPRINT_2011 = "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs"

SIGNED = [(RS256, RS256_KEY, "RS256"), (ES256, ES256_KEY, "ES256"), (ES512, ES512_KEY, "ES512")]


def key_of(jwk: dict[str, str]) -> PublicKey:
    (key,) = read_public_keys(json.dumps({"keys": [{**jwk, "kid": "k"}]}).encode()) or ()
    return key


def read(token: str) -> jws.CompactSignature:
    return jws.extract_compact(token.encode())


@pytest.mark.parametrize(("token", "jwk", "algorithm"), SIGNED, ids=[one[2] for one in SIGNED])
def test_the_signatures_of_rfc_7515_fit_their_keys(token: str, jwk: dict[str, str], algorithm: str) -> None:
    signed = read(token)

    assert signed.headers()["alg"] == algorithm
    assert signed.payload in (JOE_SAYS, b"Payload")
    assert signature_fits(signed, key_of(jwk), algorithm)


@pytest.mark.parametrize(("token", "jwk", "algorithm"), SIGNED, ids=[one[2] for one in SIGNED])
def test_a_signature_over_something_else_does_not_fit(token: str, jwk: dict[str, str], algorithm: str) -> None:
    header, payload, signature = token.split(".")
    changed = read(f"{header}.{payload[:-1]}{'A' if payload[-1] != 'A' else 'Q'}.{signature}")

    assert not signature_fits(changed, key_of(jwk), algorithm)


def test_a_signature_does_not_fit_the_key_of_another_example() -> None:
    assert not signature_fits(read(RS256), key_of(RSA_2011), "RS256")


@pytest.mark.parametrize("token", [HS256, NONE], ids=["HS256", "none"])
def test_what_rfc_7515_signs_with_a_shared_secret_or_not_at_all_is_refused_whatever_is_trusted(token: str) -> None:
    keys = read_public_keys(json.dumps({"keys": [{**HS256_KEY, "kid": "k"}, {**RSA_2011}]}).encode()) or ()
    every = frozenset({"ES256", "ES384", "ES512", "RS256", "RS384", "RS512", "PS256", "PS384", "PS512"})
    rules = TokenRules({"joe": TrustedParty(FixedKeys(keys))}, every)

    found = asyncio.run(verified_claims(token, rules=rules, audience="", at_s=1300819379))

    assert found is TokenRefusal.ALGORITHM


def test_of_the_public_keys_of_rfc_7517_the_one_for_signatures_is_read() -> None:
    keys = read_public_keys(json.dumps({"keys": [EC_FOR_ENCRYPTION, RSA_2011]}).encode())

    assert [(key.kid, key.algorithms) for key in keys or ()] == [("2011-04-29", frozenset({"RS256"}))]


def test_the_symmetric_keys_of_rfc_7517_are_never_read() -> None:
    assert read_public_keys(json.dumps({"keys": SYMMETRIC_KEYS}).encode()) == ()


def test_of_the_private_key_of_rfc_7517_the_public_part_is_published_under_the_thumbprint_of_rfc_7638() -> None:
    private: dict[str, Any] = {**RSA_2011, "d": D_2011}
    del private["kid"], private["alg"]

    ring = read_key_ring([json.dumps({"keys": [private]}).encode()])

    assert isinstance(ring, KeyRing)
    (published,) = json.loads(json.dumps(public_key_set(ring)))["keys"]
    assert published == {
        "kty": "RSA",
        "n": RSA_2011["n"],
        "e": RSA_2011["e"],
        "kid": THUMBPRINT_2011,
        "use": "sig",
        "alg": "RS384",
    }
