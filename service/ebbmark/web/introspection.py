"""Token introspection: tokens that cannot be checked here are shown to their issuer, who says what they are.

An answer is kept for as long as the token is valid, and no longer than `KEPT_S`, so that a revoked token is noticed; it
is kept under a digest of the token, never the token. Nothing of token, secret or answer is logged.

Source: RFC 7662 (request, `active`, section 4: caching bounded by exp); RFC 6749 section 2.3.1 (client credentials in
the Authorization header, form-encoded). `KEPT_S` and `MOST_KEPT` are this project's choice.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import quote_plus, urlencode

import msgspec

from ebbmark.record.address_guard import refusal_of
from ebbmark.record.client import Exchange, Reply, decoded
from ebbmark.web.signed_token import LONGEST_TOKEN, Claims, TokenRefusal, judged

__all__ = ["Introspection"]

KEPT_S = 60.0
MOST_KEPT = 10_000


@dataclass(slots=True)
class Introspection:
    """One issuer that is asked about tokens.

    Attributes:
        issuer: its name, as in the audit; where its answer names one, it must be this.
        url: of its introspection endpoint, https, or on this machine.
        credentials: our client id and secret there.
        roles: scopes that a role of its directory stands for.
        exchange: the connections.
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
            token: as sent.
            audience: must be among the audiences, where the answer names any: without, the issuer judged for whom the
                token is by who asks (RFC 7662 section 2.2).
            at_s: now [s since 1970-01-01T00:00:00Z].
            leeway_s: how far apart clocks may be [s].
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
        held = judged(known, audience=audience, at_s=at_s, leeway_s=leeway_s)
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
