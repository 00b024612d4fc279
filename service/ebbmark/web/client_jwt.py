"""Is this really the clinical system that calls a CDS Hooks door, and is it calling for the first time?

Source: CDS Hooks 2.0, "Trusting CDS Clients": Authorization: Bearer with a JWT whose iss, aud (the exact address that
is called), exp, iat and jti are all there; no `none`, no symmetric algorithm; iss and jku from an allow-list; jti
remembered against replay. The text sets no longest life: `LONGEST_LIFE_S` is ours, since what must be remembered
until it expires must expire.

What was seen is remembered in the memory of this process. Several replicas do not share it: a token stolen on the way
could be used once at each until it expires.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec

from ebbmark.web.bearer import bearer_token
from ebbmark.web.signed_token import Claims, Rules, TokenRefusal, verified

__all__ = ["LONGEST_LIFE_S", "ClientJwt", "SeenTokens", "checked_client"]

LONGEST_LIFE_S = 600.0
MOST_REMEMBERED = 100_000
LONGEST_JTI = 200


@dataclass(frozen=True, slots=True)
class ClientJwt:
    """A clinical system that proved who it is."""

    issuer: str
    tenant: str | None = None


@dataclass(slots=True)
class SeenTokens:
    """The tokens used so far that have not expired, by issuer and jti, with the time until which each counts [s]."""

    most: int = MOST_REMEMBERED
    _until_s: dict[tuple[str, str], float] = field(default_factory=dict)

    def first_use(self, issuer: str, jti: str, *, until_s: float, at_s: float) -> TokenRefusal | None:
        """Remember a token, or say why it may not be used."""
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
    refusal = _form_of(claims, at_s, rules.leeway_s) or seen.first_use(
        claims.iss, claims.jti or "", until_s=claims.exp + rules.leeway_s, at_s=at_s
    )
    return refusal if refusal is not None else ClientJwt(claims.iss, claims.tenant)


def _form_of(claims: Claims, at_s: float, leeway_s: float) -> TokenRefusal | None:
    if not claims.jti or len(claims.jti) > LONGEST_JTI or claims.iat is None:
        return TokenRefusal.CLAIMS
    if claims.exp > at_s + LONGEST_LIFE_S + leeway_s:
        return TokenRefusal.TOO_LONG_LIVED
    return None
