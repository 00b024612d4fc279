"""The check before a write: good answers pass, and each kind of damage is found where it is."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from answers import resource, resources
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from recommendations import ALL, RECORDED_S, found

Json = dict[str, Any]


def bundle() -> Json:
    return copy.deepcopy(write_bundle(found(), recorded_s=RECORDED_S))


def transaction() -> Json:
    return as_transaction(bundle(), "Patient/77")


@pytest.mark.parametrize("build", ALL.values(), ids=ALL)
def test_every_answer_is_valid(build: Callable[[], Answer]) -> None:
    assert validate(write_bundle(build(), recorded_s=RECORDED_S)) == ()


def closing(answer: Json) -> Json:
    return resource(answer, "closing-pressure")


def invented_status(answer: Json) -> None:
    closing(answer)["status"] = "provisional"


def issue_status_of_another_type(answer: Json) -> None:
    resources(answer, "DetectedIssue")[0]["status"] = "success"


def guidance_status_of_another_type(answer: Json) -> None:
    resources(answer, "GuidanceResponse")[0]["status"] = "preliminary"


def value_beside_its_absence(answer: Json) -> None:
    closing(answer)["dataAbsentReason"] = {"text": "unknown"}


def component_value_beside_its_absence(answer: Json) -> None:
    closing(answer)["component"][1]["dataAbsentReason"] = {"text": "unknown"}


def component_with_the_code_of_the_whole(answer: Json) -> None:
    closing(answer)["component"][1]["code"] = closing(answer)["code"]


def unit_code_without_system(answer: Json) -> None:
    del closing(answer)["valueQuantity"]["system"]


def unit_that_is_not_ucum(answer: Json) -> None:
    closing(answer)["valueQuantity"]["code"] = "cmH2O"


def quantity_without_value(answer: Json) -> None:
    del closing(answer)["component"][1]["valueQuantity"]["value"]


def empty_list(answer: Json) -> None:
    closing(answer)["hasMember"] = []


def empty_object(answer: Json) -> None:
    closing(answer)["method"] = {}


def member_that_is_not_there(answer: Json) -> None:
    resource(answer, "compliance-curve")["hasMember"][0]["reference"] = "urn:uuid:00000000-0000-4000-8000-000000000000"


def full_url_twice(answer: Json) -> None:
    answer["entry"][1]["fullUrl"] = answer["entry"][2]["fullUrl"]


def full_url_of_a_version(answer: Json) -> None:
    answer["entry"][-1]["fullUrl"] = "https://record.example/Observation/1/_history/2"


def request_in_a_collection(answer: Json) -> None:
    answer["entry"][0]["request"] = {"method": "POST", "url": "GuidanceResponse"}


def invented_severity(answer: Json) -> None:
    resources(answer, "DetectedIssue")[0]["severity"] = "fatal"


def invented_issue_severity(answer: Json) -> None:
    resources(answer, "OperationOutcome")[0]["issue"][0]["severity"] = "high"


def invented_role(answer: Json) -> None:
    resources(answer, "Provenance")[0]["entity"][0]["role"] = "input"


def searchset(answer: Json) -> None:
    answer["type"] = "searchset"


def unknown_element(answer: Json) -> None:
    closing(answer)["closingPressure"] = 12


def two_values(answer: Json) -> None:
    closing(answer)["valueString"] = "12"


def no_recorded(answer: Json) -> None:
    del resources(answer, "Provenance")[0]["recorded"]


def time_without_zone(answer: Json) -> None:
    resource(answer, "suggested-peep")["effectiveDateTime"] = "2023-11-14T22:27:10"


DAMAGES: tuple[tuple[Callable[[Json], None], str], ...] = (
    (invented_status, "status"),
    (issue_status_of_another_type, "status"),
    (guidance_status_of_another_type, "status"),
    (value_beside_its_absence, "obs-6"),
    (component_value_beside_its_absence, "beside a value"),
    (component_with_the_code_of_the_whole, "obs-7"),
    (unit_code_without_system, "qty-3"),
    (unit_that_is_not_ucum, "UCUM"),
    (quantity_without_value, "valueQuantity.value"),
    (empty_list, "hasMember: empty"),
    (empty_object, "method: empty"),
    (member_that_is_not_there, "hasMember[0].reference"),
    (full_url_twice, "bdl-7"),
    (full_url_of_a_version, "bdl-8"),
    (request_in_a_collection, "bdl-3"),
    (invented_severity, "severity"),
    (invented_issue_severity, "severity"),
    (invented_role, "role"),
    (searchset, "Bundle.type"),
    (unknown_element, "closingPressure"),
    (two_values, "value"),
    (no_recorded, "recorded"),
    (time_without_zone, "effectiveDateTime"),
)


@pytest.mark.parametrize(("damage", "named"), DAMAGES, ids=[damage.__name__ for damage, _ in DAMAGES])
def test_each_damage_is_found_and_named(damage: Callable[[Json], None], named: str) -> None:
    answer = bundle()
    damage(answer)

    faults = validate(answer)

    assert any(named in fault for fault in faults), faults


def missing_request(answer: Json) -> None:
    del answer["entry"][3]["request"]


def unconditional_create(answer: Json) -> None:
    del answer["entry"][3]["request"]["ifNoneExist"]


def update(answer: Json) -> None:
    answer["entry"][3]["request"]["method"] = "PUT"


def input_of_the_caller(answer: Json) -> None:
    closing(answer)["derivedFrom"][0]["reference"] = "urn:uuid:00000000-0000-4000-8000-000000000000"


def contained_that_is_not_there(answer: Json) -> None:
    resources(answer, "GuidanceResponse")[0]["evaluationMessage"][0]["reference"] = "#other"


def outcome_as_an_entry(answer: Json) -> None:
    answer["entry"][0]["resource"] = resources(bundle(), "OperationOutcome")[0]


TRANSACTION_DAMAGES: tuple[tuple[Callable[[Json], None], str], ...] = (
    (missing_request, "bdl-3"),
    (unconditional_create, "not safe to repeat"),
    (update, "not safe to repeat"),
    (input_of_the_caller, "derivedFrom[0].reference"),
    (contained_that_is_not_there, "ref-1"),
    (outcome_as_an_entry, "cannot be stored"),
)


@pytest.mark.parametrize(
    ("damage", "named"), TRANSACTION_DAMAGES, ids=[damage.__name__ for damage, _ in TRANSACTION_DAMAGES]
)
def test_each_damage_to_a_transaction_is_found_and_named(damage: Callable[[Json], None], named: str) -> None:
    answer = transaction()
    damage(answer)

    faults = validate(answer)

    assert any(named in fault for fault in faults), faults


def test_an_input_of_the_callers_own_bundle_may_be_named_in_an_answer() -> None:
    answer = bundle()
    input_of_the_caller(answer)

    assert validate(answer) == ()


def test_faults_hold_no_values() -> None:
    answer = bundle()
    closing(answer)["subject"]["reference"] = 17
    closing(answer)["status"] = "Jane Invented"

    faults = validate(answer)

    assert faults
    assert not [fault for fault in faults if "17" in fault or "Jane" in fault]
