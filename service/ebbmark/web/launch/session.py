"""What a launch is configured with, what is kept in the browser of it, and how the access of a session is renewed once.

Of a launch under way and of a session in one tab everything is kept in the browser (sealed), so that any replica can
answer any request. A page asks for several things at once, each with the same cookie, and a refresh token may be good
for one use only: one request renews, all others wait for it (single flight), and late ones get what it got, remembered
in the memory of this process for a minute.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from hashlib import sha256

from ebbmark.record.client import RecordSettings
from ebbmark.record.retry import CallFailure, SingleFlight
from ebbmark.record.sign_in import SignInFailure
from ebbmark.record.smart_launch import AppClient, UserGrant
from ebbmark.web.launch.seal import Seal

__all__ = ["CALLBACK", "LAUNCH", "SESSION", "Pending", "Renewals", "Session", "SmartClient", "SmartSettings"]

CALLBACK = "/launch/callback"


@dataclass(frozen=True, slots=True)
class SmartClient:
    """One record that may open the page.

    Attributes:
        iss: FHIR base URL, without slash at its end.
        title: what people call it, to choose among several.
        client: as whom we ask for access.
        scope: what we ask for, without the scope of the launch itself.
        hosts: hosts that its authorization server may be on, beside the record's own.
        callback: path below our address that its replies come to, and no other record's.
    """

    iss: str
    title: str
    client: AppClient
    scope: str
    hosts: tuple[str, ...] = ()
    callback: str = CALLBACK


@dataclass(frozen=True, slots=True)
class SmartSettings:
    """What the door was configured with.

    Attributes:
        clients: the records.
        public_url: where browsers see this service, without slash at its end.
        seal: closes and opens what is kept in browsers.
        frame_ancestors: origins of the sites that may show the pages in a frame.
        algorithms: accepted signature algorithms of id_tokens.
        leeway_s: how far apart our clock and others' may be [s].
        longest_session_s: how long a session lasts however often it is renewed [s].
        patience: settings of a record client, for everything but whose record it is.
        new_secret: 256 random bits as text.
        new_tab: 128 random bits as base64url.
    """

    clients: tuple[SmartClient, ...]
    public_url: str
    seal: Seal
    frame_ancestors: tuple[str, ...]
    algorithms: frozenset[str]
    leeway_s: float
    longest_session_s: float
    patience: RecordSettings
    new_secret: Callable[[], str]
    new_tab: Callable[[], str]


LAUNCH = "ebbmark-launch"
SESSION = "ebbmark-session"
"""What sealed values are for; one never opens as the other."""


@dataclass(frozen=True, slots=True)
class Pending:
    """A launch between its start and the reply of the record's sign-in.

    Attributes:
        tab: the page that it will open.
        iss: FHIR base URL of the record.
        until_s: when it is too late [s since 1970-01-01T00:00:00Z].
        state: comes back with the reply; empty once it did.
        verifier: the secret behind the code challenge; empty once used.
        nonce: comes back in the id_token; empty once used.
    """

    tab: str
    iss: str
    until_s: float
    state: str = field(default="", repr=False)
    verifier: str = field(default="", repr=False)
    nonce: str = field(default="", repr=False)

    @property
    def used(self) -> bool:
        """Whether the reply came already."""
        return not self.state


@dataclass(frozen=True, slots=True)
class Session:
    """One patient's page in one tab.

    Attributes:
        tab: the page.
        iss: FHIR base URL of the record.
        patient: FHIR id of the patient; every read of the page is of this one.
        encounter: FHIR id of the encounter in context; None where there is none.
        fhir_user: reference to who is signed in; None where the record does not say.
        access_token: for the record; never shown.
        refresh_token: for the next access token; None where there is none.
        expires_s: when the access token ends [s since 1970-01-01T00:00:00Z].
        scope: scopes granted, apart by spaces.
        need_patient_banner: whether the page must say whose record it shows.
        csrf: mark that each form of the page carries.
        ends_s: when the session ends, however often it is renewed [s since 1970-01-01T00:00:00Z]; None for never.
    """

    tab: str
    iss: str
    patient: str
    encounter: str | None
    fhir_user: str | None
    access_token: str = field(repr=False)
    refresh_token: str | None = field(repr=False)
    expires_s: float
    scope: str
    need_patient_banner: bool
    csrf: str = field(default="", repr=False)
    ends_s: float | None = None


Renewed = UserGrant | SignInFailure

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
        self._flights: dict[bytes, SingleFlight[Renewed]] = {}
        self._done: dict[bytes, tuple[Renewed, float]] = {}

    async def of(self, refresh_token: str, renew: Callable[[], Awaitable[Renewed]]) -> Renewed:
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

        async def once() -> Renewed:
            try:
                outcome = await renew()
                passing = isinstance(outcome, SignInFailure) and outcome.trouble is CallFailure.SIGN_IN_FAILED
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
