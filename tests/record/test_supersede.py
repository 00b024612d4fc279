from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

import httpx
import msgspec
import pytest
import respx

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.sources import Source
from ebbmark.fhir.writing.superseding import superseded, superseded_by
from ebbmark.fhir.writing.write import as_transaction, write_bundle
from ebbmark.record.client import RecordClient, RecordSettings
from ebbmark.record.outcome import WriteOutcome, WriteState
from ebbmark.record.reading import Waiting
from ebbmark.record.searching import FoundEntry, Head
from ebbmark.record.standing import Candidate, doubtful_inputs, standing_of
from ebbmark.record.stored import stored_of
from ebbmark.record.supersede import write_current
from recommendations import RECORDED_S, found, identified
from record.keeping_record import BASE, KeepingRecord
from record.waits import Waits, noon

PATIENT = "Patient/invented-1"


def with_inputs(versions: dict[int, int], base: Recommendation | None = None) -> Recommendation:
    """The invented answer, some of its inputs in another version."""
    recommendation = base or found()
    sources = list(recommendation.request.sources)
    for index, version in versions.items():
        old = sources[index]
        plain = old.reference.partition("/_history/")[0]
        sources[index] = Source(old.path, f"{plain}/_history/{version}", old.value)
    return identified(replace(recommendation, request=replace(recommendation.request, sources=tuple(sources))))


def later_margin() -> Recommendation:
    recommendation = found()
    protocol = replace(recommendation.request.protocol, margin_cmh2o=3.0)
    return identified(replace(recommendation, request=replace(recommendation.request, protocol=protocol)))


OLD = found()
NEW = with_inputs({5: 9})


async def written_to(
    recommendation: Recommendation, patience_s: float = 30.0, *, make_current: bool = False, enterer: str | None = None
) -> WriteOutcome:
    settings = RecordSettings(BASE, (BASE,), max_total_wait_s=patience_s)
    async with RecordClient(settings) as client:
        bundle = write_bundle(recommendation, recorded_s=RECORDED_S, enterer=enterer)
        return await write_current(
            as_transaction(bundle, PATIENT), record=client, waiting=Waiting(Waits(), noon), make_current=make_current
        )


def write(record: KeepingRecord, recommendation: Recommendation, patience_s: float = 30.0, **more: Any) -> WriteOutcome:  # noqa: ANN401
    with respx.mock() as router:
        record.attach(router)
        return asyncio.run(written_to(recommendation, patience_s, **more))


def statuses(record: KeepingRecord, code: str = "suggested-peep") -> list[str]:
    return sorted(one["status"] for one in record.of(code))


def standing_identities(record: KeepingRecord) -> set[str]:
    return {
        one["identifier"][0]["value"].partition(":")[0]
        for one in record.held.values()
        if one["resourceType"] in ("Observation", "DetectedIssue") and one["status"] != "cancelled"
    }


def test_the_first_answer_is_written_and_nothing_is_marked() -> None:
    record = KeepingRecord()

    assert write(record, OLD).state is WriteState.WRITTEN
    assert statuses(record) == ["preliminary"]


def test_a_repeat_creates_nothing_and_marks_nothing() -> None:
    record = KeepingRecord()
    write(record, OLD)
    before = dict(record.held)

    assert write(record, OLD).state is WriteState.ALREADY_THERE
    assert record.held == before


@pytest.mark.parametrize("newer", [NEW, later_margin()], ids=["an input amended", "another margin"])
def test_a_newer_answer_cancels_every_result_of_the_older_one(newer: Recommendation) -> None:
    record = KeepingRecord()
    write(record, OLD)

    outcome = write(record, newer)

    assert outcome.state is WriteState.WRITTEN
    assert "an earlier answer for the same trial were marked superseded" in outcome.sentence
    assert standing_identities(record) == {newer.identity}


def test_the_old_results_name_the_answer_that_took_their_place() -> None:
    record = KeepingRecord()
    write(record, OLD)
    write(record, NEW)

    (old,) = [one for one in record.of("suggested-peep") if one["status"] == "cancelled"]
    (guidance,) = [
        one
        for one in record.held.values()
        if one["resourceType"] == "GuidanceResponse" and one["requestIdentifier"]["value"] == OLD.identity
    ]
    assert superseded_by(old) == superseded_by(guidance) == NEW.identity
    assert old["note"][0]["text"].startswith("Superseded")
    assert guidance["note"][0]["text"].startswith("Superseded")


