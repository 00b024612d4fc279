"""The judge of the fault runs finds what it is there to find."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from ebbmark.fhir.writing.supersession import CURRENT_SYSTEM
from ebbmark.record.write_back import EntryResult, WriteOutcome, WriteState
from live.many_recommendations import jobs
from live.written_once import Call, Found, Job, Key, Verdict, found_of, verdict_of

Json = dict[str, Any]
Held = dict[Key, list[Json]]

JOB, OTHER, *_, REPORTED = jobs("judged", 5)
FIRST, SECOND = jobs("judged", 2, answers=2)


def stored(job: Job) -> Held:
    """The record after one write of this recommendation."""
    held: Held = {
        key: [{"resourceType": key[0], "id": f"id-{place}", "status": "preliminary"}]
        for place, key in enumerate(job.keys)
    }
    held["List", f"{CURRENT_SYSTEM}|{job.patient}"] = [
        {"resourceType": "List", "id": "list", "entry": [{"item": {"identifier": {"value": job.name}}}]}
    ]
    first, *of_report = [key for key in job.keys if key[0] == "Provenance"]
    for provenance in (first, *of_report):
        held[provenance][0]["target"] = [
            {"reference": place(job, number)}
            for number, key in enumerate(job.keys)
            if key[0] not in UNNAMED and (key[0] == "DiagnosticReport") is (provenance in of_report)
        ]
    return held


UNNAMED = {"Provenance", "Device"}


def place(job: Job, number: int) -> str:
    return f"{job.keys[number][0]}/id-{number}"


def told(state: WriteState, job: Job = JOB) -> WriteOutcome:
    entries = tuple(EntryResult(n, 201, place(job, n) + "/_history/1") for n, _ in enumerate(job.keys))
    if state is WriteState.WRITTEN:
        return WriteOutcome(state, 1, "", created=entries)
    return WriteOutcome(state, 1, "", existing=entries if state is WriteState.ALREADY_THERE else ())


def judged(held: Held, *outcomes: WriteOutcome) -> Verdict:
    return verdict_of([Call(JOB, outcome) for outcome in outcomes], held)


def test_all_there_once_is_whole() -> None:
    assert found_of(JOB, stored(JOB)) is Found.WHOLE


def test_all_there_once_with_its_report_is_whole() -> None:
    assert "DiagnosticReport" in {kind for kind, _ in REPORTED.keys}
    assert found_of(REPORTED, stored(REPORTED)) is Found.WHOLE


def test_a_report_without_its_origin_makes_it_a_half() -> None:
    held = stored(REPORTED)
    del held[[key for key in REPORTED.keys if key[0] == "Provenance"][-1]]

    assert found_of(REPORTED, held) is Found.HALF


def test_another_recommendation_does_not_count() -> None:
    assert found_of(OTHER, stored(JOB)) is Found.NOTHING


@pytest.mark.parametrize("missing", JOB.keys, ids=[f"{number} {key[0]}" for number, key in enumerate(JOB.keys)])
def test_anything_missing_makes_it_a_half(missing: Key) -> None:
    held = stored(JOB)
    del held[missing]

    assert judged(held, told(WriteState.UNKNOWN)).halves == 1


@pytest.mark.parametrize("twice", JOB.keys, ids=[f"{number} {key[0]}" for number, key in enumerate(JOB.keys)])
def test_anything_there_twice_makes_it_a_double(twice: Key) -> None:
    held = stored(JOB)
    held[twice].append({"resourceType": twice[0], "id": "second"})

    assert judged(held, told(WriteState.UNKNOWN)).doubles == 1


def test_a_provenance_over_something_else_makes_it_a_half() -> None:
    held = stored(JOB)
    (provenance,) = [key for key in JOB.keys if key[0] == "Provenance"]
    held[provenance][0]["target"].pop()

    assert found_of(JOB, held) is Found.HALF


def both_current() -> Held:
    """Two answers for one trial, neither marked."""
    return {**stored(FIRST), **stored(SECOND)}


def test_two_current_answers_for_one_trial_are_found() -> None:
    calls = [Call(job, told(WriteState.WRITTEN, job)) for job in (FIRST, SECOND)]

    assert (verdict_of(calls, both_current()).current, verdict_of(calls, both_current()).clean) == (
        {"another one is in the List": 1},
        False,
    )


def test_a_list_that_names_another_answer_is_found() -> None:
    held = stored(JOB)
    held["List", f"{CURRENT_SYSTEM}|{JOB.patient}"][0]["entry"] = []

    assert not judged(held, told(WriteState.WRITTEN)).clean


@pytest.mark.parametrize("state", [WriteState.WRITTEN, WriteState.ALREADY_THERE])
def test_told_that_it_is_there_where_nothing_is_is_false(state: WriteState) -> None:
    assert judged({}, told(state)).false_reports


def test_told_failed_where_it_is_there_is_false() -> None:
    assert judged(stored(JOB), told(WriteState.FAILED)).false_reports


def test_told_failed_where_another_writer_brought_it_is_true() -> None:
    assert judged(stored(JOB), told(WriteState.FAILED), told(WriteState.UNKNOWN)).clean


def test_told_written_by_two_writers_is_false() -> None:
    assert judged(stored(JOB), told(WriteState.WRITTEN), told(WriteState.WRITTEN)).false_reports


def test_one_who_wrote_and_one_who_found_it_there_are_both_right() -> None:
    assert judged(stored(JOB), told(WriteState.WRITTEN), told(WriteState.ALREADY_THERE)).clean


@pytest.mark.parametrize("held", [{}, stored(JOB)], ids=["nothing", "all"])
def test_not_knowing_is_true_whatever_is_there(held: Held) -> None:
    assert judged(held, told(WriteState.UNKNOWN)).clean


def test_a_report_that_names_a_wrong_place_is_false() -> None:
    outcome = told(WriteState.WRITTEN)
    wrong = replace(outcome.created[0], location="Observation/elsewhere/_history/1")

    assert judged(stored(JOB), replace(outcome, created=(wrong, *outcome.created[1:]))).false_reports


def test_a_report_that_leaves_an_entry_out_is_false() -> None:
    outcome = told(WriteState.WRITTEN)

    assert judged(stored(JOB), replace(outcome, created=outcome.created[1:])).false_reports


def test_a_report_of_a_part_that_was_new_is_false() -> None:
    outcome = told(WriteState.WRITTEN)
    parted = replace(outcome, created=outcome.created[1:], existing=outcome.created[:1])

    assert judged(stored(JOB), parted).false_reports
