"""A report goes with its answer: written with it, joining it later, superseded along with it, never doubled."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
import respx

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.stored_answers import answer_in_record
from ebbmark.record.supersede import write_current
from ebbmark.record.write_back import WriteOutcome, WriteState
from recommendations import RECORDED_S
from record.keeping_record import BASE, KeepingRecord
from record.test_supersede import NEW, OLD, PATIENT
from record.waits import Waits, noon

Json = dict[str, Any]


def page(number: int = 1) -> bytes:
    return f"%PDF page {number}".encode()


async def _written(recommendation: Answer, pdf: bytes | None, recorded_s: float) -> WriteOutcome:
    bundle = write_bundle(recommendation, recorded_s=recorded_s, report_pdf=pdf)
    async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
        return await write_current(as_transaction(bundle, PATIENT), record=client)


def write(
    record: KeepingRecord, recommendation: Answer, pdf: bytes | None, recorded_s: float = RECORDED_S
) -> WriteOutcome:
    with respx.mock() as router:
        record.attach(router)
        return asyncio.run(_written(recommendation, pdf, recorded_s))


def reports(record: KeepingRecord) -> list[Json]:
    return [one for one in record.held.values() if one["resourceType"] == "DiagnosticReport"]


def test_a_report_is_written_with_its_answer() -> None:
    record = KeepingRecord()

    assert write(record, OLD, page()).state is WriteState.WRITTEN
    (report,) = reports(record)
    assert {record.held[one["reference"]]["resourceType"] for one in report["result"]} == {"Observation"}


def test_a_repeat_with_another_time_on_the_page_creates_nothing_and_changes_nothing() -> None:
    record = KeepingRecord()
    write(record, OLD, page(1))
    before = dict(record.held)

    assert write(record, OLD, page(2), RECORDED_S + 600.0).state is WriteState.ALREADY_THERE
    assert record.held == before


def test_a_report_joins_an_answer_that_is_there_already() -> None:
    record = KeepingRecord()
    write(record, OLD, None)
    before = record.results()

    outcome = write(record, OLD, page(), RECORDED_S + 600.0)

    assert outcome.state is WriteState.WRITTEN
    assert outcome.sentence.startswith("2 resources were written to the record; ")
    assert {place: record.held[place] for place in before} == before
    assert len(reports(record)) == 1


def test_a_repeat_without_a_report_leaves_the_report_there() -> None:
    record = KeepingRecord()
    write(record, OLD, page())
    before = dict(record.held)

    assert write(record, OLD, None).state is WriteState.ALREADY_THERE
    assert record.held == before


@pytest.mark.parametrize("later", [False, True], ids=["written together", "joined later"])
@pytest.mark.parametrize("pdf", [None, page(2)], ids=["a new answer without", "a new answer with"])
def test_a_report_is_superseded_along_with_its_answer(later: bool, pdf: bytes | None) -> None:
    record = KeepingRecord()
    if later:
        write(record, OLD, None)
    write(record, OLD, page(1))

    assert write(record, NEW, pdf).state is WriteState.WRITTEN

    marked = [report for report in reports(record) if superseded_by(report)]
    assert [one["status"] for one in marked] == ["cancelled"]
    assert marked[0]["identifier"][0]["value"] == f"{OLD.identity}:report"
    assert len(reports(record)) == (1 if pdf is None else 2)


def test_a_report_does_not_join_an_answer_that_no_longer_stands() -> None:
    record = KeepingRecord()
    write(record, OLD, None)
    write(record, NEW, None)

    assert write(record, OLD, page()).state is WriteState.SUPERSEDED
    assert reports(record) == []


@pytest.mark.parametrize("status", ["final", "amended", "corrected", "appended"])
def test_an_answer_whose_report_a_clinician_has_signed_is_not_touched(status: str) -> None:
    record = KeepingRecord()
    write(record, OLD, page())
    (mine,) = reports(record)
    record.put(f"DiagnosticReport/{mine['id']}", {**mine, "status": status})
    before = record.results()

    outcome = write(record, NEW, page(2))

    assert "a clinician has signed stands beside it" in outcome.sentence
    assert {place: record.held[place] for place in before} == before


def test_an_answer_is_read_back_with_its_report_and_both_origins() -> None:
    record = KeepingRecord()
    write(record, OLD, page())

    async def read() -> object:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            return await answer_in_record(OLD.identity, record=client)

    with respx.mock() as router:
        record.attach(router)
        found = asyncio.run(read())

    assert isinstance(found, list)
    kinds = [one["resourceType"] for _, one in found]
    assert (kinds.count("DiagnosticReport"), kinds.count("Provenance"), kinds.count("Device")) == (1, 2, 1)
    assert len(found) == len(record.results())
