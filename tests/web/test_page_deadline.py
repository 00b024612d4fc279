"""Whatever a page reads or writes in a slow record, its request ends at its deadline, and what is not known is said."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path

import httpx
import pytest
import respx

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import NO_SITE, RequestContext
from ebbmark.fhir.writing.provenance import Actor
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.search import ReadFailure
from ebbmark.record.write_back import WriteState
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.launch.session import Session
from ebbmark.web.page.record_source import PageConfig, RecordSource
from ebbmark.web.theme import PageRefused
from fhir_builders import height
from issued_tokens import NOW_S
from record.searchable_record import BASE

TYPED = {**height(), "identifier": [{"system": "https://ebbmark.example/fhir/sid/entered", "value": "0" * 64}]}
ANSWER = json.loads((Path(__file__).parents[2] / "fixtures" / "clear-closing" / "answer.json").read_bytes())


def asked_of_a_slow_record(ask: Callable[[RecordSource], Awaitable[object]], within_s: float = 0.05) -> object:
    """What comes of a question to a record that answers within a minute only, or the refusal."""

    async def slowly(_: httpx.Request) -> httpx.Response:
        await asyncio.sleep(60)
        raise AssertionError("nobody waits that long")

    async def at_once() -> object:
        settings = RecordSettings(base_url=BASE, allowed_base_urls=(BASE,), read_timeout_s=90.0, attempt_timeout_s=90.0)
        async with RecordClient(settings) as record:
            source = RecordSource(
                session=Session("t", BASE, "p1", None, None, "token", None, NOW_S + 900, "patient/*.cruds", True),
                record_client=record,
                reading=record,
                actor=Actor("clinician", "", ""),
                csrf="",
                at_s=NOW_S,
                config=PageConfig(RequestContext(0.0, NO_SITE), None, AuditTrail(lambda: NOW_S)),
                until_s=asyncio.get_running_loop().time() + within_s,
            )
            try:
                return await ask(source)
            except (Rejected, PageRefused) as refused:
                return refused

    with respx.mock(assert_all_called=False) as router:
        router.route(url__startswith=BASE).mock(side_effect=slowly)
        return asyncio.run(at_once())


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda page: page.patient(), "did not answer within the time of the request"),
        (lambda page: page.asked("titrate-peep"), "took longer than"),
        (lambda page: page.asked("next-step"), "took longer than"),
    ],
)
def test_what_cannot_be_read_in_time_is_refused(ask: Callable[[RecordSource], Awaitable[object]], said: str) -> None:
    refused = asked_of_a_slow_record(ask)

    assert isinstance(refused, Rejected)
    assert said in refused.problems[0].sentence


def test_nothing_is_taken_for_unchanged_or_recorded_or_known_that_was_not_read_in_time() -> None:
    assert asked_of_a_slow_record(lambda page: page.nothing_new_since(NOW_S)) is False
    assert asked_of_a_slow_record(lambda page: page.recorded("0" * 64)) is None
    assert isinstance(
        asked_of_a_slow_record(lambda page: page.dry_run(as_transaction(ANSWER, "Patient/p1"))), ReadFailure
    )


@pytest.mark.parametrize(("within_s", "state"), [(0.2, WriteState.UNKNOWN), (0.0, WriteState.FAILED)])
def test_a_write_that_the_deadline_ends_is_unknown_and_one_past_it_is_never_begun(
    within_s: float, state: WriteState
) -> None:
    written = asked_of_a_slow_record(lambda page: page.record_entered([TYPED]), within_s)

    assert getattr(written, "state", written) is state
