"""What is kept in the browser: of a launch under way, and of a session in one tab.

Nothing else is kept anywhere, so that any replica can answer any request.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["LAUNCH", "SESSION", "Pending", "Session"]

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
