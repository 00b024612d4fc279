"""The door while sign-in is off: only this machine comes in, and it says so when it starts."""

from __future__ import annotations

import asyncio
import logging

import pytest
from starlette.types import ASGIApp, Message

from ebbmark.settings import Settings
from ebbmark.web.app import SIGN_IN_IS_OFF, create_app
from fhir_builders import to_bytes, trial_bundle
from web.asking import FHIR, ask, plain_app

TRIAL = to_bytes(trial_bundle())


@pytest.mark.parametrize("address", ["127.0.0.1", "127.8.8.8", "::1"])
def test_this_machine_comes_in(app: ASGIApp, address: str) -> None:
    assert ask(app, TRIAL, client=address).status == 200


@pytest.mark.parametrize("address", ["10.0.0.7", "192.0.2.1", "fe80::1", "8.8.8.8"])
def test_nobody_else_does(app: ASGIApp, address: str) -> None:
    reply = ask(app, TRIAL, client=address)

    assert (reply.status, reply.errors[0]["code"]) == (403, "forbidden")
    assert "EBBMARK_ISSUERS" in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize(
    "origin",
    [
        "http://localhost:3000",
        "http://127.0.0.1",
        "https://evil.example",
        "http://evil.example:8087",
        "null",
        "http://127.0.0.1.evil.example",
    ],
)
def test_a_page_of_another_origin_in_a_browser_here_does_not_come_in(app: ASGIApp, origin: str) -> None:
    assert ask(app, TRIAL, headers={**FHIR, "origin": origin}).status == 403


@pytest.mark.parametrize("origin", ["http://127.0.0.1:8087", "http://localhost:8087", "http://[::1]:8087"])
def test_a_page_of_this_machine_does(app: ASGIApp, origin: str) -> None:
    assert ask(app, TRIAL, headers={**FHIR, "origin": origin}).status == 200


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8087", "[", "", "127.0.0.1.evil.example"])
def test_a_name_of_somebody_else_that_leads_here_does_not_come_in(app: ASGIApp, host: str) -> None:
    assert ask(app, TRIAL, headers={**FHIR, "host": host}).status == 403


@pytest.mark.parametrize("host", ["127.0.0.1:8087", "localhost", "[::1]:8087"])
def test_a_name_of_this_machine_does(app: ASGIApp, host: str) -> None:
    assert ask(app, TRIAL, headers={**FHIR, "host": host}).status == 200


def test_the_name_that_the_operator_gave_the_service_does() -> None:
    named = create_app(Settings(base_url="https://peep.example"))

    assert ask(named, TRIAL, headers={**FHIR, "host": "peep.example"}).status == 200


def warnings_at_start(settings: Settings, caplog: pytest.LogCaptureFixture) -> list[str]:
    made = create_app(settings)

    async def live() -> None:
        asked = iter([{"type": "lifespan.startup"}, {"type": "lifespan.shutdown"}])

        async def receive() -> Message:
            return next(asked)

        async def send(_: Message) -> None:
            return

        await made({"type": "lifespan", "asgi": {"version": "3.0"}, "state": {}}, receive, send)

    with caplog.at_level(logging.WARNING):
        asyncio.run(live())
    return [record.getMessage() for record in caplog.records if record.name == "ebbmark"]


@pytest.mark.parametrize("authentication", [None, "none-on-loopback"])
def test_it_warns_when_it_starts(authentication: str | None, caplog: pytest.LogCaptureFixture) -> None:
    settings = Settings.model_validate({"authentication": authentication})

    assert warnings_at_start(settings, caplog) == [SIGN_IN_IS_OFF]


def test_the_capability_statement_claims_no_sign_in() -> None:
    statement = ask(plain_app(), method="GET", path="/fhir/metadata").json

    assert "security" not in statement["rest"][0]