def test_a_late_repeat_of_the_old_answer_brings_nothing_back_to_life() -> None:
    record = KeepingRecord()
    write(record, OLD)
    write(record, NEW)
    before = dict(record.held)

    outcome = write(record, OLD)

    assert outcome.state is WriteState.SUPERSEDED
    assert record.held == before


def test_an_answer_from_older_inputs_is_not_written_over_a_newer_one() -> None:
    record = KeepingRecord()
    write(record, NEW)

    outcome = write(record, OLD)

    assert (outcome.state, standing_identities(record)) == (WriteState.SUPERSEDED, {NEW.identity})
    assert "nothing was written" in outcome.sentence


def test_another_trial_of_the_same_patient_is_left_alone() -> None:
    later = tuple(
        replace(step, start_s=step.start_s + 9000.0, end_s=step.end_s + 9000.0) for step in found().trial.steps
    )
    other = with_inputs({5: 9}, replace(found(), trial=replace(found().trial, steps=later)))
    record = KeepingRecord(deaf=True)
    write(record, OLD)

    write(record, other)

    assert standing_identities(record) == {OLD.identity, other.identity}


def test_a_record_that_ignores_search_parameters_is_not_misread() -> None:
    record = KeepingRecord(deaf=True)
    write(record, OLD)

    assert write(record, NEW).state is WriteState.WRITTEN
    assert standing_identities(record) == {NEW.identity}


@pytest.mark.parametrize("status", ["final", "amended", "corrected"])
def test_what_a_clinician_has_signed_is_not_touched(status: str) -> None:
    record = KeepingRecord()
    write(record, OLD)
    (mine,) = record.of("suggested-peep")
    record.put(f"Observation/{mine['id']}", {**mine, "status": status})
    before = dict(record.held)

    outcome = write(record, NEW)

    assert outcome.state is WriteState.WRITTEN
    assert "a clinician has signed stands beside it; it was not changed" in outcome.sentence
    assert {place: record.held[place] for place in before} == before


def test_a_signature_that_comes_in_between_is_seen_and_kept() -> None:
    record = KeepingRecord()
    write(record, OLD)
    (mine,) = record.of("suggested-peep")

    def signs(meanwhile: KeepingRecord) -> None:
        meanwhile.put(f"Observation/{mine['id']}", {**mine, "status": "final"})

    record.before_commit = signs
    outcome = write(record, NEW)

    assert outcome.state is WriteState.WRITTEN
    assert statuses(record) == ["final", "preliminary"]
    assert record.posts == 3


def test_two_who_both_found_nothing_leave_one_answer() -> None:
    record = KeepingRecord()
    record.before_commit = lambda meanwhile: _put_whole(meanwhile, later_margin())

    outcome = write(record, OLD)

    assert outcome.state is WriteState.WRITTEN
    assert standing_identities(record) == {OLD.identity}


def test_who_comes_late_with_older_inputs_takes_back_what_was_written() -> None:
    record = KeepingRecord()
    record.before_commit = lambda meanwhile: _put_whole(meanwhile, NEW)

    outcome = write(record, OLD)

    assert outcome.state is WriteState.SUPERSEDED
    assert "was marked superseded" in outcome.sentence
    assert standing_identities(record) == {NEW.identity}


def _put_whole(record: KeepingRecord, recommendation: Recommendation) -> None:
    record.transact(as_transaction(write_bundle(recommendation, recorded_s=RECORDED_S), PATIENT))


@pytest.mark.parametrize("status", [400, 403, 500])
def test_a_record_that_cannot_be_searched_is_not_written_to(status: int) -> None:
    record = KeepingRecord(search_status=status)

    outcome = write(record, OLD, patience_s=0.0)

    assert outcome.state is WriteState.FAILED
    assert "Nothing was written: it could not be seen whether an earlier answer" in outcome.sentence
    assert record.held == {}


def test_an_attempt_that_may_have_arrived_is_not_forgotten_when_a_later_round_is_refused() -> None:
    record = KeepingRecord()
    refusals = iter([None, httpx.Response(409), *[httpx.Response(429)] * 20])

    def refuses(request: httpx.Request) -> httpx.Response:
        if request.method != "POST" or request.url.path.rstrip("/") != "/fhir":
            return record.answer(request)
        reply = next(refusals)
        if reply is None:
            raise httpx.ReadError("cut")
        return reply

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=refuses)
        outcome = asyncio.run(written_to(OLD))

    assert outcome.state is WriteState.UNKNOWN
    assert "It is not known whether the answer was written" in outcome.sentence


