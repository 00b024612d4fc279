"""How does this service sign in to the record by itself, and keep a valid access token at hand?

One token at a time is held in memory; it is renewed before it expires, and however many callers wait, one renewal
serves them all. A failed sign-in is a value, and is reported in words that hold no token and no address.

Source: SMART App Launch 2.2, Backend Services (client_credentials with a signed assertion).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import urlencode

import msgspec

from ebbmark.keys import KeyRing
from ebbmark.record.assertion import client_assertion
from ebbmark.record.authorization_server import SignInFailure, TokenEndpoint, discovered, failure_of, may_be_asked
from ebbmark.record.client import is_bearer_token
from ebbmark.record.exchange import Exchange, Failure, decoded
from ebbmark.record.retrying import Trouble
from ebbmark.record.single_flight import SingleFlight

__all__ = ["ASSERTION_TYPE", "SignIn", "SignInClock", "SignInSettings"]

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
EARLIEST_RENEWAL = 0.2
"""A token is renewed when this share of its life is left …"""
LONGEST_MARGIN_S = 30.0
"""… but not earlier than this before its end [s]. Both are common practice, no published source."""


@dataclass(frozen=True, slots=True)
class SignInSettings:
    """As whom we sign in, where, and what we ask for.

    Attributes:
        client_id: our name at the authorization server.
        scope: scopes asked for, apart by spaces.
        record_base_url: FHIR base URL of the record; where to sign in is discovered below it.
        token_url: where tokens are given; None to discover it.
        hosts: hosts that may give tokens, beside the record's own and that of `token_url`.
    """

    client_id: str
    scope: str
    record_base_url: str
    token_url: str | None = None
    hosts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SignInClock:
    """What a sign-in needs from outside itself: time and chance.

    Attributes:
        wall_s: seconds since 1970-01-01T00:00:00Z, for the assertion.
        steady_s: seconds that never run back, for the token's life.
        new_id: a text that never comes twice, for the assertion's jti.
    """

    wall_s: Callable[[], float]
    steady_s: Callable[[], float]
    new_id: Callable[[], str]


@dataclass(frozen=True, slots=True)
class _Held:
    token: str = field(repr=False)
    renew_at_s: float


class _TokenReply(msgspec.Struct):
    access_token: str
    token_type: str
    expires_in: float = 0.0


class SignIn:
    """The source of access tokens for one record.

    Args:
        settings: as whom, where, for what.
        keys: our keys; the first whose algorithm the server takes signs.
        exchange: the connections to the authorization server.
        clock: time and chance.
        report: takes one sentence per failed sign-in.
    """

    def __init__(
        self,
        settings: SignInSettings,
        *,
        keys: KeyRing,
        exchange: Exchange,
        clock: SignInClock,
        report: Callable[[str], None],
    ) -> None:
        self._settings = settings
        self._keys = keys
        self._exchange = exchange
        self._clock = clock
        self._report = report
        self._held: _Held | None = None
        self._renewed = SingleFlight(self._renew)

    async def aclose(self) -> None:
        """End a renewal that nobody waits for any more, and close every connection."""
        self._renewed.cancel()
        await self._exchange.aclose()

    async def token(self) -> str | Trouble:
        """A token that is good for a while, renewed if need be; or why there is none."""
        if self._held is not None and self._clock.steady_s() < self._held.renew_at_s:
            return self._held.token
        outcome = await self._renewed()
        return outcome.trouble if isinstance(outcome, SignInFailure) else outcome.token

    def discard(self, token: str) -> None:
        """Forget a token that was not accepted, unless it was replaced already."""
        if self._held is not None and self._held.token == token:
            self._held = None

    async def _renew(self) -> _Held | SignInFailure:
        outcome = await self._signed_in()
        if isinstance(outcome, SignInFailure):
            self._held = None
            self._report(outcome.sentence)
        else:
            self._held = outcome
        return outcome

    async def _signed_in(self) -> _Held | SignInFailure:
        settings = self._settings
        endpoint = (
            await discovered(settings.record_base_url, self._exchange)
            if settings.token_url is None
            else TokenEndpoint(settings.token_url)
        )
        if isinstance(endpoint, SignInFailure):
            return endpoint
        refusal = may_be_asked(endpoint.url, (settings.record_base_url, settings.token_url), settings.hosts)
        if refusal is not None:
            return refusal
        key = self._keys.for_algorithms(endpoint.algorithms)
        if key is None:
            return SignInFailure(Trouble.SIGN_IN_REFUSED, "it takes none of the algorithms of our keys")
        asked_at_s = self._clock.steady_s()
        assertion = client_assertion(
            key,
            client_id=settings.client_id,
            token_url=endpoint.url,
            jti=self._clock.new_id(),
            at_s=self._clock.wall_s(),
        )
        return await self._asked(endpoint.url, assertion, asked_at_s)

    async def _asked(self, token_url: str, assertion: str, asked_at_s: float) -> _Held | SignInFailure:
        form = {
            "grant_type": "client_credentials",
            "scope": self._settings.scope,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": assertion,
        }
        answer = await self._exchange.ask(
            "POST",
            token_url,
            content=urlencode(form).encode(),
            headers={"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"},
        )
        if isinstance(answer, Failure) or answer.status != 200:
            return failure_of(answer)
        reply = decoded(answer, _TokenReply)
        if reply is None or reply.token_type.lower() != "bearer" or not is_bearer_token(reply.access_token):
            return SignInFailure(Trouble.SIGN_IN_FAILED, "its reply holds no bearer token that could be read")
        # A token whose life is not stated serves those who wait now, and is not kept.
        margin_s = min(EARLIEST_RENEWAL * reply.expires_in, LONGEST_MARGIN_S)
        return _Held(reply.access_token, asked_at_s + reply.expires_in - margin_s)
