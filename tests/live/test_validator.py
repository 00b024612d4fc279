"""An independent validator finds planted errors, and finds none in what we emit."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from typing import Any

import pytest

from answers import resource
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.codesystem import code_system
from ebbmark.fhir.definitions import capability_statement, definition_of
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle
from live.record_server import Issue, problems, validate_with_server
from recommendations import ALL, RECORDED_S, found

pytestmark = pytest.mark.live

Json = dict[str, Any]

EXPLAINED = {
    r"dom-6: 'A resource should have narrative": (
        "best practice only: the same sentences stand in the notes, and generated HTML would be one more thing that "
        "must agree with the numbers"
    ),
    r"observations should have a performer": (
        "best practice only: a device computed the result, it stands in Observation.device, and R4 allows no Device "
        "as performer"
    ),
    r"CodeSystem is unknown and can't be validated: http://loinc\.org": (
        "the server carries no LOINC, which is licensed; codes are checked against the project's own table"
    ),
    r"in the value set 'Detected Issue Category'": (
        "the binding is preferred, and its codes are about giving and supplying substances: ours says which caution "
        "about the trial it is"
    ),
    r"in the value set 'LOINC Diagnostic Report Codes'": (
        "the binding is preferred; no LOINC code of a report on a PEEP trial was found, so the code is our own"
    ),
}
"""Every remark of the validator that we live with, and why."""

REPORTED = "answer with a report, recorded by a person"
EMITTED: dict[str, Callable[[Answer], Json]] = {
    "answer": lambda recommendation: write_bundle(recommendation, recorded_s=RECORDED_S),
    "transaction": lambda recommendation: as_transaction(
        write_bundle(recommendation, recorded_s=RECORDED_S), "Patient/invented-1"
    ),
    REPORTED: lambda recommendation: write_bundle(
        recommendation, recorded_s=RECORDED_S, enterer="Practitioner/nurse-7", report_pdf=b"%PDF-1.7 an invented page"
    ),
}
DEFINITIONS: dict[str, Callable[[], Json]] = {
    "code system": code_system,
    "capability statement": lambda: capability_statement(base_url="https://ebbmark.example/fhir"),
    "operation definition": lambda: definition_of(TITRATE_PEEP),
}


def unexplained(issues: list[Issue]) -> list[Issue]:
    # HAPI answers "No issues detected" where there are none.
    return [
        issue
        for issue in issues
        if not issue.text.startswith("No issues detected")
        and not any(re.search(pattern, issue.text) for pattern in EXPLAINED)
    ]


def closing() -> Json:
    return copy.deepcopy(resource(write_bundle(found(), recorded_s=RECORDED_S), "closing-pressure"))


def height(**unit: str) -> Json:
    return {
        "resourceType": "Observation",
        "status": "final",
        "category": [
            {
                "coding": [
                    {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}
                ]
            }
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": "8302-2"}]},
        "subject": {"reference": "Patient/maple"},
        "effectiveDateTime": "2026-01-01T08:00:00Z",
        "valueQuantity": {"value": 170, "unit": "cm", "system": "http://unitsofmeasure.org", "code": "cm", **unit},
    }


BODY_HEIGHT = "http://hl7.org/fhir/StructureDefinition/bodyheight"


@pytest.mark.parametrize("emitted", EMITTED.values(), ids=EMITTED)
@pytest.mark.parametrize("build", ALL.values(), ids=ALL)
def test_nothing_in_an_answer_is_an_error_or_an_unexplained_warning(
    record_base_url: str, build: Callable[[], Answer], emitted: Callable[[Answer], Json]
) -> None:
    issues = validate_with_server(record_base_url, emitted(build()))

    assert problems(issues) == []
    assert unexplained(issues) == []


@pytest.mark.parametrize("definition", DEFINITIONS.values(), ids=DEFINITIONS)
def test_nothing_in_a_definition_is_an_error_or_an_unexplained_warning(
    record_base_url: str, definition: Callable[[], Json]
) -> None:
    issues = validate_with_server(record_base_url, definition())

    assert problems(issues) == []
    assert unexplained(issues) == []


def test_every_explanation_is_still_needed(record_base_url: str) -> None:
    remarks = [issue.text for issue in validate_with_server(record_base_url, EMITTED[REPORTED](found()))]

    unused = [pattern for pattern in EXPLAINED if not any(re.search(pattern, remark) for remark in remarks)]

    assert unused == []


def test_a_value_beside_its_absence_is_found(record_base_url: str) -> None:
    planted = {**closing(), "dataAbsentReason": {"text": "unknown"}}

    issues = problems(validate_with_server(record_base_url, planted))

    assert [issue for issue in issues if "obs-6" in issue.text]


def test_an_error_within_a_bundle_is_found(record_base_url: str) -> None:
    answer = EMITTED["answer"](found())
    resource(answer, "closing-pressure")["dataAbsentReason"] = {"text": "unknown"}

    issues = problems(validate_with_server(record_base_url, answer))

    assert [issue for issue in issues if "obs-6" in issue.text and "Bundle.entry[" in issue.where]


def test_a_status_that_there_is_not_is_found(record_base_url: str) -> None:
    issues = problems(validate_with_server(record_base_url, {**closing(), "status": "provisional"}))

    assert [issue for issue in issues if "provisional" in issue.text]


def test_a_unit_that_ucum_does_not_know_is_found(record_base_url: str) -> None:
    planted = closing()
    planted["valueQuantity"]["code"] = "cmH2O"

    issues = problems(validate_with_server(record_base_url, planted))

    assert [issue for issue in issues if "cmH2O" in issue.text]


def test_a_unit_without_its_system_is_found(record_base_url: str) -> None:
    planted = closing()
    del planted["valueQuantity"]["system"]

    issues = problems(validate_with_server(record_base_url, planted))

    assert [issue for issue in issues if "qty-3" in issue.text]


def test_a_height_in_centimetres_is_a_body_height(record_base_url: str) -> None:
    assert problems(validate_with_server(record_base_url, height(), profile=BODY_HEIGHT)) == []


@pytest.mark.parametrize("unit", [{"system": "https://units.example"}, {"code": "mm"}], ids=["system", "unit"])
def test_a_body_height_in_a_wrong_unit_or_unit_system_is_found(record_base_url: str, unit: dict[str, str]) -> None:
    issues = problems(validate_with_server(record_base_url, height(**unit), profile=BODY_HEIGHT))

    assert [issue for issue in issues if "Observation.value" in issue.where]


@pytest.mark.parametrize(
    ("name", "value"), [("code", "closing-presure"), ("display", "Opening pressure"), ("system", "https://x.example")]
)
def test_a_code_of_ours_that_is_not_in_our_code_system_is_found(record_base_url: str, name: str, value: str) -> None:
    planted = closing()
    planted["code"]["coding"][0][name] = value

    issues = unexplained(validate_with_server(record_base_url, planted))

    assert [issue for issue in issues if issue.where.startswith("Observation.code") and value in issue.text]
