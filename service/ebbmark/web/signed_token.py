"""JWT verification: signed by a party we trust, for this audience, and valid now.

Source: RFC 7515, RFC 7519; RFC 8725 (JWT best current practices: algorithm allow-list, key by issuer and kid,
audience, no header that changes the meaning). Signatures are checked by joserfc.
"""

from __future__ import annotations

import binascii
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

import msgspec
from joserfc import jws
from joserfc.errors import JoseError

from ebbmark.keys import PublicKey
from ebbmark.record.published_keys import KeyLookup

__all__ = ["Claims", "KeySource", "Rules", "TokenRefusal", "TrustedParty", "judged", "signature_fits", "verified"]

LONGEST_TOKEN = 16_384
"""Longer tokens are not looked into [characters]; RFC 9068 tokens are far shorter."""
LONGEST_HEADER = 4_096
TYPES = frozenset({"jwt", "at+jwt", "application/at+jwt", "application/jwt"})


class TokenRefusal(Enum):
    """Why a token is not accepted; the value is the sentence that the caller reads."""

    TOO_LONG = "The token is longer than any that is read here."
    NOT_A_JWT = "The token is not a JWT in compact form."
    ALGORITHM = "The token is signed with an algorithm that is not accepted here, or not signed at all."
    TYPE = "The token is of a type that is not accepted here."
    CRITICAL = "The token demands an extension that is not understood here."
    NO_KEY_NAMED = "The token does not name the key that it was signed with."
    ISSUER = "The token is from an issuer that is not trusted here."
    KEY_SET_ADDRESS = "The token points to a key set that is not the one known for its issuer."
    UNKNOWN_KEY = "The token names a key that its issuer does not publish for this algorithm."
    KEYS_UNAVAILABLE = "The keys of the token's issuer cannot be had just now; ask again shortly."
    SIGNATURE = "The signature of the token does not fit."
    CLAIMS = "The token lacks a claim that is needed here, or a claim has the wrong form."
    AUDIENCE = "The token is meant for another audience."
    EXPIRED = "The token has expired."
    NOT_YET = "The token is not valid yet."
    TOO_LONG_LIVED = "The token is valid for longer than is accepted here."
    REPLAYED = "The token was used before; each may be used once."
    BOUND = "The token is bound to a key or certificate (cnf); only plain bearer tokens are accepted here."
    INACTIVE = "The issuer says that the token is not active."
    INTROSPECTION_UNAVAILABLE = "The issuer cannot be asked about the token just now; ask again shortly."
    TOO_MANY = "Too many tokens are in use to tell a repeated one; ask again shortly."


class KeySource(Protocol):
    """Where the keys of one party come from."""

    @property
    def there(self) -> bool:
        """Whether it has keys that count now."""

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        """The key of this name for this algorithm, or why there is none."""


@dataclass(frozen=True, slots=True)
class TrustedParty:
    """Somebody whose tokens are accepted.

    Attributes:
        keys: its public keys.
        key_set_urls: addresses of its key set that a token may name; a token that names another is refused.
        roles: scopes that a role of its directory stands for, as the site decided.
    """

    keys: KeySource
    key_set_urls: frozenset[str] = frozenset()
    roles: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rules:
    """What is accepted.

    Attributes:
        parties: those we trust, by the `iss` of their tokens.
        algorithms: accepted signature algorithms, all asymmetric.
        leeway_s: how far apart our clock and theirs may be [s].
    """

    parties: Mapping[str, TrustedParty]
    algorithms: frozenset[str]
    leeway_s: float = 30.0


class Claims(msgspec.Struct, frozen=True):
    """The registered claims, and those that name a client and its rights; all others are passed over."""

    iss: str
    exp: float
    aud: str | list[str] = msgspec.field(default_factory=list)
    nbf: float | None = None
    iat: float | None = None
    jti: str | None = None
    sub: str | None = None
    client_id: str | None = None
    azp: str | None = None
    scope: str | list[str] | None = None
    scp: str | list[str] | None = None
    roles: object = None
    groups: object = None
    entitlements: object = None
    tenant: str | None = None
    nonce: str | None = None
    fhir_user: str | None = msgspec.field(default=None, name="fhirUser")
    cnf: object = msgspec.UNSET


