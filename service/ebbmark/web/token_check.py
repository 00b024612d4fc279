"""Token checks, and what scopes allow.

A JWT is verified here; any other token is shown to its issuer, who says what it is (introspection).

A JWT counts if it is signed by a party we trust, for this audience, and valid now. What an issuer says is kept for as
long as the token is valid, and no longer than `KEPT_S`, so that a revoked token is noticed; it is kept under a digest
of the token, never the token. Nothing of token, secret or answer is logged.

Source: RFC 7515, RFC 7519; RFC 8725 (JWT best current practices: algorithm allow-list, key by issuer and kid, audience,
no header that changes the meaning); signatures are checked by joserfc. RFC 7662 (request, `active`, section 4: caching
bounded by exp); RFC 6749 section 2.3.1 (client credentials in the Authorization header, form-encoded). `KEPT_S` and
`MOST_KEPT` are this project's choice. Scopes: SMART App Launch 2.2, scopes-and-launch-context (letters c r u d s in
this order; v1 read = rs, write = cud).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Protocol
from urllib.parse import quote_plus, urlencode

import msgspec
from joserfc.errors import JoseError

from ebbmark.keys import PublicKey
from ebbmark.record.client import Exchange
from ebbmark.record.connection import refusal_of
from ebbmark.record.retry import Reply, decoded
from ebbmark.record.sign_in import KeyLookup

if TYPE_CHECKING:
    from joserfc import jws


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
    ISSUED_LONG_AGO = "The token was issued longer ago than is accepted here."
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
        key_set_urls: addresses of its key set that a token may name; a token that names another is refused.
    """

    keys: KeySource
    key_set_urls: frozenset[str] = frozenset()
    roles: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TokenRules:
    """What is accepted.

    Attributes:
        oldest_s: how long ago a token may have been issued, where it says so [s].
    """

    parties: Mapping[str, TrustedParty]
    algorithms: frozenset[str]
    leeway_s: float = 30.0
    oldest_s: float = 86_400.0


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


def _registry(algorithms: list[str] | None = None, *, strict_check_header: bool = True) -> jws.JWSRegistry:
    from joserfc.jws import JWSRegistry

    registry = JWSRegistry(algorithms=algorithms, strict_check_header=strict_check_header)
    registry.max_header_length, registry.max_payload_length = LONGEST_HEADER, LONGEST_TOKEN
    return registry


@dataclass(frozen=True, slots=True)
class _Unverified:
    header: _Header
    issuer: str
    signed: jws.CompactSignature = field(repr=False)


async def verified_claims(token: str, *, rules: TokenRules, audience: str, at_s: float) -> Claims | TokenRefusal:
    """Check a token: form, algorithm, issuer, key, signature, and then its claims.

    Args:
        audience: must be the token's `aud` or one of them, spelled alike.

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
    if claims.iat is not None and claims.iat < at_s - rules.oldest_s - rules.leeway_s:
        return TokenRefusal.ISSUED_LONG_AGO
    return checked_claims(claims, audience=audience, at_s=at_s, leeway_s=rules.leeway_s)


def _unverified(token: str, rules: TokenRules) -> _Unverified | TokenRefusal:
    """Read who claims to have signed, and how, before anything of it is believed."""
    if len(token) > LONGEST_TOKEN:
        return TokenRefusal.TOO_LONG
    from joserfc import jws

    try:
        signed = jws.extract_compact(token.encode("ascii"), registry=_registry())
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
        algorithm: the one that the token names; already found among those accepted.
    """
    from joserfc import jws

    registry = _registry([algorithm], strict_check_header=False)
    try:
        return jws.validate_compact(signed, key.key, registry=registry)
    except (JoseError, ValueError):
        return False


