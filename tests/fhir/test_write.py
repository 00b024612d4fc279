"""The answer as a Bundle: what each result says, what it never says, and that the same answer gives the same bytes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import pytest
from hypothesis import given
from hypothesis import strategies as st

from answers import component, elements, resource, resources
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.codesystem import CONCEPTS
from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.fhir.writing.write import write_bundle, write_bundle_bytes
from ebbmark.physiology.closing.result import Evidence, Shape, Verdict
from ebbmark.physiology.protocols import PROTOCOLS
from ebbmark.physiology.trial.steps import ComplianceKind
from recommendations import (
    ALL,
    RECORDED_S,
    falling_from_first_step,
    found,
    indeterminate,
    not_reached,
    of_size,
    retold,
    undecided,
)

TESTS = Path(__file__).parent.parent

every_answer = pytest.mark.parametrize("build", ALL.values(), ids=ALL)
Build = Callable[[], Answer]


def written(build: Build) -> dict[str, object]:
    return write_bundle(build(), recorded_s=RECORDED_S)


def shuffled(recommendation: Answer, order: list[int]) -> Answer:
    """The same readings, received in another order."""
    place = {old: new for new, old in enumerate(order)}
    request = recommendation.request
    steps = tuple(
        replace(
            step,
            samples=tuple(
                sample._replace(sources=tuple(place[source] for source in sample.sources)) for sample in step.samples
            ),
        )
        for step in recommendation.titration.trial.steps
    )
    request = replace(
        request,
        sources=tuple(request.sources[old] for old in order),
        person=replace(request.known_person, height_source=place[request.known_person.height_source]),
    )
    return retold(
        replace(recommendation, request=request),
        trial=replace(recommendation.titration.trial, steps=steps),
    )


# The whole


@every_answer
def test_the_answer_is_one_collection_with_each_part_of_it(build: Build) -> None:
    bundle = written(build)

    kinds = {element["resource"]["resourceType"] for element in bundle["entry"]}  # type: ignore[attr-defined]
    assert bundle["type"] == "collection"
    assert kinds == {
        "GuidanceResponse",
        "Observation",
        "DetectedIssue",
        "Device",
        "Provenance",
        "OperationOutcome",
    }


@every_answer
def test_every_observation_and_issue_is_preliminary(build: Build) -> None:
    bundle = written(build)

    statuses = {one["status"] for kind in ("Observation", "DetectedIssue") for one in resources(bundle, kind)}
    assert statuses == {"preliminary"}


@every_answer
def test_the_instant_of_recording_stands_in_one_place_only(build: Build) -> None:
    early = write_bundle(build(), recorded_s=RECORDED_S)
    late = write_bundle(build(), recorded_s=RECORDED_S + 86_400)

    before, after = dict(elements(early)), dict(elements(late))
    differing = {path for path, value in before.items() if not isinstance(value, (dict, list)) and after[path] != value}
    assert len(before) == len(after)
    assert [path.rsplit(".", 1)[-1] for path in differing] == ["recorded"]


@every_answer
def test_no_result_is_dated_outside_the_trial(build: Build) -> None:
    recommendation = build()

    dates = [
        str(value)
        for observation in resources(write_bundle(recommendation, recorded_s=RECORDED_S), "Observation")
        for path, value in elements(observation)
        if "effective" in path and isinstance(value, str)
    ]

    assert min(dates) == "2023-11-14T22:13:20Z"  # 1 700 000 000 s after 1970
    assert max(dates) < "2023-11-14T22:28"  # seven steps of two minutes


@every_answer
def test_every_code_of_ours_is_in_the_code_system(build: Build) -> None:
    known = {row.code: row.display for row in CONCEPTS}

    codings: list[Any] = [
        value for _, value in elements(written(build)) if isinstance(value, dict) and value.get("system") == CODE_SYSTEM
    ]

    assert codings
    assert all(known[coding["code"]] == coding["display"] for coding in codings)


def test_every_word_that_an_answer_may_choose_is_in_the_code_system() -> None:
    known = {row.code for row in CONCEPTS}

    words = {word.value for kind in (Verdict, Evidence, Shape) for word in kind}
    words |= {kind.slug for kind in ComplianceKind}
    words |= {f"tidal-volume-at-{rung:g}-ml-per-kg" for protocol in PROTOCOLS for rung in protocol.ladder_ml_per_kg}

    assert words <= known


@every_answer
def test_a_set_pressure_is_only_ever_a_component(build: Build) -> None:
    headings = {one["code"]["coding"][0]["code"] for one in resources(written(build), "Observation")}

    assert headings.isdisjoint({"20077-4", "76248-4", "60828-1", "60827-3"})


@every_answer
def test_identifiers_and_full_urls_are_made_from_the_identity(build: Build) -> None:
    recommendation = build()

    bundle: Any = write_bundle(recommendation, recorded_s=RECORDED_S)

    named = [
        (entry["fullUrl"], entry["resource"]["identifier"][0])
        for entry in bundle["entry"]
        if "identifier" in entry["resource"] and entry["resource"]["resourceType"] != "Device"
    ]
    assert len({url for url, _ in named}) == len(named) > 10
    for url, identifier in named:
        assert identifier["value"].startswith(f"{recommendation.identity}:")
        # uuid5 of the standard library is the outside check.
        assert url == f"urn:uuid:{uuid5(NAMESPACE_URL, identifier['system'] + '|' + identifier['value'])}"


def test_encounter_is_named_on_results_where_there_is_one() -> None:
    bundle = written(found)

    named = [*resources(bundle, "Observation"), *resources(bundle, "GuidanceResponse")]
    assert all(one["encounter"] == {"reference": "Encounter/9"} for one in named)


def test_no_encounter_is_named_where_there_is_none() -> None:
    bundle = written(not_reached)

    assert not [path for path, _ in elements(bundle) if path.endswith(".encounter")]


# The results


def test_a_closing_pressure_that_was_found_has_value_interval_and_probability() -> None:
    closing = resource(written(found), "closing-pressure")

    assert closing["valueQuantity"] == {
        "value": 12.0,
        "unit": "cmH2O",
        "system": "http://unitsofmeasure.org",
        "code": "cm[H2O]",
    }
    assert component(closing, "interval-low")["valueQuantity"]["value"] == 10.0
    assert component(closing, "interval-high")["valueQuantity"]["value"] == 14.0
    assert component(closing, "verdict-probability")["valueQuantity"]["value"] == 0.97
    assert component(closing, "closing-verdict")["valueCodeableConcept"]["coding"][0]["code"] == "found"
    assert component(closing, "closing-shape")["valueCodeableConcept"]["coding"][0]["code"] == "abrupt"
    assert closing["note"][0]["text"] == (
        "Going down, compliance began to fall for good at PEEP 12 cmH2O (90 % interval: 10 to 14 cmH2O). Closing was "
        "reached at one of the steps tested with probability 97 %; the evidence is strong, the fall abrupt."
    )


@pytest.mark.parametrize(
    ("build", "verdict"),
    [
        (not_reached, "not-reached"),
        (falling_from_first_step, "falling-from-first-step"),
        (indeterminate, "indeterminate"),
    ],
)
def test_without_a_closing_pressure_there_is_no_number_but_a_reason(build: Build, verdict: str) -> None:
    bundle = written(build)

    closing, suggested = resource(bundle, "closing-pressure"), resource(bundle, "suggested-peep")
    for result in (closing, suggested):
        assert not [name for name in result if name.startswith("value")]
    assert closing["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    assert suggested["dataAbsentReason"]["coding"][0]["code"] == "not-applicable"
    assert component(closing, "closing-verdict")["valueCodeableConcept"]["coding"][0]["code"] == verdict
    assert not [part for part in closing["component"] if "interval" in part["code"]["coding"][0]["code"]]
    assert suggested["note"][0]["text"] == "No closing pressure was found, so no PEEP is suggested."


def test_an_indeterminate_answer_says_why() -> None:
    closing = resource(written(indeterminate), "closing-pressure")

    assert closing["note"][0]["text"] == (
        "No statement about closing can be made: the readings of one step differ by more than the fall."
    )


def test_without_an_estimate_no_probability_leaves() -> None:
    body = write_bundle_bytes(indeterminate(), recorded_s=RECORDED_S)

    assert b"probability" not in body
    assert b"fitted" not in body


def test_an_undecided_estimate_keeps_its_probabilities() -> None:
    closing = resource(written(undecided), "closing-pressure")

    assert component(closing, "verdict-probability")["valueQuantity"]["value"] == 0.5
    assert component(closing, "not-reached-probability")["valueQuantity"]["value"] == 0.4
    assert component(closing, "falling-from-first-step-probability")["valueQuantity"]["value"] == 0.1


def test_no_sentence_claims_certainty() -> None:
    recommendation = found()
    certain = retold(recommendation, closing=replace(recommendation.titration.closing, probability=1.0))

    closing = resource(write_bundle(certain, recorded_s=RECORDED_S), "closing-pressure")

    assert "with probability over 99 %;" in closing["note"][0]["text"]


def test_the_suggestion_carries_its_margin_rationale_and_expectations() -> None:
    suggested = resource(written(found), "suggested-peep")

    assert suggested["valueQuantity"]["value"] == 14.0
    assert component(suggested, "margin")["valueQuantity"]["value"] == 2.0
    assert component(suggested, "expected-driving-pressure")["valueQuantity"]["value"] == 8.4
    assert component(suggested, "expected-plateau-pressure")["valueQuantity"]["value"] == 22.4
    assert "common practice, no published source" in suggested["note"][0]["text"]
    assert len(suggested["hasMember"]) == 3


def test_each_margin_has_its_row_and_an_untested_one_expects_nothing() -> None:
    bundle = written(found)

    near, far = resource(bundle, "what-if-3"), resource(bundle, "what-if-4")
    assert near["note"] == [{"text": "Plateau pressure would exceed 30 cmH2O."}]
    assert component(far, "within-tested-range")["valueBoolean"] is False
    assert {part["code"]["coding"][0]["code"] for part in far["component"]} == {
        "margin",
        "what-if-peep",
        "within-tested-range",
    }


def test_the_weight_names_its_formula_and_derives_from_the_height() -> None:
    weight = resource(written(found), "predicted-body-weight")

    assert weight["code"]["coding"][0]["code"] == "50064-5"
    assert weight["valueQuantity"]["value"] == 61.5
    assert "45.5 + 0.91" in weight["method"]["text"]
    assert weight["derivedFrom"] == [{"reference": "Observation/reading-0/_history/1"}]
    assert weight["note"][0]["text"].endswith("The height is stated, not measured.")


def test_the_ladder_has_a_component_for_each_rung() -> None:
    target = resource(written(found), "tidal-volume-target")

    volumes = [part["valueQuantity"]["value"] for part in target["component"][1:]]
    assert volumes == [246, 308, 369, 431, 492]
    assert target["valueQuantity"]["value"] == 369


def test_each_step_has_its_readings_and_names_them_by_version() -> None:
    bundle = written(found)

    step = resource(bundle, "step-5")
    assert component(step, "20077-4")["valueQuantity"]["value"] == 12.0
    assert component(step, "60828-1")["valueQuantity"]["value"] == 40.3
    assert component(step, "76154-4")["valueQuantity"]["value"] == 9.2  # 370 mL over 40.3 mL/cmH2O
    assert component(step, "closing-probability")["valueQuantity"]["value"] == 0.873
    assert component(step, "readings-used")["valueInteger"] == 2
    assert step["derivedFrom"] == [
        {"reference": "Observation/reading-10/_history/2"},
        {"reference": "Observation/reading-9/_history/1"},
    ]
    assert len(resource(bundle, "compliance-curve")["hasMember"]) == 7


def test_dynamic_compliance_and_measured_peep_have_codes_of_their_own() -> None:
    step = resource(written(indeterminate), "step-1")

    codes = [part["code"]["coding"][0]["code"] for part in step["component"]]
    assert codes == ["76248-4", "60827-3", "readings-used"]


def test_an_input_without_a_reference_is_named_by_its_place() -> None:
    step = resource(written(indeterminate), "step-1")

    assert step["derivedFrom"] == [{"display": "Bundle.entry[2].resource"}, {"display": "Bundle.entry[3].resource"}]


def test_digits_of_a_decimal_say_its_precision() -> None:
    body = write_bundle_bytes(found(), recorded_s=RECORDED_S)

    assert b'{"value":12.0,"unit":"cmH2O"' in body
    assert b'{"value":0.970,"unit":"1"' in body
    assert b'{"value":369,"unit":"mL"' in body


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), float("-inf")])
def test_a_number_that_is_not_finite_becomes_a_reason_not_a_null(wrong: float) -> None:
    recommendation = found()
    advice = replace(recommendation.titration.advice, predicted_body_weight_kg=wrong, margin_cmh2o=wrong)

    bundle = write_bundle(retold(recommendation, advice=advice), recorded_s=RECORDED_S)

    weight, suggested = resource(bundle, "predicted-body-weight"), resource(bundle, "suggested-peep")
    for element in (weight, component(suggested, "margin-used")):
        assert element["dataAbsentReason"]["coding"][0]["code"] == "not-a-number"
        assert "valueQuantity" not in element


@pytest.mark.parametrize(("value", "expected"), [(-0.04, b"0.0"), (-1.26, b"-1.3")])
def test_a_negative_number_is_rounded_like_any_other(value: float, expected: bytes) -> None:
    recommendation = found()
    advice = replace(recommendation.titration.advice, margin_cmh2o=value)

    body = write_bundle_bytes(retold(recommendation, advice=advice), recorded_s=RECORDED_S)

    assert b'"valueQuantity":{"value":%b,"unit":"cmH2O"' % expected in body


# What is said beside the results


def test_a_caution_about_this_patient_is_an_issue_of_its_own() -> None:
    bundle = written(found)

    issues = resources(bundle, "DetectedIssue")
    assert [issue["severity"] for issue in issues] == ["high", "high", "low"]
    assert issues[0]["detail"] == "Plateau pressure was above 30 cmH2O. Source: invented."
    assert issues[0]["code"]["coding"][0]["code"] == "plateau-above-limit"
    assert issues[0]["patient"] == {"reference": "Patient/invented-1"}


def test_a_caution_that_is_always_true_is_a_note_of_the_guidance() -> None:
    (guidance,) = resources(written(found), "GuidanceResponse")

    texts = [note["text"] for note in guidance["note"]]
    assert "Local protocol decides. Source: invented." in texts
    assert "Every result is preliminary until a clinician has signed it." in texts
    assert "At least one reading that was used is itself preliminary in the record." in texts
    assert any("common practice, no published source" in text for text in texts)


def test_the_guidance_names_operation_outcome_and_the_end_of_the_data() -> None:
    bundle: Any = written(found)

    (guidance,) = resources(bundle, "GuidanceResponse")
    outcome = next(
        entry["fullUrl"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "OperationOutcome"
    )
    assert guidance["moduleUri"].endswith("/OperationDefinition/titrate-peep")
    assert guidance["status"] == "success"
    assert guidance["evaluationMessage"] == [{"reference": outcome}]
    assert guidance["requestIdentifier"]["value"] == found().identity
    assert guidance["occurrenceDateTime"] == "2023-11-14T22:27:10.500Z"


def test_every_ignored_input_is_listed_with_reason_and_place() -> None:
    (outcome,) = resources(written(found), "OperationOutcome")

    listed = [(issue["expression"], issue["details"]["text"]) for issue in outcome["issue"][:2]]
    assert listed[0][0] == ["Bundle.entry[40].resource"]
    assert "Entered in error." in listed[0][1]
    assert listed[1] == (["Bundle.entry[41].resource"], "The code 1234-5 is not known here.")
    assert outcome["issue"][2]["details"]["text"] == "Two height Observations agreed; the newer one was used."


def test_an_outcome_without_ignored_inputs_says_so() -> None:
    (outcome,) = resources(written(not_reached), "OperationOutcome")

    assert [issue["details"]["text"] for issue in outcome["issue"]] == [
        "Every input received was read; none was left out."
    ]


# Same input, same bytes


@every_answer
def test_the_plain_values_are_the_bytes(build: Build) -> None:
    assert write_bundle(build(), recorded_s=RECORDED_S) == json.loads(
        write_bundle_bytes(build(), recorded_s=RECORDED_S)
    )


@given(st.permutations(range(len(found().request.sources))))
def test_the_order_of_the_inputs_does_not_change_a_byte(order: list[int]) -> None:
    recommendation = found()

    body = write_bundle_bytes(shuffled(recommendation, order), recorded_s=RECORDED_S)

    assert body == write_bundle_bytes(recommendation, recorded_s=RECORDED_S)


def test_two_processes_with_different_hash_seeds_write_the_same_bytes() -> None:
    program = (
        "import sys, hashlib, recommendations as r; from ebbmark.fhir.writing.write import write_bundle_bytes; "
        "sys.stdout.write(hashlib.sha256(b''.join(write_bundle_bytes(build(), recorded_s=r.RECORDED_S) "
        "for build in (*r.ALL.values(), lambda: r.of_size(9)))).hexdigest())"
    )
    path = os.pathsep.join([str(TESTS), str(TESTS.parent / "service")])

    digests = {
        subprocess.run(
            [sys.executable, "-c", program],
            env={"PYTHONPATH": path, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        for seed in ("1", "2")
    }

    assert len(digests) == 1
    assert len(digests.pop()) == 64


@given(st.integers(1, 30))
def test_every_reading_of_a_step_is_named_once(readings_per_step: int) -> None:
    bundle = write_bundle(of_size(readings_per_step), recorded_s=RECORDED_S)

    assert len(resource(bundle, "step-3")["derivedFrom"]) == readings_per_step
