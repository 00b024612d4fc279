"""What the application does once, when it starts and when it stops."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Iterator

import pytest
from starlette.types import ASGIApp, Message

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from web.asking import plain_app


@pytest.fixture(autouse=True)
def _thaw() -> Iterator[None]:
    yield
    gc.unfreeze()


def lived(app: ASGIApp) -> tuple[list[str], int]:
    """Start and stop; what was said, and how many objects the collector leaves alone in between."""

    async def live() -> tuple[list[str], int]:
        said: list[Message] = []
        frozen = 0
        asked = iter([{"type": "lifespan.startup"}, {"type": "lifespan.shutdown"}])

        async def receive() -> Message:
            nonlocal frozen
            frozen = gc.get_freeze_count()
            return next(asked)

        async def send(message: Message) -> None:
            said.append(message)

        await app({"type": "lifespan", "asgi": {"version": "3.0"}, "state": {}}, receive, send)
        return [message["type"] for message in said], frozen

    return asyncio.run(live())


def test_it_starts_and_stops() -> None:
    assert lived(plain_app())[0] == ["lifespan.startup.complete", "lifespan.shutdown.complete"]


def test_it_may_be_started_again() -> None:
    app = plain_app()

    assert lived(app)[0] == lived(app)[0]


def test_with_a_record_it_starts_and_stops_without_calling_it() -> None:
    app = create_app(Settings.model_validate({"record_base_url": "https://record.example/fhir"}))

    assert lived(app)[0] == ["lifespan.startup.complete", "lifespan.shutdown.complete"]


def test_what_was_made_at_start_is_left_alone_by_the_collector() -> None:
    assert lived(plain_app())[1] > 10_000
