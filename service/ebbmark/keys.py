"""The keys that this service signs with, what the world may see of them, and the public keys of others that it trusts.

Private keys come from JSON Web Key Set files. The first key signs; all are published, so that a new key can be known
before it signs and an old one until nothing it signed is still valid.

Source: RFC 7517 (JWK Set), RFC 7518 (parameters), RFC 7638 (thumbprint as kid); SMART App Launch 2.2
client-confidential-asymmetric (ES384 and RS384, kid, no private part published).

The library of JOSE and its cryptography are loaded with the first key: a service without keys starts without them.
"""

from __future__ import annotations

from base64 import urlsafe_b64decode
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Literal

import msgspec
from joserfc.errors import JoseError

if TYPE_CHECKING:
    from joserfc.jwk import ECKey, RSAKey


Algorithm = Literal["ES384", "RS384"]

SHORTEST_RSA_BITS = 2048
"""RFC 7518 section 3.3: a key of 2048 bits or larger must be used."""
NEW_RSA_BITS = 3072

CURVES = {"P-256": "ES256", "P-384": "ES384", "P-521": "ES512"}
RSA_ALGORITHMS = frozenset({"RS256", "RS384", "RS512", "PS256", "PS384", "PS512"})


class KeyFault(Enum):
    """Why a file of keys is not used; the value completes the sentence "The key file …"."""

    NOT_A_SET = "is not a JSON Web Key Set"
    EMPTY = "holds no key"
    NOT_PRIVATE = "holds a key without its private part"
    NOT_USABLE = "holds a key that is neither EC P-384 (ES384) nor RSA of 2048 bits or more (RS384)"
    DOUBLE = "holds a kid that was there before"


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key that is never shown."""

    kid: str
    algorithm: Algorithm
    key: ECKey | RSAKey = field(repr=False)


@dataclass(frozen=True, slots=True)
class KeyRing:
    """All our keys; the first that fits signs."""

    keys: tuple[SigningKey, ...] = ()

    def for_algorithms(self, accepted: Iterable[str] | None) -> SigningKey | None:
        """The first key whose algorithm the other side takes; the first of all where it does not say."""
        if accepted is None:
            return next(iter(self.keys), None)
        wanted = frozenset(accepted)
        return next((key for key in self.keys if key.algorithm in wanted), None)


@dataclass(frozen=True, slots=True)
class PublicKey:
    """Somebody else's key, to check signatures with.

    Attributes:
        algorithms: those that it may be used with; never a symmetric one.
    """

    kid: str
    algorithms: frozenset[str]
    key: ECKey | RSAKey = field(repr=False)


class _KeySet(msgspec.Struct):
    keys: list[dict[str, object]]


def read_key_ring(files: Iterable[bytes]) -> KeyRing | KeyFault:
    """Read private keys.

    Args:
        files: JSON Web Key Sets with private keys, in the order in which they shall sign.

    Returns:
        The keys; or the first fault, without anything of the file in it. A key without kid gets its thumbprint.
    """
    keys: list[SigningKey] = []
    for file in files:
        try:
            found = msgspec.json.decode(file, type=_KeySet).keys
        except (msgspec.DecodeError, UnicodeDecodeError):
            return KeyFault.NOT_A_SET
        if not found:
            return KeyFault.EMPTY
        for one in found:
            key = _signing_key(one)
            if isinstance(key, KeyFault):
                return key
            if key.kid in {known.kid for known in keys}:
                return KeyFault.DOUBLE
            keys.append(key)
    return KeyRing(tuple(keys))


def _signing_key(jwk: dict[str, object]) -> SigningKey | KeyFault:
    from joserfc.jwk import ECKey, RSAKey

    algorithm: Algorithm = "ES384" if jwk.get("kty") == "EC" else "RS384"
    if jwk.get("alg", algorithm) != algorithm or jwk.get("use", "sig") != "sig":
        return KeyFault.NOT_USABLE
    key: ECKey | RSAKey
    try:
        # A key object is never given the file's own dictionary to keep: only known members are published.
        if algorithm == "ES384":
            if jwk.get("crv") != "P-384":
                return KeyFault.NOT_USABLE
            key = ECKey.import_key(_texts(jwk, "crv", "x", "y", "d"))
        elif jwk.get("kty") == "RSA":
            if _modulus_bits(jwk) < SHORTEST_RSA_BITS:
                return KeyFault.NOT_USABLE
            key = RSAKey.import_key(_texts(jwk, "n", "e", "d", "p", "q", "dp", "dq", "qi"))
        else:
            return KeyFault.NOT_USABLE
        if not key.is_private:
            return KeyFault.NOT_PRIVATE
        kid = jwk.get("kid")
        return SigningKey(kid if isinstance(kid, str) and kid else key.thumbprint(), algorithm, key)
    except (JoseError, ValueError, KeyError, TypeError):
        return KeyFault.NOT_USABLE


def _modulus_bits(jwk: dict[str, object]) -> int:
    # Looked at before the library does, which takes a short key and only warns.
    modulus = str(jwk["n"])
    return int.from_bytes(urlsafe_b64decode(modulus + "=" * (-len(modulus) % 4))).bit_length()


def _texts(jwk: dict[str, object], *names: str) -> dict[str, str | list[str]]:
    return {"kty": str(jwk["kty"]), **{name: str(jwk[name]) for name in names if name in jwk}}


def read_public_keys(key_set: bytes) -> tuple[PublicKey, ...] | None:
    """Read the keys of somebody else.

    Returns:
        Its EC and RSA keys for signatures that have a name; keys of any other kind are passed over, as RFC 7517
        section 5 asks. None where this is no key set.
    """
    try:
        found = msgspec.json.decode(key_set, type=_KeySet).keys
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    keys = (_public_key(one) for one in found)
    return tuple(key for key in keys if key is not None)


def _public_key(jwk: dict[str, object]) -> PublicKey | None:
    from joserfc.jwk import ECKey, RSAKey

    kid, operations = jwk.get("kid"), jwk.get("key_ops", ["verify"])
    if not isinstance(kid, str) or not kid or jwk.get("use", "sig") != "sig":
        return None
    if not isinstance(operations, list) or "verify" not in operations:
        return None
    key: ECKey | RSAKey
    try:
        # Only public members are read: a private part that somebody published by mistake stays out of memory.
        if jwk.get("kty") == "EC" and (curve := jwk.get("crv")) in CURVES:
            key, algorithms = ECKey.import_key(_texts(jwk, "crv", "x", "y")), frozenset({CURVES[str(curve)]})
        elif jwk.get("kty") == "RSA":
            if _modulus_bits(jwk) < SHORTEST_RSA_BITS:
                return None
            key, algorithms = RSAKey.import_key(_texts(jwk, "n", "e")), RSA_ALGORITHMS
        else:
            return None
    except (JoseError, ValueError, KeyError, TypeError):
        return None
    named = jwk.get("alg")
    return PublicKey(kid, algorithms if named is None else algorithms & {str(named)}, key)


def public_key_set(ring: KeyRing) -> dict[str, object]:
    """The JSON Web Key Set to publish: public parts only, each with kid, use and alg."""
    return {
        "keys": [
            {**key.key.as_dict(private=False), "kid": key.kid, "use": "sig", "alg": key.algorithm} for key in ring.keys
        ]
    }


def new_key_set(algorithm: Algorithm) -> dict[str, object]:
    """Make a JSON Web Key Set with one new private key, named by its thumbprint."""
    from joserfc.jwk import ECKey, RSAKey

    key: ECKey | RSAKey = ECKey.generate_key("P-384") if algorithm == "ES384" else RSAKey.generate_key(NEW_RSA_BITS)
    return {"keys": [{**key.as_dict(private=True), "kid": key.thumbprint(), "use": "sig", "alg": algorithm}]}
