"""An answer that was superseded: a repeat says so and changes nothing; who means it makes it current again."""

from __future__ import annotations

import asyncio
from typing import Any

import httpx
import pytest
import respx

from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.record.write_back import WriteState
from record.keeping_record import BASE, KeepingRecord
from record.test_supersede import NEW, OLD, later_margin, standing_identities, statuses, write, written_to

Json = dict[str, Any]

OTHER = later_margin()
"""Another answer from the same inputs, so that only the time of writing decides which stands."""

NURSE = "Practitioner/nurse-7"


def with_both() -> KeepingRecord:
    """The record after an answer, and then another of the same trial."""
    record = KeepingRecord()
    write(record, OLD)
    write(record, OTHER)
    return record


def take_back(record: KeepingRecord, status: str = "cancelled") -> None:
    """Somebody takes back whatever stands."""
    for place, one in list(record.held.items()):
        if one["resourceType"] == "Observation" and one["status"] == "preliminary":
            record.put(place, {**one, "status": status})


def told_changes(record: KeepingRecord) -> list[Json]:
    held = [one for one in record.held.values() if one["resourceType"] == "Provenance"]
    return [one for one in held if one["activity"]["coding"][0]["code"] == "UPDATE"]


def test_a_repeat_names_the_answer_that_stands_and_the_way_out() -> None:
    record = with_both()
    before = dict(record.held)

    outcome = write(record, OLD)

    assert (outcome.state, record.held == before) == (WriteState.SUPERSEDED, True)
    assert outcome.sentence == (
        f"This answer is in the record already, marked superseded, and another answer for the same trial "
        f"({OTHER.identity[:12]}…) stands. Nothing was written: a repeat does not make it current again; that has to "
        "be asked for on purpose (make-current)."
    )


def test_a_repeat_where_nothing_stands_any_more_says_that_nothing_is_current() -> None:
    record = with_both()
    take_back(record)
    before = dict(record.held)

    outcome = write(record, OLD)

    assert (outcome.state, record.held == before) == (WriteState.NOT_CURRENT, True)
    assert "marked superseded, and no answer for the same trial stands" in outcome.sentence


def test_of_three_answers_the_one_that_stands_is_named_and_not_the_one_that_took_the_place() -> None:
    record = with_both()
    write(record, NEW)

    assert f"({NEW.identity[:12]}…) stands" in write(record, OLD).sentence


def test_who_means_it_makes_it_current_again_and_the_other_is_marked() -> None:
    record = with_both()

    outcome = write(record, OLD, make_current=True, enterer=NURSE)

    assert outcome.state is WriteState.WRITTEN
    assert outcome.sentence.startswith("This answer had been marked superseded and was made current again.")
    assert "an earlier answer for the same trial were marked superseded" in outcome.sentence
    assert standing_identities(record) == {OLD.identity}
    assert statuses(record) == ["cancelled", "preliminary"]


def test_the_results_are_then_what_they_were() -> None:
    record = KeepingRecord()
    write(record, OLD)
    before = record.results()
    write(record, OTHER)
    write(record, OLD, make_current=True)

    for place, one in before.items():
        now = record.held[place]
        assert {**now, "meta": {}} == {**one, "meta": {}}
        assert superseded_by(now) == ""


def test_each_change_has_a_provenance_that_names_who_chose_it() -> None:
    record = with_both()
    write(record, OLD, make_current=True, enterer=NURSE)

    told = told_changes(record)

    codes = [one["meta"]["tag"][0]["code"].split(":")[:2] for one in told]
    assert codes == [[OTHER.identity, "over"], [OLD.identity, "again"], [OLD.identity, "over"]]
    assert ["enterer" in str(one["agent"]) for one in told] == [False, True, True]


def test_it_may_go_back_and_forth_and_every_change_is_told() -> None:
    record = with_both()
    write(record, OLD, make_current=True)
    write(record, OTHER, make_current=True)
    write(record, OLD, make_current=True)

    assert standing_identities(record) == {OLD.identity}
    assert len(told_changes(record)) == 7


def test_it_is_made_current_where_nothing_stands_any_more() -> None:
    record = with_both()
    take_back(record)

    assert write(record, OLD, make_current=True).state is WriteState.WRITTEN
    assert statuses(record) == ["cancelled", "preliminary"]
    assert [superseded_by(one) for one in record.of("suggested-peep") if one["status"] == "preliminary"] == [""]


def test_an_answer_from_older_inputs_is_not_made_current_over_one_from_newer_inputs() -> None:
    record = KeepingRecord()
    write(record, OLD)
    write(record, NEW)
    before = dict(record.held)

    outcome = write(record, OLD, make_current=True)

    assert (outcome.state, record.held == before) == (WriteState.SUPERSEDED, True)


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error"])
def test_what_somebody_took_back_is_not_made_current(status: str) -> None:
    record = KeepingRecord()
    write(record, OLD)
    take_back(record, status)
    before = dict(record.held)

    outcome = write(record, OLD, make_current=True)

    assert (outcome.state, record.held == before) == (WriteState.NOT_CURRENT, True)
    assert "what somebody took back stays so" in outcome.sentence


def test_asking_for_it_twice_changes_nothing_more() -> None:
    record = with_both()
    write(record, OLD, make_current=True)
    before = dict(record.held)

    assert write(record, OLD, make_current=True).state is WriteState.ALREADY_THERE
    assert record.held == before


def test_asking_for_it_for_a_new_answer_is_an_ordinary_write() -> None:
    record = KeepingRecord()

    assert write(record, OLD, make_current=True).state is WriteState.WRITTEN
    assert standing_identities(record) == {OLD.identity}


def test_what_a_clinician_has_signed_stays_beside_it() -> None:
    record = with_both()
    mine = next(one for one in record.of("suggested-peep") if one["status"] == "preliminary")
    record.put(f"Observation/{mine['id']}", {**mine, "status": "final"})

    outcome = write(record, OLD, make_current=True)

    assert "a clinician has signed stands beside it" in outcome.sentence
    assert statuses(record) == ["final", "preliminary"]


def test_someone_who_comes_in_between_is_seen() -> None:
    record = with_both()

    def cancels(meanwhile: KeepingRecord) -> None:
        take_back(meanwhile)

    record.before_commit = cancels
    outcome = write(record, OLD, make_current=True)

    assert outcome.state is WriteState.WRITTEN
    assert statuses(record) == ["cancelled", "preliminary"]


def test_a_record_that_refuses_leaves_it_as_it_was() -> None:
    record = with_both()
    before = dict(record.held)

    def refuses(request: httpx.Request) -> httpx.Response:
        is_write = request.method == "POST" and request.url.path.rstrip("/") == "/fhir"
        return httpx.Response(403) if is_write else record.answer(request)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=refuses)
        outcome = asyncio.run(written_to(OLD, make_current=True))

    assert (outcome.state, record.held == before) == (WriteState.FAILED, True)
