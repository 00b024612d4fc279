"""A browser without a screen, a real service on a real socket, and a record that launches it.

The service carries one address more than usual, `/app/{tab}/probe`: it says what a page of that tab would know.
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import uvicorn
from fastapi import FastAPI, Request

from ebbmark.record.retry import Reply
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.launch.access import SmartLaunch
from ebbmark.web.launch.session import Seal, new_cookie_key_set, read_cookie_keys
from launch_server import CLIENT_ID, Chart, LaunchSite

TIMEOUT_S = 20.0
OPEN_CHART = Chart()


@dataclass(frozen=True, slots=True)
class Page:
    """What a browser got."""

    status: int
    text: str
    headers: httpx.Headers
    url: str

    @property
    def heading(self) -> str:
        """The h1."""
        parser = _Heading()
        parser.feed(self.text)
        return "".join(parser.said).strip()

    @property
    def json(self) -> dict[str, Any]:
        read: dict[str, Any] = json.loads(self.text)
        return read

    @property
    def state(self) -> str:
        return parse_qs(urlsplit(self.url).query)["state"][0]


class _Heading(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.within = False
        self.said: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.within = self.within or tag == "h1"

    def handle_endtag(self, tag: str) -> None:
        self.within = self.within and tag != "h1"

    def handle_data(self, data: str) -> None:
        if self.within:
            self.said.append(data)


@dataclass(slots=True)
class Running:
    """A service that answers."""

    address: str
    app: FastAPI

    @property
    def callback(self) -> str:
        return f"{self.address}/launch/callback"


class Browser:
    """Keeps cookies as browsers do, follows redirects one by one, and clicks what it is told to."""

    def __init__(self, service: str) -> None:
        self.service = service
        self.http = httpx.Client(timeout=TIMEOUT_S, trust_env=False)

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self.http.close()

    def step(
        self,
        method: str,
        url: str,
        *,
        headers: dict[str, str] | None = None,
        params: dict[str, str] | None = None,
        data: Mapping[str, str | list[str]] | None = None,
        content: str | None = None,
    ) -> httpx.Response:
        """One request, no redirect followed."""
        address = url if url.startswith("http") else self.service + url
        return self.http.request(method, address, headers=headers, params=params, data=data, content=content)

    def get(
        self,
        url: str,
        *,
        headers: dict[str, str] | None = None,
        params: dict[str, str] | None = None,
        look: bool = False,
    ) -> Page:
        """Follow redirects to the page where they end; into that of a patient, which reads the record, or up to it."""
        reply = self.step("GET", url, headers=headers, params=params)
        while reply.is_redirect:
            onward = httpx.URL(str(reply.url)).join(reply.headers["location"])
            if onward.path.startswith("/app/") and not look:
                return Page(reply.status_code, reply.text, reply.headers, str(onward))
            reply = self.step("GET", str(onward))
        return Page(reply.status_code, reply.text, reply.headers, str(reply.url))

    def consent_to(self, address: str, *, allow: bool = True) -> str:
        """From a launch to the reply that the record's sign-in sends the browser away with; not yet delivered."""
        consent = self.get(address)
        assert consent.status == 200, consent.text
        form = {name: values[0] for name, values in parse_qs(urlsplit(consent.url).query).items()}
        decided = self.step(
            "POST",
            consent.url.split("?")[0],
            data={**form, "decision": "allow" if allow else "deny"},
        )
        assert decided.status_code == 302, decided.text
        return str(decided.headers["location"])

    def launch(self, site: LaunchSite, chart: Chart = OPEN_CHART, *, allow: bool = True, look: bool = False) -> Page:
        """The whole of an EHR launch; ends where the service sends the browser, before or after it looks there."""
        return self.get(self.consent_to(launch_of(site, chart), allow=allow), look=look)

    def probe(self, tab: str) -> Page:
        """What a page of this tab would know."""
        return self.get(f"/app/{tab}/probe")


def launch_of(site: LaunchSite, chart: Chart = OPEN_CHART) -> str:
    """The link that a record opens us with."""
    return f"/launch?iss={site.base_url}&launch={site.opened(chart)}"


def tab_of(page: Page) -> str:
    """The tab that a launch ended in."""
    parts = urlsplit(page.url).path.split("/")
    assert parts[1] == "app", page.text
    return parts[2]


def cookie_key(folder: Path, name: str = "cookies.json") -> Path:
    """A new file of cookie keys."""
    file = folder / name
    file.write_text(json.dumps(new_cookie_key_set()))
    return file


def seal_of(file: Path) -> Seal:
    """What the service seals with."""
    return read_cookie_keys([file.read_bytes()])


def smart_settings(site: LaunchSite, **client: object) -> dict[str, Any]:
    """A service that this record may open."""
    return {"smart_clients": [{"iss": site.base_url, "client_id": CLIENT_ID, **client}]}


def free_port() -> int:
    """A port that nobody listens on just now."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


@contextmanager
def running(port: int, settings: dict[str, Any]) -> Iterator[Running]:
    """The service on this port until the block ends."""
    app = create_app(Settings.model_validate({"port": port, **settings}))
    _add_probe(app)
    server = _Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="critical", access_log=False))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        assert server.ready.wait(TIMEOUT_S)
        yield Running(f"http://127.0.0.1:{port}", app)
    finally:
        server.should_exit = True
        thread.join()


@dataclass
class _Server(uvicorn.Server):
    config: uvicorn.Config
    ready: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        super().__init__(self.config)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.ready.set()


def _add_probe(app: FastAPI) -> None:
    @app.get("/app/{tab}/probe")
    async def probe(request: Request) -> dict[str, object]:
        door: SmartLaunch = app.state.smart_launch
        session = await door.session_of(request)
        answer = await door.record_of(session).send("GET", f"Patient/{session.patient}")
        return {
            "patient": session.patient,
            "encounter": session.encounter,
            "user": session.fhir_user,
            "banner": session.need_patient_banner,
            "scope": session.scope,
            "csrf": session.csrf,
            "record": answer.status if isinstance(answer, Reply) else answer.slug,
            "token": session.access_token,
        }
