"""Alive, ready, starting until an issuer's keys are there, and degraded while another system is down."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import httpx
import respx

from ebbmark.keys import PublicKey
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.sign_in import KeyLookup
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.health import LOOK_EVERY_S, Probe, Probes, record_answers
from ebbmark.web.shared_store import SharedStore, store_address
from ebbmark.web.token_check import KeySource
from web.asking import ask, plain_app

RECORD = "https://record.example/fhir"
ISSUER = {"issuer": "https://login.example", "jwks_url": "http://127.0.0.1:9/jwks.json"}


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def looked(replies: Sequence[httpx.Response | httpx.ConnectError], *, apart_s: float) -> tuple[list[bool | None], int]:
    """What is known of the record before each of several looks and after the last, and how often it was called."""

    async def look() -> tuple[list[bool | None], int]:
        clock = Clock()
        async with RecordClient(RecordSettings(RECORD, (RECORD,))) as record:
            watcher = Probe(partial(record_answers, record), LOOK_EVERY_S, clock)
            known = []
            for _ in replies:
                watcher.look_soon()
                known.append(watcher.answers)
                for _ in range(20):
                    await asyncio.sleep(0)
                clock.now_s += apart_s
            await asyncio.sleep(0.01)
            await watcher.aclose()
            return [*known, watcher.answers], router.calls.call_count

    with respx.mock(assert_all_called=False) as router:
        router.get(f"{RECORD}/metadata").mock(side_effect=replies)
        return asyncio.run(look())


@dataclass(slots=True)
class Published:
    """Keys of an issuer that are there, or come when they are asked for, or do not."""

    there: bool = False
    comes: bool = False

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        self.there = self.there or self.comes
        return KeyLookup.UNKNOWN


def found_by(*issuers: KeySource, then: Callable[[], None] = lambda: None) -> list[tuple[str, str]]:
    """Status and what is known of keys: when a probe comes, after its look, and after something happened."""

    async def look() -> list[tuple[str, str]]:
        clock = Clock()
        looks = Probes(None, None, issuers, clock)
        told = []
        for turn in range(3):
            if turn == 2:
                then()
            looks.look_soon()
            found = looks.found()
            told.append((found["status"], found["issuer-keys"]))
            await asyncio.sleep(0.001)
            clock.now_s += 1
        await looks.aclose()
        return told

    return asyncio.run(look())


def test_without_a_record_the_service_is_ready_once_it_answers() -> None:
    reply = ask(plain_app(), method="GET", path="/health/ready")

    assert reply.status == 200
    assert (reply.json["status"], reply.json["record"], reply.json["shared-store"], reply.json["issuer-keys"]) == (
        *("ready", "none-configured", "none-configured", "none-needed"),
    )


def test_a_probe_does_not_wait_for_the_record() -> None:
    known, _ = looked([httpx.Response(200)], apart_s=0)

    assert known == [None, True]


def test_a_record_that_fails_or_cannot_be_reached_is_silent_and_one_that_comes_back_answers() -> None:
    replies: list[httpx.Response | httpx.ConnectError] = [
        httpx.Response(503),
        httpx.Response(200),
        httpx.ConnectError("no"),
        httpx.Response(401),
    ]
    known, _ = looked(replies, apart_s=LOOK_EVERY_S)

    assert known[1:] == [False, True, False, True]


def test_many_probes_make_one_call() -> None:
    _, calls = looked([httpx.Response(200)] * 50, apart_s=0)

    assert calls == 1


def test_a_shared_store_that_did_not_answer_the_last_request_is_told_at_once() -> None:
    store = SharedStore(store_address("redis://127.0.0.1:9"), None, Clock())
    looks = Probes(None, store, (), Clock())
    told = []
    for store.answers in (None, False, True):
        found = looks.found()
        told.append((found["status"], found["shared-store"]))

    assert told == [("ready", "not-looked-at-yet"), ("degraded", "does-not-answer"), ("ready", "answers")]


def test_it_is_not_ready_before_the_keys_of_an_issuer_are_there() -> None:
    app = create_app(Settings.model_validate({"issuers": [ISSUER], "base_url": "https://peep.example"}))

    reply = ask(app, method="GET", path="/health/ready")

    assert (reply.status, reply.json["status"], reply.json["issuer-keys"]) == (503, "starting", "none")
    assert ask(app, method="GET", path="/health/live").status == 200


def test_a_probe_fetches_keys_and_the_next_one_finds_them() -> None:
    assert found_by(Published(comes=True))[:2] == [("starting", "none"), ("ready", "all")]


def test_one_issuer_that_is_down_does_not_keep_out_callers_of_another() -> None:
    assert found_by(Published(comes=True), Published())[1] == ("degraded", "some")


def test_once_ready_it_stays_so_when_an_issuer_goes_down() -> None:
    issuer = Published(there=True)

    told = found_by(issuer, then=lambda: setattr(issuer, "there", False))

    assert told == [("ready", "all"), ("ready", "all"), ("degraded", "none")]
