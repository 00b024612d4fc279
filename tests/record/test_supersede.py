from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from threading import Thread
from typing import Any

import httpx
import msgspec
import pytest
import respx

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Source
from ebbmark.fhir.writing.supersession import superseded, superseded_by
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.search import FoundEntry, Head
from ebbmark.record.stored_answers import stored_of
from ebbmark.record.supersede import write_current
from ebbmark.record.trial_answers import Ranked, doubtful_inputs, standing_of
from ebbmark.record.write_back import WriteOutcome, WriteState
from recommendations import RECORDED_S, found, identified, retold
from record.keeping_record import BASE, KeepingRecord
from record.waits import Waits, noon

PATIENT = "Patient/invented-1"


def with_inputs(versions: dict[int, int], base: Answer | None = None) -> Answer:
    """The invented answer, some of its inputs in another version."""
    recommendation = base or found()
    sources = list(recommendation.request.sources)
    for index, version in versions.items():
        old = sources[index]
        plain = old.reference.partition("/_history/")[0]
        sources[index] = Source(old.path, f"{plain}/_history/{version}", old.value)
    return identified(replace(recommendation, request=replace(recommendation.request, sources=tuple(sources))))


def later_margin() -> Answer:
    recommendation = found()
    protocol = replace(recommendation.request.protocol, margin_cmh2o=3.0)
    return identified(replace(recommendation, request=replace(recommendation.request, protocol=protocol)))


OLD = found()
NEW = with_inputs({5: 9})


async def written_to(
    recommendation: Answer, patience_s: float = 30.0, *, make_current: bool = False, enterer: str | None = None
) -> WriteOutcome:
    settings = RecordSettings(BASE, (BASE,), max_total_wait_s=patience_s)
    async with RecordClient(settings, waiting=Waiting(Waits(), noon)) as client:
        bundle = write_bundle(recommendation, recorded_s=RECORDED_S, enterer=enterer)
        return await write_current(as_transaction(bundle, PATIENT), record=client, make_current=make_current)


def write(record: KeepingRecord, recommendation: Answer, patience_s: float = 30.0, **more: Any) -> WriteOutcome:  # noqa: ANN401
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
def test_a_newer_answer_cancels_every_result_of_the_older_one(newer: Answer) -> None:
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


def another_trial() -> Answer:
    """Of the same patient, hours later."""
    trial = found().titration.trial
    later = tuple(replace(step, start_s=step.start_s + 9000.0, end_s=step.end_s + 9000.0) for step in trial.steps)
    return with_inputs({5: 8}, retold(found(), trial=replace(trial, steps=later)))


def test_another_trial_of_the_same_patient_is_left_alone() -> None:
    record = KeepingRecord(deaf=True)
    write(record, OLD)

    write(record, another_trial())

    assert standing_identities(record) == {OLD.identity, another_trial().identity}


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
    before = record.results()

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
    assert record.posts == 4


def writes_meanwhile(recommendation: Answer) -> Callable[[KeepingRecord], None]:
    """Another writer, who comes in between the look and the write."""

    def writes(_: KeepingRecord) -> None:
        other = Thread(target=lambda: asyncio.run(written_to(recommendation)))
        other.start()
        other.join()

    return writes


def test_of_two_who_both_found_nothing_the_second_looks_anew_and_marks_the_first() -> None:
    record = KeepingRecord()
    record.before_commit = writes_meanwhile(later_margin())

    outcome = write(record, OLD)

    assert outcome.state is WriteState.WRITTEN
    assert standing_identities(record) == {OLD.identity}
    assert record.current() == [OLD.identity]


def test_who_comes_late_with_older_inputs_writes_nothing() -> None:
    record = KeepingRecord()
    record.before_commit = writes_meanwhile(NEW)

    outcome = write(record, OLD)

    assert outcome.state is WriteState.SUPERSEDED
    assert "nothing was written" in outcome.sentence
    assert standing_identities(record) == {NEW.identity}


