"""How is the access of a session renewed once, however many requests of its page ask for that?

A page asks for several things at once, each with the same cookie. The refresh token in it may be good for one use
only, so that one request renews, all others wait for it, and late ones get what it got. That is remembered in the
memory of this process for a minute. Another replica does not know: a request that reaches it within the same moment
may be refused there, and the session goes on with the cookie that the first one got.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from hashlib import sha256

from ebbmark.record.authorization_server import SignInFailure
from ebbmark.record.retrying import Trouble
from ebbmark.record.single_flight import SingleFlight
from ebbmark.record.user_tokens import UserGrant

__all__ = ["Renewals"]

Outcome = UserGrant | SignInFailure

REMEMBERED_S = 60.0
AFTER_FAILURE_S = 5.0
"""A failure that may pass by itself is remembered for less [s]."""
MOST_REMEMBERED = 1_000
"""Beyond that the oldest are forgotten; their pages ask again. All are common practice, no published source."""


class Renewals:
    """Renewals under way and just done, by the digest of the refresh token.

    Args:
        steady_s: seconds that never run back.
    """

    def __init__(self, steady_s: Callable[[], float]) -> None:
        self._steady_s = steady_s
        self._flights: dict[bytes, SingleFlight[Outcome]] = {}
        self._done: dict[bytes, tuple[Outcome, float]] = {}

    async def of(self, refresh_token: str, renew: Callable[[], Awaitable[Outcome]]) -> Outcome:
        """Renew, or join a renewal of the same token.

        Args:
            refresh_token: that is used.
            renew: asks the record's authorization server.
        """
        self._forget()
        name = sha256(refresh_token.encode()).digest()
        known = self._done.get(name)
        if known is not None:
            return known[0]

        async def once() -> Outcome:
            try:
                outcome = await renew()
                passing = isinstance(outcome, SignInFailure) and outcome.trouble is Trouble.SIGN_IN_FAILED
                self._done[name] = (outcome, self._steady_s() + (AFTER_FAILURE_S if passing else REMEMBERED_S))
                return outcome
            finally:
                self._flights.pop(name, None)

        return await self._flights.setdefault(name, SingleFlight(once))()

    def _forget(self) -> None:
        """Let go of tokens that nobody will ask for any more."""
        now_s = self._steady_s()
        kept = [(name, done) for name, done in self._done.items() if now_s < done[1]]
        self._done = dict(kept[-MOST_REMEMBERED:])

    def cancel(self) -> None:
        """End the renewals that nobody waits for any more."""
        for flight in list(self._flights.values()):
            flight.cancel()
