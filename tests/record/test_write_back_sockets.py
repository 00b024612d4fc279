from __future__ import annotations

from dataclasses import replace

import anyio
import pytest

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.write_back import WriteOutcome, WriteState, write_back
from record.local_record import Fault, LocalRecord, local_record
from record.scripted_record import (
    transaction,
)
from record.waits import Waits, noon


async def write_to(record: LocalRecord, waits: Waits, *, impatient: bool = False) -> WriteOutcome:
    settings = RecordSettings(record.base_url, (record.base_url,))
    if impatient:
        settings = replace(settings, read_timeout_s=1.0, attempt_timeout_s=2.0)
    async with RecordClient(settings, waiting=Waiting(waits, noon)) as client:
        return await write_back(transaction(), record=client)


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("fault", "impatient"),
    # Impatient only where the record falls silent: elsewhere a slow machine must not look like a fault.
    [
        (Fault.CUT_AFTER_COMMIT, False),
        (Fault.RESET_AFTER_COMMIT, False),
        (Fault.HALF_A_REPLY, False),
        (Fault.SHORT_JSON, False),
        (Fault.GATEWAY_AFTER_COMMIT, False),
        (Fault.SILENT_AFTER_COMMIT, True),
        (Fault.DRIPPING_AFTER_COMMIT, True),
    ],
)
async def test_a_fault_after_the_record_wrote_doubles_nothing(fault: Fault, impatient: bool) -> None:
    with local_record(fault) as record:
        outcome = await write_to(record, Waits(), impatient=impatient)

    assert outcome.state is WriteState.ALREADY_THERE
    assert outcome.attempts >= 2
    assert len(record.stored) == 3


@pytest.mark.anyio
@pytest.mark.parametrize("fault", [Fault.CUT_UNREAD, Fault.CUT_BEFORE_COMMIT, Fault.UNAVAILABLE])
async def test_a_fault_before_the_record_wrote_loses_nothing(fault: Fault) -> None:
    with local_record(fault) as record:
        outcome = await write_to(record, Waits())

    assert outcome.state is WriteState.WRITTEN
    assert outcome.attempts == 2
    assert len(outcome.created) == len(record.stored) == 3


@pytest.mark.anyio
async def test_asked_twice_the_record_holds_it_once() -> None:
    with local_record() as record:
        first = await write_to(record, Waits())
        second = await write_to(record, Waits())

    assert (first.state, second.state) == (WriteState.WRITTEN, WriteState.ALREADY_THERE)
    assert [entry.location for entry in first.created] == [entry.location for entry in second.existing]
    assert len(record.stored) == 3


@pytest.mark.anyio
async def test_twenty_writers_at_once_leave_one_copy() -> None:
    outcomes: list[WriteOutcome] = []
    with local_record() as record:

        async def one() -> None:
            outcomes.append(await write_to(record, Waits()))

        async with anyio.create_task_group() as group:
            for _ in range(20):
                group.start_soon(one)

    assert len(record.stored) == 3
    assert sum(len(outcome.created) for outcome in outcomes) == 3
    assert len(outcomes) == 20


@pytest.mark.anyio
async def test_a_record_that_stays_broken_is_left_after_the_last_attempt() -> None:
    waits = Waits()
    with local_record(*[Fault.CUT_AFTER_COMMIT] * 9) as record:
        outcome = await write_to(record, waits)

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.attempts == len(record.requests) == 4
    assert len(record.stored) == 3
    assert waits.asked_s == [5.0, 5.0, 5.0]