def test_two_who_write_the_same_at_once_write_it_once() -> None:
    record = KeepingRecord()
    record.before_commit = writes_meanwhile(OLD)

    assert write(record, OLD).state is WriteState.ALREADY_THERE
    assert statuses(record) == ["preliminary"]


def test_the_list_of_current_answers_names_the_one_that_stands_and_those_of_other_trials() -> None:
    record = KeepingRecord()
    write(record, OLD)
    write(record, another_trial())
    write(record, NEW)

    assert record.current() == [another_trial().identity, NEW.identity]
    (closing,) = [
        one for one in record.of("closing-pressure") if one["identifier"][0]["value"].startswith(NEW.identity)
    ]
    (named,) = [one for one in record.held.values() if one["resourceType"] == "List"]
    assert named["entry"][1]["item"]["reference"] == f"Observation/{closing['id']}"
    assert validate({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": named}]}) == ()


def test_every_version_of_the_list_differs_from_the_one_before() -> None:
    record = KeepingRecord()
    notes = []
    for answer, again in ((OLD, False), (later_margin(), False), (OLD, True), (later_margin(), True)):
        write(record, answer, make_current=again)
        (named,) = [one for one in record.held.values() if one["resourceType"] == "List"]
        notes.append(named["note"])

    assert len({str(note) for note in notes}) == 4


class Held:
    """A record in front of which one transaction is held, and comes in when it is let go."""

    def __init__(self, record: KeepingRecord) -> None:
        self.record = record
        self.held: list[httpx.Request] = []
        self.holding = True

    def answer(self, request: httpx.Request) -> httpx.Response:
        is_write = request.method == "POST" and request.url.path.rstrip("/") == "/fhir"
        if is_write and self.holding and b"GuidanceResponse" in request.content:
            self.held.append(request)
            raise httpx.ReadTimeout("held")
        return self.record.answer(request)


def test_a_write_that_was_held_and_comes_after_a_newer_answer_is_not_carried_out() -> None:
    record = KeepingRecord()
    way = Held(record)
    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=way.answer)
        first = asyncio.run(written_to(OLD))
        way.holding = False
        second = asyncio.run(written_to(later_margin()))

    late = [record.answer(request).status_code for request in way.held]

    assert (first.state, second.state) == (WriteState.UNKNOWN, WriteState.WRITTEN)
    assert set(late) == {412}
    assert standing_identities(record) == {later_margin().identity}


def test_where_an_earlier_attempt_may_still_come_an_answer_that_is_not_written_makes_sure_of_it() -> None:
    record = KeepingRecord()
    way = Held(record)

    def answer(request: httpx.Request) -> httpx.Response:
        try:
            return way.answer(request)
        except httpx.ReadTimeout:
            # Somebody who knows nothing of the List writes a newer answer; the repeat meets a conflict.
            if len(way.held) == 1:
                record.transact(as_transaction(write_bundle(NEW, recorded_s=RECORDED_S), PATIENT))
                raise
            way.holding = False
            return httpx.Response(409)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcome = asyncio.run(written_to(OLD))

    assert (outcome.state, standing_identities(record)) == (WriteState.SUPERSEDED, {NEW.identity})
    assert [record.answer(request).status_code for request in way.held] == [412, 412]


@pytest.mark.parametrize("status", [403, 404, 422])
def test_a_record_that_keeps_no_list_is_written_to_and_the_answer_says_what_that_means(status: int) -> None:
    record = KeepingRecord()

    def answer(request: httpx.Request) -> httpx.Response:
        if request.url.path.endswith("/List") or b'"resourceType":"List"' in request.content:
            return httpx.Response(status, json={"resourceType": "OperationOutcome", "issue": []})
        return record.answer(request)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcomes = [asyncio.run(written_to(one)) for one in (OLD, NEW)]

    assert [outcome.state for outcome in outcomes] == [WriteState.WRITTEN] * 2
    assert all("This record gives no lock on the current answer" in outcome.sentence for outcome in outcomes)
    assert standing_identities(record) == {NEW.identity}


def test_a_record_that_takes_a_list_and_does_not_show_it_is_not_written_to() -> None:
    record = KeepingRecord()

    def answer(request: httpx.Request) -> httpx.Response:
        hidden = request.url.path.endswith("/List")
        return httpx.Response(403, json={}) if hidden else record.answer(request)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcome = asyncio.run(written_to(OLD))

    assert (outcome.state, record.results()) == (WriteState.FAILED, {})


def test_a_record_that_ignores_if_match_is_found_out_and_still_ends_with_one_answer() -> None:
    record = KeepingRecord(heeds_versions=False)
    record.before_commit = writes_meanwhile(later_margin())

    outcome = write(record, OLD)

    assert outcome.state is WriteState.WRITTEN
    assert "not in force any more (ifMatch)" in outcome.sentence
    assert standing_identities(record) == {OLD.identity}


def test_a_record_that_ignores_conditions_is_not_doubled_by_a_repeat() -> None:
    record = KeepingRecord(heeds_conditions=False)
    write(record, OLD)
    before = dict(record.held)

    assert write(record, OLD).state is WriteState.ALREADY_THERE
    assert record.held == before


def test_a_record_that_ignores_conditions_is_not_doubled_where_a_reply_is_lost() -> None:
    record = KeepingRecord(heeds_conditions=False)
    replies = iter([True, False])

    def answer(request: httpx.Request) -> httpx.Response:
        reply = record.answer(request)
        if b"GuidanceResponse" in request.content and request.method == "POST" and next(replies, False):
            raise httpx.ReadTimeout("lost")
        return reply

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcome = asyncio.run(written_to(OLD))

    assert outcome.state is WriteState.ALREADY_THERE
    assert "whose reply was lost, may have written them" in outcome.sentence
    assert statuses(record) == ["preliminary"]


def _written_through(record: KeepingRecord, lose: Callable[[int], bool], *, carry_out: bool) -> WriteOutcome:
    """Write where the replies to some transactions that write results are lost, counted from 0."""
    sent = iter(range(1000))

    def answer(request: httpx.Request) -> httpx.Response:
        if b"GuidanceResponse" in request.content and request.method == "POST" and lose(next(sent)):
            if carry_out:
                record.answer(request)
            raise httpx.ReadTimeout("lost")
        return record.answer(request)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        return asyncio.run(written_to(OLD))


def test_a_whole_round_of_lost_requests_is_followed_by_another() -> None:
    record = KeepingRecord()

    outcome = _written_through(record, lambda number: number < 4, carry_out=False)

    assert (outcome.state, statuses(record)) == (WriteState.WRITTEN, ["preliminary"])


def test_a_refusal_after_a_lost_reply_is_looked_into() -> None:
    record = KeepingRecord()
    replies = iter(["lost", "refused"])

    def answer(request: httpx.Request) -> httpx.Response:
        reply = next(replies, "") if b"GuidanceResponse" in request.content and request.method == "POST" else ""
        if reply == "refused":
            return httpx.Response(403)
        told = record.answer(request)
        if reply == "lost":
            raise httpx.ReadTimeout("lost")
        return told

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcome = asyncio.run(written_to(OLD))

    assert (outcome.state, statuses(record)) == (WriteState.ALREADY_THERE, ["preliminary"])


def test_what_is_lost_every_time_is_unknown_after_a_few_rounds() -> None:
    record = KeepingRecord()

    outcome = _written_through(record, lambda _: True, carry_out=False)

    assert (outcome.state, record.results()) == (WriteState.UNKNOWN, {})


def test_once_another_answer_moved_the_list_what_was_lost_is_told_as_not_written() -> None:
    record = KeepingRecord()

    def lose(number: int) -> bool:
        # With the last attempt of the last round: what was lost can no longer come after this.
        if number == 11:
            writes_meanwhile(another_trial())(record)
        return number < 12

    outcome = _written_through(record, lose, carry_out=False)

    assert outcome.state is WriteState.FAILED
    assert "no attempt of this call can be carried out any more" in outcome.sentence


def test_a_record_with_two_lists_is_locked_by_both() -> None:
    record = KeepingRecord(heeds_conditions=False)
    write(record, OLD)
    (place,) = [one for one in record.held if one.startswith("List/")]
    record.put("List/second", record.held[place])

    write(record, NEW)

    versions = [one["meta"]["versionId"] for one in record.held.values() if one["resourceType"] == "List"]
    assert versions == ["3", "2"]
    assert standing_identities(record) == {NEW.identity}


@pytest.mark.parametrize("entry", [["x"], [None], [5], [[]], "x"])
def test_a_list_whose_entries_are_no_objects_stops_the_write_with_its_reason(entry: object) -> None:
    record = KeepingRecord()
    write(record, OLD)
    (place,) = [one for one in record.held if one.startswith("List/")]
    record.put(place, {**record.held[place], "entry": entry})

    outcome = write(record, NEW)

    assert outcome.state is WriteState.FAILED
    assert "not in the shape of FHIR" in outcome.sentence


@pytest.mark.parametrize("broken", [{"note": "x"}, {"note": ["x"]}, {"identifier": "x"}, {"status": 5}])
def test_a_result_of_ours_in_no_shape_of_fhir_stops_the_write_with_its_reason(broken: dict[str, object]) -> None:
    record = KeepingRecord()
    write(record, OLD)
    place = next(one for one in record.held if ":closing-pressure" in str(record.held[one].get("identifier")))
    record.held[place] = {**record.held[place], **broken}

    outcome = write(record, NEW)

    assert outcome.state is WriteState.FAILED
    assert "a result of ours in the record is not in the shape of FHIR" in outcome.sentence


def test_a_search_that_does_not_show_yet_what_was_written_is_waited_for() -> None:
    record = KeepingRecord()
    write(record, OLD)
    shown = iter([False, False])

    def answer(request: httpx.Request) -> httpx.Response:
        if b"date=ge" in request.url.query and not next(shown, True):
            return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset"})
        return record.answer(request)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcome = asyncio.run(written_to(NEW))

    assert outcome.state is WriteState.WRITTEN
    assert standing_identities(record) == {NEW.identity}


@pytest.mark.parametrize("status", [400, 403, 500])
def test_a_record_that_cannot_be_searched_is_not_written_to(status: int) -> None:
    record = KeepingRecord(search_status=status)

    outcome = write(record, OLD, patience_s=0.0)

    assert outcome.state is WriteState.FAILED
    assert "Nothing was written: it could not be seen whether an earlier answer" in outcome.sentence
    assert record.results() == {}


def test_an_attempt_that_may_have_arrived_is_not_forgotten_when_a_later_round_is_refused() -> None:
    record = KeepingRecord()
    refusals = iter([None, httpx.Response(409), *[httpx.Response(429)] * 20])

    def refuses(request: httpx.Request) -> httpx.Response:
        if b"GuidanceResponse" not in request.content:
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


def test_an_attempt_that_may_have_arrived_is_not_forgotten_where_nobody_can_look_afterwards() -> None:
    record = KeepingRecord()

    def refuses(request: httpx.Request) -> httpx.Response:
        if b"GuidanceResponse" not in request.content:
            return record.answer(request)
        record.search_status = 403
        raise httpx.ReadError("cut")

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=refuses)
        outcome = asyncio.run(written_to(OLD))

    assert outcome.state is WriteState.UNKNOWN


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