def test_a_search_that_fails_after_the_write_leaves_it_written_and_says_so() -> None:
    record = KeepingRecord()

    def fails(meanwhile: KeepingRecord) -> None:
        meanwhile.search_status = 403

    record.before_commit = fails
    outcome = write(record, OLD)

    assert outcome.state is WriteState.WRITTEN
    assert "could not be seen, since our sign-in does not allow this read" in outcome.sentence


def test_an_answer_without_its_provenance_is_marked_in_what_people_look_at() -> None:
    record = KeepingRecord()
    write(record, OLD)
    record.held = {place: one for place, one in record.held.items() if one["resourceType"] != "Provenance"}

    write(record, NEW)

    assert statuses(record) == ["cancelled", "preliminary"]
    assert statuses(record, "closing-pressure") == ["cancelled", "preliminary"]


def test_what_was_taken_back_by_someone_is_not_written_again() -> None:
    record = KeepingRecord()
    write(record, OLD)
    for one in record.of("closing-pressure"):
        record.put(f"Observation/{one['id']}", {**one, "status": "entered-in-error"})

    outcome = write(record, OLD)

    assert (outcome.state, "status entered-in-error" in outcome.sentence) == (WriteState.NOT_CURRENT, True)
    assert "no answer for the same trial stands" in outcome.sentence


def test_numbers_keep_their_digits_when_a_result_is_marked() -> None:
    body = b'{"resourceType":"Observation","id":"1","valueQuantity":{"value":59.70}}'
    entry = FoundEntry("", msgspec.json.decode(body, type=Head), body)

    marked = superseded(stored_of(entry).resource, "x")

    assert b'"value":59.70' in msgspec.json.Encoder(decimal_format="number").encode(marked)


def candidate(identity: str, inputs: dict[str, str], written_s: float | None = None, **more: Any) -> Candidate:  # noqa: ANN401
    return Candidate(identity, inputs, more.get("end_s", 0.0), written_s, more.get("signed", False))


def test_newer_inputs_win_however_late_the_other_was_written() -> None:
    own = candidate("a", {"Observation/1": "10"}, 1.0)

    assert standing_of(own, [candidate("b", {"Observation/1": "9"}, 2.0)], ()).older == ("b",)


def test_versions_that_are_no_numbers_say_nothing_about_order() -> None:
    own = candidate("a", {"Observation/1": "x9"}, 1.0)

    assert standing_of(own, [candidate("b", {"Observation/1": "x1"}, 2.0)], ()).newer == "b"


def test_at_the_same_instant_both_sides_decide_alike() -> None:
    a, b = candidate("a", {}, 1.0), candidate("b", {}, 1.0)

    assert standing_of(a, [b], ()).newer == "b"
    assert standing_of(b, [a], ()).older == ("a",)


SHORT = candidate("short", {"Observation/1": "1"}, end_s=1.0)
LONG = candidate("long", {"Observation/1": "1", "Observation/2": "1"}, 1.0, end_s=2.0)


def test_an_answer_that_saw_fewer_steps_does_not_replace_one_that_saw_more() -> None:
    assert standing_of(SHORT, [LONG], ()).newer == "long"


def test_where_the_further_steps_were_taken_back_the_shorter_answer_is_the_newer() -> None:
    assert doubtful_inputs(SHORT, [LONG]) == {"Observation/2"}
    assert standing_of(SHORT, [LONG], {"Observation/2"}).older == ("long",)


def test_a_newer_patient_decides_before_the_time_of_writing() -> None:
    own = candidate("a", {"Observation/1": "1", "Patient/1": "3"}, 1.0)

    assert standing_of(own, [candidate("b", {"Observation/1": "1", "Patient/1": "2"}, 2.0)], ()).older == ("b",)


def test_a_newer_reading_decides_before_a_newer_patient() -> None:
    own = candidate("a", {"Observation/1": "1", "Patient/1": "3"}, 2.0)

    assert standing_of(own, [candidate("b", {"Observation/1": "2", "Patient/1": "2"}, 1.0)], ()).newer == "b"


def test_an_answer_that_saw_more_steps_stands_before_one_of_a_newer_patient() -> None:
    short = candidate("short", {**SHORT.inputs, "Patient/1": "3"}, end_s=1.0)
    long = candidate("long", {**LONG.inputs, "Patient/1": "2"}, 1.0, end_s=2.0)

    assert standing_of(short, [long], ()).newer == "long"
    assert doubtful_inputs(short, [long]) == {"Observation/2"}
