"""The shapes in which records hand out a trial give the same readings; each that does not count says why."""

from __future__ import annotations

import json

import pytest

from ebbmark.audit.comparison import ReplayOutcome
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from fhir_builders import Json, at, bundle, height, observation, patient, to_bytes, trial_bundle, trial_observations

CONTEXT = RequestContext(1772355600.0 + 86400.0)
TRIAL = trial_observations()


def read(body: Json) -> Request:
    return read_request(TITRATE_PEEP, to_bytes(body), CONTEXT)


def values(request: Request) -> list[tuple[str, float, float]]:
    return sorted((reading.quantity.slug, reading.value, reading.at_s) for reading in request.readings)


PLAIN = values(read(trial_bundle()))


def report(*contained: Json, identity: str = "r1", **more: object) -> Json:
    within = [{key: item for key, item in one.items() if key not in ("subject", "meta")} for one in contained]
    built: Json = {"resourceType": "DiagnosticReport", "id": identity, "status": "final", "contained": within}
    return {**built, "code": {"text": "Ventilator"}, "subject": {"reference": "Patient/p1"}, **more}


def panel(identity: str, *contained: Json) -> Json:
    return observation("urn:x|panel", None, identity=identity, contained=report(*contained)["contained"])


@pytest.mark.parametrize(
    "body",
    [
        bundle(bundle(patient(), height()), bundle(*TRIAL, kind="searchset"), kind="batch-response"),
        bundle(patient(), height(), report(*TRIAL)),
        bundle(patient(), height(), report(*TRIAL[:12]), report(*TRIAL[12:], identity="r2")),
        bundle(patient(), height(), panel("a", *TRIAL[:12]), panel("b", *TRIAL[12:])),
        trial_bundle(kind="history"),
        bundle(
            {"resourceType": "Composition", "id": "c", "status": "final"}, patient(), height(), *TRIAL, kind="document"
        ),
    ],
    ids=["nested", "in a report", "in two reports", "in two panels", "history", "document"],
)
def test_a_trial_is_the_same_in_every_shape(body: Json) -> None:
    assert values(read(body)) == PLAIN


def test_ids_within_two_containers_are_two_observations() -> None:
    one, other = ({**each, "id": "o"} for each in (TRIAL[0], TRIAL[3]))

    request = read(bundle(patient(), height(), report(one), report(other, identity="r2")))

    assert [source.reference for source in request.sources if "#" in source.reference] == [
        "DiagnosticReport/r1#o",
        "DiagnosticReport/r2#o",
    ]


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_a_report_that_was_taken_back_takes_its_content_with_it(status: str) -> None:
    with pytest.raises(Rejected) as caught:
        read(bundle(patient(), height(), report(*TRIAL, status=status)))

    assert {one.reason for one in caught.value.ignored if ".contained[" in one.path} == {
        "The DiagnosticReport that contains it was taken back."
    }


def test_a_document_that_was_taken_back_is_not_read() -> None:
    composition: Json = {"resourceType": "Composition", "id": "c", "status": "entered-in-error"}

    with pytest.raises(Rejected) as caught:
        read(bundle(composition, patient(), height(), *TRIAL, kind="document"))

    assert any("entered in error" in one.reason for one in caught.value.ignored)


def test_what_a_history_says_was_deleted_is_not_read() -> None:
    body = trial_bundle(kind="history")
    gone = observation("plateau-pressure", 99.0, when=at(1), identity="gone", version="1")
    body["entry"] = [
        {"request": {"method": "DELETE", "url": "Observation/gone"}, "response": {"status": "204"}},
        {"resource": gone, "request": {"method": "POST", "url": "Observation"}},
        *body["entry"],  # type: ignore[misc]
    ]

    request = read(body)

    assert values(request) == PLAIN
    assert [one.reason for one in request.ignored if one.code == "cancelled"] == [
        "It was deleted, as the history says."
    ]


def test_a_failure_within_the_replies_of_a_batch_is_listed() -> None:
    body = bundle(trial_bundle(), kind="batch-response")
    body["entry"] = [*body["entry"], {"response": {"status": "404 Not Found"}}]  # type: ignore[misc]

    request = read(body)

    assert values(request) == PLAIN
    assert [one.path for one in request.ignored] == ["Bundle.entry[1]"]


def test_a_timing_of_one_event_is_that_moment() -> None:
    timed = [{**one, "effectiveTiming": {"event": [one["effectiveDateTime"]]}} for one in TRIAL]
    for one in timed:
        del one["effectiveDateTime"]

    assert values(read(bundle(patient(), height(), *timed))) == PLAIN


@pytest.mark.parametrize(
    "focus", [{"reference": "RelatedPerson/7"}, {"identifier": {"value": "7"}}, {"reference": "Patient/p2"}]
)
def test_the_height_of_a_relative_is_not_this_patient_s(focus: Json) -> None:
    relative = height(150.0) | {"id": "relative", "focus": [focus]}

    request = read(bundle(patient(), height(), relative, *TRIAL))

    assert request.person is not None
    assert request.person.height_cm == 168.0
    assert [one.code for one in request.ignored] == ["other-subject"]


def test_a_focus_on_the_subject_itself_changes_nothing() -> None:
    focused = [{**one, "focus": [{"reference": "Patient/p1"}]} for one in TRIAL]

    assert values(read(bundle(patient(), height(), *focused))) == PLAIN


def test_an_answer_to_contained_observations_is_sound_and_the_same_when_replayed() -> None:
    resources = [patient(), height(), report(*TRIAL)]
    answer = answer_request(TITRATE_PEEP, to_bytes(bundle(*resources)), CONTEXT)
    stored = write_bundle(answer, recorded_s=CONTEXT.at_s)

    outcome = replay(resources_of(stored), [("", json.loads(to_bytes(resource))) for resource in resources], CONTEXT)

    assert validate(stored) == ()
    assert (outcome.outcome, outcome.findings) == (ReplayOutcome.SAME, ())
