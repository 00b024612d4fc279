"""What recording would do is what it then does, and looking changes nothing."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
import respx

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.search import ReadFailure
from ebbmark.record.write_back import WriteState
from ebbmark.use_cases.recording import DryRun, dry_run
from recommendations import RECORDED_S
from record.keeping_record import BASE, KeepingRecord
from record.test_current_again import OTHER, take_back, with_both
from record.test_supersede import NEW, OLD, PATIENT, write
from record.waits import Waits, noon


async def _looked(recommendation: Answer) -> DryRun | ReadFailure:
    transaction = as_transaction(write_bundle(recommendation, recorded_s=RECORDED_S), PATIENT)
    async with RecordClient(
        RecordSettings(BASE, (BASE,), max_total_wait_s=0.0), waiting=Waiting(Waits(), noon)
    ) as client:
        return await dry_run(transaction, record=client)


def looked(record: KeepingRecord, recommendation: Answer) -> DryRun | ReadFailure:
    before, posts = dict(record.held), record.posts
    with respx.mock() as router:
        record.attach(router)
        seen = asyncio.run(_looked(recommendation))
    assert (record.held, record.posts) == (before, posts)
    return seen


NOTHING = DryRun(stands=False, written=True, marked=(), beside=False, may_be_current_again=False, sentence="")


def test_of_a_new_trial_there_is_nothing_to_say() -> None:
    assert looked(KeepingRecord(), OLD) == NOTHING


def test_an_answer_that_is_there_is_said_to_be_there() -> None:
    record = KeepingRecord()
    write(record, OLD)

    sentence = "This answer is in the record already."
    assert looked(record, OLD) == replace(NOTHING, stands=True, sentence=sentence)


def test_the_results_that_would_be_marked_are_those_that_are_marked_then() -> None:
    record = KeepingRecord()
    write(record, OLD)
    before = record.results()

    seen = looked(record, NEW)
    write(record, NEW)

    assert isinstance(seen, DryRun)
    assert set(seen.marked) == {place for place, one in before.items() if record.held[place] != one}
    assert seen.sentence.endswith("results of an earlier answer for the same trial would be marked superseded.")


def test_where_a_newer_answer_stands_nothing_would_be_written() -> None:
    record = KeepingRecord()
    write(record, NEW)

    seen = looked(record, OLD)

    assert isinstance(seen, DryRun)
    assert (seen.written, seen.marked, seen.may_be_current_again) == (False, (), False)
    assert seen.sentence == f"A newer answer for the same trial ({NEW.identity[:12]}…) stands in the record."


def test_a_superseded_answer_that_may_stand_again_is_said_so_with_what_it_would_mark() -> None:
    record = with_both()

    seen = looked(record, OLD)

    assert isinstance(seen, DryRun)
    assert (seen.written, seen.may_be_current_again, len(seen.marked) > 0) == (False, True, True)
    assert "It may be made current again." in seen.sentence
    assert write(record, OLD, make_current=True).state is WriteState.WRITTEN


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error"])
def test_what_somebody_took_back_may_not_stand_again(status: str) -> None:
    record = KeepingRecord()
    write(record, OLD)
    take_back(record, status)

    seen = looked(record, OLD)

    assert isinstance(seen, DryRun)
    assert (seen.written, seen.may_be_current_again) == (False, False)
    assert seen.sentence == "The record holds this answer already, and it is not current there."


def test_what_a_clinician_has_signed_is_said_to_stay() -> None:
    record = KeepingRecord()
    write(record, OTHER)
    (mine,) = record.of("suggested-peep")
    record.put(f"Observation/{mine['id']}", {**mine, "status": "final"})

    seen = looked(record, OLD)

    assert isinstance(seen, DryRun)
    assert (seen.beside, seen.marked) == (True, ())
    assert "that a clinician has signed would stay beside it" in seen.sentence


def test_a_record_that_cannot_be_searched_is_said_so() -> None:
    assert isinstance(looked(KeepingRecord(search_status=403), OLD), ReadFailure)
