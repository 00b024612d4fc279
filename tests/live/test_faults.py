"""Write-backs to a real record under faults: each is there once and whole, or its writer was not told that it is.

The long run with the record killed on the way is `python -m live.fault_run`; this is its small form.
"""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime

import httpx
import pytest

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.write_back import WriteOutcome, WriteState, write_back
from live.fault_proxy import Fault, FaultProxy
from live.faulty_writing import SETTLED, WRITERS_OF_ONE, Outcome, Plan, run
from live.many_recommendations import jobs, load_inputs, talking_to
from live.written_once import Found, Job, found_of, look, look_when_settled

pytestmark = pytest.mark.live

PLAN = Plan(writes=21, repeats=4, crowds=1, at_once=8, seed=5, read_timeout_s=4.0, hurry=10.0, kills=0.1)
CALLS = PLAN.writes + PLAN.repeats + PLAN.crowds * WRITERS_OF_ONE
MOST_UNKNOWN = 0.1
"""Share of the calls that may end without anybody knowing, in this weather and on a busy machine; our choice."""

QUIET_S = 1.0


@pytest.fixture(scope="module")
def outcome(record_base_url: str) -> Outcome:
    return asyncio.run(run(PLAN, record_base_url, prefix=_prefix()))


@pytest.fixture(scope="module")
def record(record_base_url: str) -> Iterator[httpx.Client]:
    with talking_to(record_base_url) as client:
        yield client


@pytest.fixture(scope="module")
def one_each(record: httpx.Client) -> Iterator[Job]:
    prefix = _prefix()
    load_inputs(record, prefix, len(Fault))
    return iter(jobs(prefix, len(Fault)))


def _prefix() -> str:
    return f"f{uuid.uuid4().hex[:10]}"


def test_nothing_is_doubled(outcome: Outcome) -> None:
    assert outcome.first.doubles == outcome.last.doubles == 0


def test_nothing_is_there_by_half(outcome: Outcome) -> None:
    assert outcome.first.halves == outcome.last.halves == 0


def test_no_writer_is_told_what_is_not_so(outcome: Outcome) -> None:
    assert outcome.first.false_reports == outcome.last.false_reports == ()


def test_every_writer_that_lives_is_told_something(outcome: Outcome) -> None:
    assert outcome.first.table.total() + outcome.killed == CALLS
    assert outcome.killed > 0


def test_no_trial_ever_has_two_current_answers_and_the_list_names_the_one(outcome: Outcome) -> None:
    assert set(outcome.first.current) <= {0, 1}
    assert set(outcome.last.current) == {1}


def test_few_are_told_that_nobody_knows(outcome: Outcome) -> None:
    assert outcome.first.told(WriteState.UNKNOWN) <= MOST_UNKNOWN * CALLS


def test_what_was_left_open_is_settled_by_sending_it_again(outcome: Outcome) -> None:
    assert set(outcome.last.table) <= SETTLED


def test_no_resource_of_any_type_is_there_beyond_those_expected(outcome: Outcome) -> None:
    assert outcome.strays == {}


def test_faults_of_many_kinds_did_happen(outcome: Outcome) -> None:
    happened = {fault for fault in outcome.counts if fault is not Fault.NONE}

    assert len(happened) >= 8
    assert {Fault.TWICE, Fault.HELD_REQUEST} & happened


async def _tried_once(job: Job, base_url: str, fault: Fault) -> WriteOutcome:
    async def no_sleep(_: float) -> None:
        return

    port = httpx.URL(base_url).port or 80
    async with FaultProxy(port, seed=5, read_timeout_s=QUIET_S, repeat_after_s=0.0) as proxy:
        proxy.weather = {fault: 1.0}
        settings = RecordSettings(
            proxy.base_url,
            (proxy.base_url,),
            read_timeout_s=QUIET_S if fault in SLOW else 30.0,
            attempt_timeout_s=2.0 * QUIET_S if fault in SLOW else 30.0,
            max_attempts=1,
        )
        waiting = Waiting(no_sleep, lambda: datetime.now(UTC))
        async with RecordClient(settings, waiting=waiting) as client:
            outcome = await write_back(job.transaction, record=client)
        await proxy.idle()
        assert proxy.counts[fault] == 1
    return outcome


SLOW = {Fault.LATE_REPLY, Fault.LATE_REQUEST, Fault.DRIPPING_REPLY}
ANSWERED = {Fault.NONE, Fault.TWICE, Fault.TWICE_AT_ONCE}
NOTHING_ARRIVED = {Fault.CUT_UNFORWARDED, Fault.CUT_HALF_FORWARDED, Fault.ERROR_UNFORWARDED}
TURNED_AWAY = {Fault.BUSY_SECONDS, Fault.BUSY_DATE, Fault.BUSY_LONG}
WORK_DONE = (
    set(Fault) - NOTHING_ARRIVED - TURNED_AWAY - ANSWERED - {Fault.CUT_AT_WORK, Fault.HELD_REQUEST, Fault.RECORD_DOWN}
)


@pytest.mark.parametrize("fault", sorted(NOTHING_ARRIVED, key=str), ids=lambda fault: fault.name)
def test_a_fault_before_the_record_had_all_leaves_it_unknown_and_nothing_there(
    record: httpx.Client, record_base_url: str, one_each: Iterator[Job], fault: Fault
) -> None:
    job = next(one_each)

    outcome = asyncio.run(_tried_once(job, record_base_url, fault))

    assert outcome.state is WriteState.UNKNOWN
    assert found_of(job, look(record)) is Found.NOTHING


@pytest.mark.parametrize("fault", sorted(WORK_DONE, key=str), ids=lambda fault: fault.name)
def test_a_fault_after_the_records_work_leaves_it_unknown_and_all_there(
    record: httpx.Client, record_base_url: str, one_each: Iterator[Job], fault: Fault
) -> None:
    job = next(one_each)

    outcome = asyncio.run(_tried_once(job, record_base_url, fault))

    assert outcome.state is WriteState.UNKNOWN
    assert found_of(job, look(record)) is Found.WHOLE


@pytest.mark.parametrize("fault", sorted(TURNED_AWAY, key=str), ids=lambda fault: fault.name)
def test_a_request_turned_away_is_said_not_to_be_written(
    record: httpx.Client, record_base_url: str, one_each: Iterator[Job], fault: Fault
) -> None:
    job = next(one_each)

    outcome = asyncio.run(_tried_once(job, record_base_url, fault))

    assert outcome.state is WriteState.FAILED
    assert found_of(job, look(record)) is Found.NOTHING


def test_a_cut_while_the_record_is_at_work_leaves_all_or_nothing(
    record: httpx.Client, record_base_url: str, one_each: Iterator[Job]
) -> None:
    job = next(one_each)

    outcome = asyncio.run(_tried_once(job, record_base_url, Fault.CUT_AT_WORK))

    assert outcome.state is WriteState.UNKNOWN
    assert found_of(job, look_when_settled(record)) in {Found.WHOLE, Found.NOTHING}
