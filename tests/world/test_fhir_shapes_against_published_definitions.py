"""Everything that leaves, against FHIR R4 4.0.1 as HL7 publishes it (CC0).

Elements, cardinalities, reference targets and invariants from the StructureDefinitions 4.0.1; types, formats and
required codes from the official JSON schema of 4.0. Both extracts are in `data/`, made by `data/extract_r4.py`. The
second half damages good answers to show that these checks can fail.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from answers import resource, resources
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.codesystem import code_system
from ebbmark.fhir.definitions import capability_statement, definition_of
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle
from recommendations import ALL, RECORDED_S, found
from world.published_definitions import against_definitions, against_schema

Json = dict[str, Any]


def answer() -> Json:
    return copy.deepcopy(write_bundle(found(), recorded_s=RECORDED_S))


def transaction() -> Json:
    return as_transaction(answer(), "Patient/77")


@pytest.mark.parametrize("build", ALL.values(), ids=ALL)
def test_every_answer_fits_the_published_definitions(build: Callable[[], Answer]) -> None:
    bundle = write_bundle(build(), recorded_s=RECORDED_S)

    assert against_schema(bundle) == []
    assert against_definitions(bundle) == []


@pytest.mark.parametrize("build", ALL.values(), ids=ALL)
def test_every_transaction_fits_the_published_definitions(build: Callable[[], Answer]) -> None:
    bundle = as_transaction(write_bundle(build(), recorded_s=RECORDED_S), "Patient/77")

    assert against_schema(bundle) == []
    assert against_definitions(bundle) == []


def test_operation_and_code_system_fit_the_published_definitions() -> None:
    for definition in (definition_of(TITRATE_PEEP), code_system()):
        assert against_schema(definition) == []
        assert against_definitions(definition) == []


def test_the_capability_statement_fits_the_published_definitions() -> None:
    statement = capability_statement(base_url="https://decision.example/fhir")

    assert against_definitions(statement) == []
    # The schema is of 4.0.0; the technical correction 4.0.1 is not in its list of versions.
    assert against_schema({**statement, "fhirVersion": "4.0.0"}) == []


def closing(bundle: Json) -> Json:
    return resource(bundle, "closing-pressure")


def value_beside_its_absence(bundle: Json) -> None:
    closing(bundle)["dataAbsentReason"] = {"text": "unknown"}


def component_with_the_code_of_the_whole(bundle: Json) -> None:
    closing(bundle)["component"][1]["code"] = closing(bundle)["code"]


def unit_code_without_system(bundle: Json) -> None:
    del closing(bundle)["component"][1]["valueQuantity"]["system"]


def period_that_ends_before_it_starts(bundle: Json) -> None:
    closing(bundle)["effectivePeriod"]["end"] = "2001-01-01T00:00:00Z"


def request_in_a_collection(bundle: Json) -> None:
    bundle["entry"][0]["request"] = {"method": "POST", "url": "GuidanceResponse"}


def full_url_twice(bundle: Json) -> None:
    bundle["entry"][1]["fullUrl"] = bundle["entry"][2]["fullUrl"]


def full_url_of_a_version(bundle: Json) -> None:
    bundle["entry"][-1]["fullUrl"] = "https://record.example/Observation/1/_history/2"


def component_without_code(bundle: Json) -> None:
    del closing(bundle)["component"][0]["code"]


def provenance_without_target(bundle: Json) -> None:
    del resources(bundle, "Provenance")[0]["target"]


def empty_list(bundle: Json) -> None:
    closing(bundle)["hasMember"] = []


def unknown_element(bundle: Json) -> None:
    closing(bundle)["triggeredBy"] = [{"type": "re-run"}]  # an element of R5


def subject_of_an_issue(bundle: Json) -> None:
    issue = resources(bundle, "DetectedIssue")[0]
    issue["subject"] = issue.pop("patient")  # the spelling of R5


def derived_from_a_patient(bundle: Json) -> None:
    closing(bundle)["derivedFrom"] = [{"reference": "Patient/77"}]


def result_as_the_outcome(bundle: Json) -> None:
    resources(bundle, "GuidanceResponse")[0]["evaluationMessage"][0]["reference"] = bundle["entry"][1]["fullUrl"]


BROKEN_RULES: tuple[tuple[Callable[[Json], None], str], ...] = (
    (value_beside_its_absence, "Observation: obs-6"),
    (component_with_the_code_of_the_whole, "Observation: obs-7"),
    (unit_code_without_system, "Quantity: qty-3"),
    (period_that_ends_before_it_starts, "Period: per-1"),
    (request_in_a_collection, "bdl-3"),
    (full_url_twice, "bdl-7"),
    (full_url_of_a_version, "bdl-8"),
    (component_without_code, "Observation.component.code: 0 times"),
    (provenance_without_target, "Provenance.target: 0 times"),
    (empty_list, "Observation.hasMember: empty"),
    (unknown_element, "Observation.triggeredBy: unknown element"),
    (subject_of_an_issue, "DetectedIssue.subject: unknown element"),
    (derived_from_a_patient, "Observation.derivedFrom: refers to Patient"),
    (result_as_the_outcome, "GuidanceResponse.evaluationMessage: refers to Observation"),
)


@pytest.mark.parametrize(("damage", "rule"), BROKEN_RULES, ids=[damage.__name__ for damage, _ in BROKEN_RULES])
def test_the_definitions_notice(damage: Callable[[Json], None], rule: str) -> None:
    bundle = answer()
    damage(bundle)

    faults = against_definitions(bundle)

    assert any(rule in fault for fault in faults), faults


def contained_that_nothing_refers_to(bundle: Json) -> None:
    resources(bundle, "GuidanceResponse")[0]["contained"].append({**resources(answer(), "Device")[0], "id": "unused"})


def reference_to_nothing_contained(bundle: Json) -> None:
    resources(bundle, "GuidanceResponse")[0]["evaluationMessage"][0]["reference"] = "#other"


def missing_request(bundle: Json) -> None:
    del bundle["entry"][2]["request"]


@pytest.mark.parametrize(
    ("damage", "rule"),
    [
        (contained_that_nothing_refers_to, "dom-3"),
        (reference_to_nothing_contained, "ref-1"),
        (missing_request, "bdl-3"),
    ],
)
def test_the_definitions_notice_in_a_transaction(damage: Callable[[Json], None], rule: str) -> None:
    bundle = transaction()
    damage(bundle)

    faults = against_definitions(bundle)

    assert any(rule in fault for fault in faults), faults


def invented_status(bundle: Json) -> None:
    closing(bundle)["status"] = "provisional"


def number_as_text(bundle: Json) -> None:
    closing(bundle)["valueQuantity"]["value"] = "12.0"


def time_without_zone(bundle: Json) -> None:
    resource(bundle, "suggested-peep")["effectiveDateTime"] = "2023-11-14T22:27:10"


def invented_severity(bundle: Json) -> None:
    resources(bundle, "DetectedIssue")[0]["severity"] = "fatal"


@pytest.mark.parametrize("damage", [invented_status, number_as_text, time_without_zone, invented_severity])
def test_the_schema_notices(damage: Callable[[Json], None]) -> None:
    bundle = answer()
    damage(bundle)

    assert against_schema(bundle) != []