def candidate(identity: str, inputs: dict[str, str], written_s: float | None = None, **more: Any) -> Ranked:  # noqa: ANN401
    return Ranked(identity, inputs, more.get("end_s", 0.0), written_s, more.get("signed", False))


def test_newer_inputs_win_however_late_the_other_was_written() -> None:
    own = candidate("a", {"Observation/1": "10"}, 1.0)

    assert standing_of(own, [candidate("b", {"Observation/1": "9"}, 2.0)], ()).older == ("b",)


def test_versions_that_are_no_numbers_say_nothing_about_order() -> None:
    own = candidate("a", {"Observation/1": "x9"}, 1.0)

    assert standing_of(own, [candidate("b", {"Observation/1": "x1"}, 2.0)], ()).newer == "b"


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


@pytest.mark.parametrize("status", [409, 412])
@pytest.mark.parametrize("patience_s", [30.0, 0.0])
def test_a_conflict_that_lasts_is_a_failure_that_is_named_once_a_look_shows_that_nothing_is_there(
    status: int, patience_s: float
) -> None:
    record = KeepingRecord()
    outcome = asyncio.run(_written_where_answers_meet(record, OLD, status, patience_s))

    assert outcome.state is WriteState.FAILED
    assert outcome.http_status == status
    assert outcome.sentence.startswith("Nothing was written: ")
    assert "with a conflict; looked at afterwards, it does not hold what was to be written" in outcome.sentence
    assert record.results() == {}


