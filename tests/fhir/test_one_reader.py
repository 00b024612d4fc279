"""One reader serves every question: what a titration receives beside its readings, and what no caller can hide."""

from __future__ import annotations

import pytest

from ebbmark.fhir.operations import OPERATIONS, TITRATE_PEEP, Operation
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.codes import NO_CODE_MAP
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from fhir_builders import LOINC, UCUM, Json, at, bundle, height, observation, patient, to_bytes, trial_observations

NOW_S = 1772355600.0 + 86400.0
SNOMED = "http://snomed.info/sct"
PNEUMOTHORAX: Json = {
    "resourceType": "Condition",
    "id": "c1",
    "meta": {"versionId": "2"},
    "clinicalStatus": {"coding": [{"code": "active"}]},
    "verificationStatus": {"coding": [{"code": "confirmed"}]},
    "code": {"coding": [{"system": SNOMED, "code": "36118008", "display": "Pneumothorax"}]},
    "subject": {"reference": "Patient/p1"},
}
NORADRENALINE: Json = {
    "resourceType": "MedicationAdministration",
    "id": "m1",
    "status": "in-progress",
    "medicationCodeableConcept": {"coding": [{"system": SNOMED, "code": "45555007"}]},
    "subject": {"reference": "Patient/p1"},
    "effectivePeriod": {"start": at(0)},
    "dosage": {"rateQuantity": {"value": 0.2, "system": UCUM, "code": "ug/kg/min"}},
}


def charted(code: str, text: str, minute: int) -> Json:
    """An Observation whose value is a code."""
    return {
        "resourceType": "Observation",
        "id": f"{code}-{minute}",
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": at(minute),
        "valueCodeableConcept": {"coding": [{"system": "urn:site", "code": text}], "text": text},
    }


def read(*resources: Json, operation: Operation = TITRATE_PEEP) -> Request:
    body = to_bytes(bundle(patient(), height(), *trial_observations(), *resources))
    return read_request(operation, body, RequestContext(NOW_S))


def by_slug(slug: str) -> Operation:
    return next(one for one in OPERATIONS if one.slug == slug)


def test_a_titration_receives_conditions_vasopressors_positions_modes_and_rhythms() -> None:
    request = read(
        PNEUMOTHORAX,
        NORADRENALINE,
        charted("8361-8", "supine", 1),
        charted("8361-8", "prone", 2),
        charted("8884-9", "sinus rhythm", 1),
    )

    assert [one.concepts for one, _ in request.conditions] == [("untreated-pneumothorax",)]
    assert [infusion.drug for infusion in request.infusions] == ["noradrenaline"]
    assert [change.words for change in request.changes] == ["supine", "prone"]
    assert [change.first for change in request.changes] == [True, False]
    assert [one.codes[0].code for one in request.rhythms.read] == ["sinus rhythm"]


def test_every_index_names_the_input_that_it_came_from() -> None:
    request = read(PNEUMOTHORAX, NORADRENALINE, charted("8361-8", "supine", 1), charted("8361-8", "prone", 2))

    named = [request.sources[index].reference for _, index in request.conditions]
    named += [request.sources[infusion.source].reference for infusion in request.infusions]
    named += [request.sources[change.source].reference for change in request.changes]
    positions = ["Observation/8361-8-1", "Observation/8361-8-2"]
    assert named == ["Condition/c1/_history/2", "MedicationAdministration/m1", *positions]


def test_a_condition_of_another_patient_stops_a_titration() -> None:
    with pytest.raises(Rejected) as refused:
        read({**PNEUMOTHORAX, "subject": {"reference": "Patient/p2"}})

    assert [problem.kind for problem in refused.value.problems] == [ProblemKind.MIXED_PATIENTS]


def test_a_resource_type_in_another_spelling_of_the_same_json_is_read_all_the_same() -> None:
    body = to_bytes(bundle(patient(), height(), *trial_observations(), PNEUMOTHORAX))
    escaped = body.replace(b'"Condition"', b'"\\u0043ondition"')
    assert escaped != body

    request = read_request(by_slug("assess-candidate"), escaped, RequestContext(NOW_S))

    assert [one.concepts for one, _ in request.conditions] == [("untreated-pneumothorax",)]


def test_a_condition_that_is_read_must_have_its_shape() -> None:
    with pytest.raises(Rejected) as refused:
        read({**PNEUMOTHORAX, "code": "J93"})

    assert [problem.kind for problem in refused.value.problems] == [ProblemKind.WRONG_TYPE]


def test_no_spelling_of_a_unit_makes_what_is_kept_between_requests_grow() -> None:
    read()
    before = len(NO_CODE_MAP.rules)

    for number in range(40):
        quantity = {"value": 10.0, "system": UCUM, "code": f"cm[H2O]{{x{number}}}"}
        read({**observation("peep-set", 10.0, when=at(50)), "valueQuantity": quantity})

    assert len(NO_CODE_MAP.rules) == before
