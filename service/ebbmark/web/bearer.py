"""Who calls: the checked access token of a FHIR client with its scopes, and the checked JWT of a CDS Hooks client.

What was seen of CDS clients is remembered in this process, and in a store that replicas share where one is configured.
Without one, or while it does not answer, a token stolen on the way could be used once at each replica until it expires.

Source: RFC 6750 (bearer tokens and their refusals), RFC 9068 (claims of access tokens; `client_id`, and `azp` as some
issuers spell it; roles, groups and entitlements, section 2.2.3.1, mean what a site's rule says), SMART App Launch 2.2
(aud is the FHIR base URL; scopes-and-launch-context: letters c r u d s in this order; v1 read = rs, write = cud). CDS
Hooks 2.0, "Trusting CDS Clients": Authorization: Bearer with a JWT whose iss, aud (the exact address that is called),
exp, iat and jti are all there; no `none`, no symmetric algorithm; iss and jku from an allow-list; jti
remembered against replay. The text sets no longest life: `LONGEST_CLIENT_LIFE_S` is ours, since what must be remembered
until it expires must expire.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import msgspec

from ebbmark.web.shared_store import SharedStore
from ebbmark.web.token_check import Claims, Introspection, Rules, TokenRefusal, verified

__all__ = [
    "EVALUATE",
    "LONGEST_LIFE_S",
    "READ_CONDITIONS",
    "READ_INFUSIONS",
    "READ_PROCEDURES",
    "WRITE_BACK",
    "Caller",
    "ClientJwt",
    "Permission",
    "SeenTokens",
    "allows",
    "bearer_token",
    "checked_caller",
    "checked_client",
]

_SCOPE = re.compile(r"(?:system|user)/(?P<type>[A-Z][A-Za-z]*|\*)\.(?P<letters>c?r?u?d?s?|read|write|\*)")
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


def allows(scopes: Iterable[str], needed: Permission) -> bool:
    """Say whether the scopes, taken together, allow what is needed.

    Args:
        scopes: as granted, one scope each; those that are not understood count for nothing.
        needed: resource type and letters.
    """
    held: set[str] = set()
    for scope in scopes:
        match = _SCOPE.fullmatch(scope)
        if match is not None and match["type"] in ("*", needed.resource_type):
            held.update(_V1.get(match["letters"], match["letters"]))
    return held.issuperset(needed.letters)


SCHEME = "bearer"
LONGEST_LIFE_S = 86_400.0
"""Longer than a day is refused: nobody could take such a token back. Our choice; SMART recommends 300 s."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who calls.

    Attributes:
        issuer: who vouches for the client; empty where nobody signs in.
        client: the client's name there; empty where nobody signs in.
        scopes: as granted; None where nobody signs in and everything is allowed.
    """

    issuer: str
    client: str
    scopes: frozenset[str] | None

    def may(self, needed: Permission) -> bool:
        """Say whether the caller has this permission."""
        return self.scopes is None or allows(self.scopes, needed)


def bearer_token(authorization: str | None) -> str | None:
    """The token in an Authorization header; None where there is none, or it is of another scheme."""
    scheme, _, token = (authorization or "").partition(" ")
    return token.strip() if scheme.lower() == SCHEME and token.strip() else None


async def checked_caller(
    authorization: str | None,
    *,
    rules: Rules,
    audience: str,
    at_s: float,
    introspection: Introspection | None = None,
) -> Caller | TokenRefusal | None:
    """Check an access token.

    Args:
        authorization: the header as sent.
        rules: the issuers that we trust.
        introspection: who is asked about tokens that cannot be checked here; None where nobody is.
        audience: our FHIR base URL, or what the operator agreed on with the issuer.
        at_s: now [s since 1970-01-01T00:00:00Z].

    Returns:
        The caller; the reason why not; None where no bearer token was sent at all.
    """
    token = bearer_token(authorization)
    if token is None:
        return None
    # Where no issuer has keys, every token is opaque to us, whatever it looks like.
    by_key = bool(rules.parties) or introspection is None
    claims = await verified(token, rules=rules, audience=audience, at_s=at_s) if by_key else TokenRefusal.NOT_A_JWT
    if claims is TokenRefusal.NOT_A_JWT and introspection is not None:
        claims = await introspection.claims(token, audience=audience, at_s=at_s, leeway_s=rules.leeway_s)
    if isinstance(claims, TokenRefusal):
        return claims
    if claims.cnf is not msgspec.UNSET:
        # RFC 7800, RFC 8705, RFC 9449: whoever holds the token must prove a key, and nothing here checks that proof.
        return TokenRefusal.BOUND
    if claims.exp > at_s + LONGEST_LIFE_S + rules.leeway_s:
        return TokenRefusal.TOO_LONG_LIVED
    client = claims.client_id or claims.azp or claims.sub
    asked = introspection is not None and claims.iss not in rules.parties
    roles = introspection.roles if introspection is not None and asked else rules.parties[claims.iss].roles
    granted = {scope for role in _roles_of(claims) for scope in roles.get(role, ())}
    return TokenRefusal.CLAIMS if not client else Caller(claims.iss, client, _scopes_of(claims) | granted)


def _scopes_of(claims: Claims) -> frozenset[str]:
    given = [one if isinstance(one, list) else (one or "").split() for one in (claims.scope, claims.scp)]
    return frozenset(one for listed in given for one in listed)


def _roles_of(claims: Claims) -> set[str]:
    """Names of roles: texts, or objects with a value (RFC 7643 section 4.1.2); what has another shape names none."""
    listed = [one for claim in (claims.roles, claims.groups, claims.entitlements) for one in _listed(claim)]
    named = [one.get("value") if isinstance(one, dict) else one for one in listed]
    return {one for one in named if isinstance(one, str)}


def _listed(claim: object) -> list[object]:
    return claim if isinstance(claim, list) else [claim]


LONGEST_CLIENT_LIFE_S = 600.0
MOST_REMEMBERED = 100_000
LONGEST_JTI = 200


@dataclass(frozen=True, slots=True)
class ClientJwt:
    """A clinical system that proved who it is."""

    issuer: str
    tenant: str | None = None


@dataclass(slots=True)
class SeenTokens:
    """The tokens used so far that have not expired, by issuer and jti, with the time until which each counts [s].

    Attributes:
        most: that this process remembers.
        store: shared by replicas; None where there is none.
    """

    most: int = MOST_REMEMBERED
    store: SharedStore | None = None
    _until_s: dict[tuple[str, str], float] = field(default_factory=dict)

    async def first_use(self, issuer: str, jti: str, *, until_s: float, at_s: float) -> TokenRefusal | None:
        """Remember a token, or say why it may not be used."""
        # Here first: what this process saw counts also while the store does not answer, and two uses at one moment too.
        refusal = self._first_use_here(issuer, jti, until_s=until_s, at_s=at_s)
        if refusal is not None or self.store is None:
            return refusal
        name = msgspec.json.encode((issuer, jti)).decode()
        used = await self.store.is_first_use(name, for_s=until_s - at_s) is False
        return TokenRefusal.REPLAYED if used else None

    def _first_use_here(self, issuer: str, jti: str, *, until_s: float, at_s: float) -> TokenRefusal | None:
        known_until_s = self._until_s.get((issuer, jti))
        if known_until_s is not None and known_until_s > at_s:
            return TokenRefusal.REPLAYED
        if len(self._until_s) >= self.most:
            self._until_s = {key: until for key, until in self._until_s.items() if until > at_s}
        if len(self._until_s) >= self.most:
            return TokenRefusal.TOO_MANY
        self._until_s[issuer, jti] = until_s
        return None


async def checked_client(
    authorization: str | None, *, endpoint_url: str, rules: Rules, seen: SeenTokens, at_s: float
) -> ClientJwt | TokenRefusal | None:
    """Check the JWT of a CDS Hooks client.

    Args:
        authorization: the header as sent.
        endpoint_url: the address that was called, as the client knows it.
        rules: the clients that we trust.
        seen: what was used before.
        at_s: now [s since 1970-01-01T00:00:00Z].

    Returns:
        The client; the reason why not; None where no bearer token was sent at all.
    """
    token = bearer_token(authorization)
    if token is None:
        return None
    claims = await verified(token, rules=rules, audience=endpoint_url, at_s=at_s)
    if isinstance(claims, TokenRefusal):
        return claims
    if claims.cnf is not msgspec.UNSET:
        return TokenRefusal.BOUND
    refusal = _form_of(claims, at_s, rules.leeway_s) or await seen.first_use(
        claims.iss, claims.jti or "", until_s=claims.exp + rules.leeway_s, at_s=at_s
    )
    return refusal if refusal is not None else ClientJwt(claims.iss, claims.tenant)


def _form_of(claims: Claims, at_s: float, leeway_s: float) -> TokenRefusal | None:
    if not claims.jti or len(claims.jti) > LONGEST_JTI or claims.iat is None:
        return TokenRefusal.CLAIMS
    if claims.exp > at_s + LONGEST_CLIENT_LIFE_S + leeway_s:
        return TokenRefusal.TOO_LONG_LIVED
    return None