def checked_claims(claims: Claims, *, audience: str, at_s: float, leeway_s: float) -> Claims | TokenRefusal:
    """Say whether claims that are believed hold here and now: for this audience, begun, and not expired."""
    audiences = [claims.aud] if isinstance(claims.aud, str) else claims.aud
    if audience not in audiences:
        return TokenRefusal.AUDIENCE
    if claims.exp + leeway_s <= at_s:
        return TokenRefusal.EXPIRED
    if max(claims.nbf or 0.0, claims.iat or 0.0) > at_s + leeway_s:
        return TokenRefusal.NOT_YET
    return claims


KEPT_S = 60.0
MOST_KEPT = 10_000


@dataclass(slots=True)
class Introspection:
    """One issuer that is asked about tokens.

    Attributes:
        issuer: its name, as in the audit; where its answer names one, it must be this.
        report: takes a sentence for the operator, once per kind of failure until it answers again.
    """

    issuer: str
    url: str
    credentials: tuple[str, str] = field(repr=False)
    roles: Mapping[str, tuple[str, ...]]
    exchange: Exchange
    report: Callable[[str], None]
    _kept: dict[bytes, tuple[float, Claims]] = field(default_factory=dict, repr=False)
    _reported: str = ""

    def __post_init__(self) -> None:
        """Refuse an address that is never called."""
        refusal = refusal_of(self.url, (self.url.split("?", 1)[0],))
        if refusal is not None:
            raise ValueError(f"the introspection_url of an issuer {refusal.value}")

    async def claims(self, token: str, *, audience: str, at_s: float, leeway_s: float) -> Claims | TokenRefusal:
        """What the issuer says of a token, or why it is not accepted.

        Args:
            audience: must be among the audiences, where the answer names any: without, the issuer judged for whom the
                token is by who asks (RFC 7662 section 2.2).
        """
        if len(token) > LONGEST_TOKEN:
            return TokenRefusal.TOO_LONG
        name = hashlib.sha256(token.encode()).digest()
        until_s, known = self._kept.get(name, (0.0, None))
        if known is None or until_s <= at_s:
            self._kept.pop(name, None)
            found = await self._asked(token, audience, at_s)
            if isinstance(found, TokenRefusal):
                return found
            known = found
        held = checked_claims(known, audience=audience, at_s=at_s, leeway_s=leeway_s)
        if isinstance(held, Claims) and until_s <= at_s:
            self._keep(name, held, at_s)
        return held

    async def _asked(self, token: str, audience: str, at_s: float) -> Claims | TokenRefusal:
        answer = await self.exchange.ask(
            "POST",
            self.url,
            content=urlencode({"token": token, "token_type_hint": "access_token"}).encode(),
            headers={
                "Accept": "application/json",
                "Content-Type": "application/x-www-form-urlencoded",
                "Authorization": _basic(*self.credentials),
            },
        )
        facts = decoded(answer, dict[str, object]) if isinstance(answer, Reply) and answer.status == _OK else None
        if facts is None or not isinstance(facts.get("active"), bool):
            self._tell(f"answered HTTP {answer.status}" if isinstance(answer, Reply) else "did not answer")
            return TokenRefusal.INTROSPECTION_UNAVAILABLE
        self._reported = ""
        if not facts["active"]:
            return TokenRefusal.INACTIVE
        # None of them has to be there; without exp the answer counts for a second.
        stated = {
            "iss": self.issuer,
            "exp": at_s + 1,
            "aud": audience,
            **{k: v for k, v in facts.items() if v is not None},
        }
        try:
            claims = msgspec.convert(stated, Claims)
        except msgspec.ValidationError:
            return TokenRefusal.CLAIMS
        return claims if claims.iss == self.issuer else TokenRefusal.ISSUER

    def _keep(self, name: bytes, claims: Claims, at_s: float) -> None:
        if claims.exp <= at_s:
            return
        if len(self._kept) >= MOST_KEPT:
            self._kept = {one: kept for one, kept in self._kept.items() if kept[0] > at_s}
        if len(self._kept) < MOST_KEPT:
            self._kept[name] = (min(claims.exp, at_s + KEPT_S), claims)

    def _tell(self, what: str) -> None:
        if what != self._reported:
            self._reported = what
            self.report(
                f"The introspection endpoint of {self.issuer} {what}; callers with its tokens are told to wait."
            )


