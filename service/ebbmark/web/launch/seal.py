"""Sealed values (JWE) for cookies: nobody in the browser can read, change, or use them for something else.

One JWE per value, with a 256-bit key shared by all replicas: `dir` with A256GCM, which encrypts and authenticates. The
first key seals and all open, so that a new key can be added in front and an old one dropped once nothing it sealed is
still good. What a value is for is part of what is sealed.

Source: RFC 7516 (JWE), RFC 7518 sections 4.5 and 5.3; NIST SP 800-38D section 8.3 limits one key to 2^32 random
nonces.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeVar

import msgspec
from joserfc import jwe
from joserfc.errors import JoseError
from joserfc.jwk import OctKey

__all__ = ["CookieKeyFault", "Seal", "new_cookie_key_set", "random_seal", "read_cookie_keys"]

T = TypeVar("T")

KEY_BITS = 256
ALGORITHMS = ("dir", "A256GCM")
LONGEST_SEALED = 32_768


class CookieKeyFault(ValueError):
    """A file of cookie keys that cannot be used; the message completes "The file …" and holds nothing of it."""


class _Key(msgspec.Struct):
    kty: str
    k: str
    kid: str | None = None
    use: str = "enc"
    alg: str = "A256GCM"


class _KeySet(msgspec.Struct):
    keys: list[_Key]


@dataclass(frozen=True, slots=True)
class Seal:
    """The keys, each with its name; the first seals."""

    keys: tuple[tuple[str, OctKey], ...] = field(repr=False)

    def close(self, value: object, *, purpose: str) -> str:
        """Seal a value.

        Args:
            value: what msgspec can write as JSON.
            purpose: what it is for; only `open` with the same purpose gives it back.
        """
        kid, key = self.keys[0]
        header = {"alg": "dir", "enc": "A256GCM", "kid": kid, "typ": purpose}
        return jwe.encrypt_compact(header, msgspec.json.encode(value), key, algorithms=list(ALGORITHMS))

    def open(self, sealed: str, shape: type[T], *, purpose: str) -> T | None:
        """Open what was sealed.

        Args:
            sealed: as it came back.
            shape: of the value.
            purpose: see `close`.

        Returns:
            The value; None for anything that one of these keys did not seal for this purpose in this shape.
        """
        if len(sealed) > LONGEST_SEALED or not sealed.isascii():
            return None
        try:
            header = msgspec.json.decode(binascii.a2b_base64(_padded(sealed.split(".", 1)[0])), type=dict[str, str])
            key = dict(self.keys).get(header.get("kid", ""))
            # The header is what the key authenticates, so that it is believed only together with what it opens.
            if key is None or header.get("typ") != purpose:
                return None
            opened = jwe.decrypt_compact(sealed, key, algorithms=list(ALGORITHMS))
            return msgspec.json.decode(opened.plaintext or b"", type=shape)
        except (JoseError, ValueError, binascii.Error, msgspec.DecodeError):
            return None


def _padded(segment: str) -> str:
    return segment.translate(str.maketrans("-_", "+/")) + "=" * (-len(segment) % 4)


def read_cookie_keys(files: Iterable[bytes]) -> Seal:
    """Read the keys.

    Args:
        files: JSON Web Key Sets with keys of type oct, 256 bits each, in the order in which they shall seal.

    Raises:
        CookieKeyFault: a file that is something else, or none at all.
    """
    keys: dict[str, OctKey] = {}
    for file in files:
        try:
            found = msgspec.json.decode(file, type=_KeySet).keys
        except (msgspec.DecodeError, UnicodeDecodeError):
            raise CookieKeyFault("is not a JSON Web Key Set with keys of type oct") from None
        for one in found:
            key = _imported(one)
            kid = one.kid or key.thumbprint()
            if kid in keys:
                raise CookieKeyFault("holds a kid that was there before")
            keys[kid] = key
    if not keys:
        raise CookieKeyFault("holds no key")
    return Seal(tuple(keys.items()))


def _imported(one: _Key) -> OctKey:
    if one.kty != "oct" or one.use != "enc" or one.alg not in ALGORITHMS:
        raise CookieKeyFault("holds a key that is not for encryption with A256GCM")
    try:
        raw = binascii.a2b_base64(_padded(one.k), strict_mode=True)
    except (ValueError, binascii.Error):
        raise CookieKeyFault("holds a key that is not base64url") from None
    if len(raw) * 8 != KEY_BITS:
        raise CookieKeyFault(f"holds a key of {len(raw) * 8} bits; {KEY_BITS} are needed")
    return OctKey.import_key(raw)


def new_cookie_key_set() -> dict[str, object]:
    """Make a JSON Web Key Set with one new key, named by its thumbprint."""
    key = OctKey.generate_key(KEY_BITS)
    return {"keys": [{**key.as_dict(private=True), "kid": key.thumbprint(), "use": "enc", "alg": "A256GCM"}]}


def random_seal() -> Seal:
    """A seal with a key that nobody keeps: what it closed cannot be opened after a restart."""
    return read_cookie_keys([msgspec.json.encode(new_cookie_key_set())])
