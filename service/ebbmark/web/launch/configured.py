"""What does the operator say about launches: which records, as whom, and how far our trust goes?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ebbmark.record.client import RecordSettings
from ebbmark.record.user_tokens import AppClient
from ebbmark.web.launch.seal import Seal

__all__ = ["CALLBACK", "SmartClient", "SmartSettings"]

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