_OK = 200


def _basic(client: str, secret: str) -> str:
    pair = f"{quote_plus(client)}:{quote_plus(secret)}".encode()
    return f"Basic {base64.b64encode(pair).decode()}"


_SCOPE = re.compile(r"(?P<of>patient|user|system)/(?P<type>[A-Z][A-Za-z]*|\*)\.(?P<letters>c?r?u?d?s?|read|write|\*)")
_V1 = {"read": "rs", "write": "cud", "*": "cruds"}


@dataclass(frozen=True, slots=True)
class Permission:
    """What something needs: all of these letters on this resource type."""

    resource_type: str
    letters: str

    @property
    def scope(self) -> str:
        """As the scope that a client would ask for."""
        return f"system/{self.resource_type}.{self.letters}"


EVALUATE = Permission("Observation", "rs")
"""To have a trial read and answered."""
READ_CONDITIONS = Permission("Condition", "rs")
"""To have the Conditions of a patient read from the record as well."""
READ_INFUSIONS = Permission("MedicationAdministration", "rs")
"""To have vasopressors read from the record as well; without it the answer says that they were not."""
READ_PROCEDURES = Permission("Procedure", "rs")
"""To have Procedures, such as extracorporeal support, read from the record as well; without it likewise."""
WRITE_BACK = Permission("Observation", "c")
"""To have the answer put into the record as well."""

NEEDED_TO_READ = ("Patient.r", "Observation.rs")
NEEDED_TO_WRITE = ("Observation.crus", "GuidanceResponse.crus", "DetectedIssue.crus", "Device.c", "Provenance.cs")
"""A new answer is created; an earlier one is searched for by its Provenance, read, and marked as superseded."""

USUAL_SCOPE = (
    "openid fhirUser online_access patient/Patient.rs patient/Observation.crus patient/GuidanceResponse.crus "
    "patient/DetectedIssue.crus patient/DiagnosticReport.crus patient/Device.crs patient/DeviceMetric.rs "
    "patient/Provenance.crs patient/List.crus patient/Condition.rs patient/Procedure.rs "
    "patient/Encounter.rs"
)
"""What a launch asks for where the operator says nothing else; the scope of the launch itself comes on top."""


def allows(scopes: Iterable[str], needed: Permission) -> bool:
    """Whether the scopes of a token, taken together, allow what is needed; those not understood count for nothing."""
    return _letters(scopes, needed.resource_type, ("system", "user")).issuperset(needed.letters)


def missing(scope: str, needed: Iterable[str]) -> tuple[str, ...]:
    """What a launch was not granted, as `patient/` scopes to ask for; empty where nothing lacks.

    Args:
        scope: as granted, apart by spaces; what is not understood counts for nothing.
        needed: as `Observation.rs`.
    """
    lacking = []
    for resource_type, _, letters in (one.partition(".") for one in needed):
        held = _letters(scope.split(), resource_type, ("patient", "user", "system"))
        lacks = "".join(letter for letter in letters if letter not in held)
        lacking += [f"patient/{resource_type}.{lacks}"] if lacks else []
    return tuple(lacking)


def _letters(scopes: Iterable[str], resource_type: str, of: tuple[str, ...]) -> set[str]:
    found = [match for match in map(_SCOPE.fullmatch, scopes) if match and match["of"] in of]
    of_type = [match["letters"] for match in found if match["type"] in ("*", resource_type)]
    return {letter for letters in of_type for letter in _V1.get(letters, letters)}


def with_launch(scope: str, *, standalone: bool) -> str:
    """The scopes to ask for, with the one that fits this kind of launch and without the other.

    Args:
        standalone: whether the launch comes from outside a record, which then asks for a patient.
    """
    own, other = ("launch/patient", "launch") if standalone else ("launch", "")
    asked = [one for one in scope.split() if one not in (own, other)]
    return " ".join((own, *asked))
