"""Alive, ready, and degraded while the record is down."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import httpx
import respx

from ebbmark.record.client import RecordClient, RecordSettings
from ebbmark.web.health import LOOK_EVERY_S, RecordLook, RecordState
from web.asking import ask, plain_app

RECORD = "https://record.example/fhir"


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def looked(replies: Sequence[httpx.Response | httpx.ConnectError], *, apart_s: float) -> tuple[list[RecordState], int]:
    """States before each of several looks and after the last, and how often the record was called."""

    async def look() -> tuple[list[RecordState], int]:
        clock = Clock()
        async with RecordClient(RecordSettings(RECORD, (RECORD,))) as record:
            watcher = RecordLook(record, clock)
            states = []
            for _ in replies:
                watcher.look_soon()
                states.append(watcher.state)
                for _ in range(20):
                    await asyncio.sleep(0)
                clock.now_s += apart_s
            await asyncio.sleep(0.01)
            await watcher.aclose()
            return [*states, watcher.state], router.calls.call_count

    with respx.mock(assert_all_called=False) as router:
        router.get(f"{RECORD}/metadata").mock(side_effect=replies)
        return asyncio.run(look())


def test_without_a_record_the_service_is_ready_once_it_answers() -> None:
    reply = ask(plain_app(), method="GET", path="/health/ready")

    assert (reply.status, reply.json["status"], reply.json["record"]) == (200, "ready", "none-configured")


def test_a_probe_does_not_wait_for_the_record() -> None:
    states, _ = looked([httpx.Response(200)], apart_s=0)

    assert states == [RecordState.NOT_LOOKED_AT, RecordState.ANSWERS]


def test_a_record_that_fails_or_cannot_be_reached_is_silent_and_one_that_comes_back_answers() -> None:
    replies: list[httpx.Response | httpx.ConnectError] = [
        httpx.Response(503),
        httpx.Response(200),
        httpx.ConnectError("no"),
        httpx.Response(401),
    ]
    states, _ = looked(replies, apart_s=LOOK_EVERY_S)

    assert states[1:] == [RecordState.SILENT, RecordState.ANSWERS, RecordState.SILENT, RecordState.ANSWERS]


def test_many_probes_make_one_call() -> None:
    _, calls = looked([httpx.Response(200)] * 50, apart_s=0)

    assert calls == 1