class _Header(msgspec.Struct):
    alg: str
    kid: str | None = None
    typ: str | None = None
    jku: str | None = None


class _Issuer(msgspec.Struct):
    iss: str


class _Registry(jws.JWSRegistry):
    max_header_length = LONGEST_HEADER
    max_payload_length = LONGEST_TOKEN


@dataclass(frozen=True, slots=True)
class _Unverified:
    header: _Header
    issuer: str
    signed: jws.CompactSignature = field(repr=False)


async def verified(token: str, *, rules: Rules, audience: str, at_s: float) -> Claims | TokenRefusal:
    """Check a token: form, algorithm, issuer, key, signature, and then its claims.

    Args:
        token: JWT in compact form.
        rules: whom and what we accept.
        audience: must be the token's `aud` or one of them, spelled alike.
        at_s: now [s since 1970-01-01T00:00:00Z].

    Returns:
        The claims; or the first reason found, which holds nothing of the token.
    """
    unverified = _unverified(token, rules)
    if isinstance(unverified, TokenRefusal):
        return unverified
    header, party = unverified.header, rules.parties.get(unverified.issuer)
    if party is None:
        return TokenRefusal.ISSUER
    # Where the operator gave a file of keys, no address of a key set is known, and none is ever asked.
    if header.jku is not None and party.key_set_urls and header.jku not in party.key_set_urls:
        return TokenRefusal.KEY_SET_ADDRESS
    if not header.kid:
        return TokenRefusal.NO_KEY_NAMED
    key = await party.keys.find(header.kid, header.alg)
    if isinstance(key, KeyLookup):
        return TokenRefusal.UNKNOWN_KEY if key is KeyLookup.UNKNOWN else TokenRefusal.KEYS_UNAVAILABLE
    if not signature_fits(unverified.signed, key, header.alg):
        return TokenRefusal.SIGNATURE
    try:
        claims = msgspec.json.decode(unverified.signed.payload or b"", type=Claims)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return TokenRefusal.CLAIMS
    return judged(claims, audience=audience, at_s=at_s, leeway_s=rules.leeway_s)


def _unverified(token: str, rules: Rules) -> _Unverified | TokenRefusal:
    """Read who claims to have signed, and how, before anything of it is believed."""
    if len(token) > LONGEST_TOKEN:
        return TokenRefusal.TOO_LONG
    try:
        signed = jws.extract_compact(token.encode("ascii"), registry=_Registry())
        header = msgspec.convert(signed.headers(), _Header)
    except (JoseError, ValueError, msgspec.ValidationError, binascii.Error, RecursionError):
        return TokenRefusal.NOT_A_JWT
    if header.alg not in rules.algorithms:
        return TokenRefusal.ALGORITHM
    if "crit" in signed.headers() or "b64" in signed.headers():
        return TokenRefusal.CRITICAL
    if header.typ is not None and header.typ.lower() not in TYPES:
        return TokenRefusal.TYPE
    try:
        issuer = msgspec.json.decode(signed.payload or b"", type=_Issuer).iss
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return TokenRefusal.CLAIMS
    return _Unverified(header, issuer, signed)


def signature_fits(signed: jws.CompactSignature, key: PublicKey, algorithm: str) -> bool:
    """Say whether a token was signed with this key and this algorithm.

    Args:
        signed: the token, read and not yet believed.
        key: of whoever claims to have signed.
        algorithm: the one that the token names; already found among those accepted.
    """
    registry = _Registry(algorithms=[algorithm], strict_check_header=False)
    try:
        return jws.validate_compact(signed, key.key, registry=registry)
    except (JoseError, ValueError):
        return False


def judged(claims: Claims, *, audience: str, at_s: float, leeway_s: float) -> Claims | TokenRefusal:
    """Say whether claims that are believed hold here and now: for this audience, begun, and not expired."""
    audiences = [claims.aud] if isinstance(claims.aud, str) else claims.aud
    if audience not in audiences:
        return TokenRefusal.AUDIENCE
    if claims.exp + leeway_s <= at_s:
        return TokenRefusal.EXPIRED
    if max(claims.nbf or 0.0, claims.iat or 0.0) > at_s + leeway_s:
        return TokenRefusal.NOT_YET
    return claims