def test_a_conflict_that_lasts_after_a_lost_reply_leaves_it_unknown() -> None:
    outcome = asyncio.run(_written_where_answers_meet(KeepingRecord(), OLD, 409, 30.0, first_is_lost=True))

    assert outcome.state is WriteState.UNKNOWN


async def _written_where_answers_meet(
    record: KeepingRecord, answer: Answer, status: int, patience_s: float, *, first_is_lost: bool = False
) -> WriteOutcome:
    """Write to a record that answers every transaction with results by this status."""
    lost = iter([True] if first_is_lost else [])

    def refuses(request: httpx.Request) -> httpx.Response:
        if b"ifMatch" not in request.content:
            return record.answer(request)
        if next(lost, False):
            raise httpx.ReadError("cut")
        return httpx.Response(status, json={"resourceType": "OperationOutcome", "issue": []})

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=refuses)
        return await written_to(answer, patience_s)


def cancelled(one: dict[str, Any]) -> dict[str, Any]:
    return {**one, "status": "cancelled"}


def test_a_closing_pressure_that_was_cancelled_does_not_hide_the_rest_of_its_answer() -> None:
    record = KeepingRecord()
    write(record, OLD)
    (closing,) = record.of("closing-pressure")
    record.put(f"Observation/{closing['id']}", cancelled(closing))

    outcome = write(record, NEW)

    assert outcome.state is WriteState.WRITTEN
    assert "results of an earlier answer for the same trial were marked superseded" in outcome.sentence
    assert standing_identities(record) == {NEW.identity}
    assert write(record, NEW).state is WriteState.ALREADY_THERE


def test_what_a_clinician_signed_of_an_answer_without_its_closing_pressure_stays() -> None:
    record = KeepingRecord()
    write(record, OLD)
    (closing,), (suggested,) = record.of("closing-pressure"), record.of("suggested-peep")
    record.put(f"Observation/{closing['id']}", cancelled(closing))
    record.put(f"Observation/{suggested['id']}", {**suggested, "status": "final"})

    assert write(record, NEW).state is WriteState.WRITTEN
    assert statuses(record) == ["final", "preliminary"]


def test_an_earlier_answer_whose_results_cannot_all_be_found_fails_the_write() -> None:
    record = KeepingRecord()
    write(record, OLD)
    (provenance,) = [one for one in record.held.values() if one["resourceType"] == "Provenance"]
    targets = [{"reference": one["reference"].replace("Observation/", "Observation/9")} for one in provenance["target"]]
    record.put(f"Provenance/{provenance['id']}", {**provenance, "target": targets})
    before = record.results()

    outcome = write(record, NEW)

    assert (outcome.state, record.results()) == (WriteState.FAILED, before)
    assert "Observation/9" in outcome.sentence
    assert "which the Provenance of an earlier answer names as a result, is not found" in outcome.sentence
