"""No body under the limit of size costs more than its size: what is repeated beyond reason is refused by its place."""

from __future__ import annotations

from typing import Any

import pytest

from ebbmark.fhir.operations import OPERATIONS, TITRATE_PEEP
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import RequestContext
from fhir_builders import (
    Json,
    at,
    bundle,
    height,
    observation,
    panel,
    parameters,
    patient,
    to_bytes,
    trial_observations,
)

NOW_S = 1772355600.0 + 86400.0
PEEP = {"system": "http://loinc.org", "code": "20077-4"}
BIRTH_SEX = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-birthsex"
MANY = [{"system": "urn:a", "value": str(one)} for one in range(20)]
NEXT_STEP = next(one for one in OPERATIONS if one.slug == "next-step")


def step(**more: Any) -> Json:  # noqa: ANN401
    return observation("peep-set", 10.0, when=at(50)) | more


def refused(*resources: Any, who: Json | None = None) -> tuple[Problem, ...]:  # noqa: ANN401
    body = to_bytes(bundle(who or patient(), height(), *trial_observations(), *resources))
    with pytest.raises(Rejected) as found:
        read_request(TITRATE_PEEP, body, RequestContext(NOW_S))
    return found.value.problems


@pytest.mark.parametrize(
    ("resource", "path"),
    [
        (step(code={"coding": [PEEP] * 21}), "code.coding"),
        (step(identifier=[{"value": str(one)} for one in range(21)]), "identifier"),
        (panel({"peep-set": 10.0}, when=at(50)) | {"component": [{"code": {}}] * 201}, "component"),
        (step(contained=[{}] * 21), "contained"),
        (
            panel({"peep-set": 10.0}, when=at(50)) | {"component": [{"code": {"coding": [PEEP] * 21}}]},
            "component[0].code.coding",
        ),
    ],
)
def test_an_element_that_is_repeated_beyond_reason_is_refused_by_its_place(resource: Json, path: str) -> None:
    (problem,) = refused(resource)

    assert problem.kind is ProblemKind.TOO_MANY_ENTRIES
    assert problem.expression.endswith(f"].resource.{path}")
    assert "at most" in problem.sentence


@pytest.mark.parametrize("element", ["extension", "identifier"])
def test_the_same_holds_for_the_patient(element: str) -> None:
    many = {"extension": [{"url": BIRTH_SEX, "valueCode": "F"}] * 101, "identifier": [{"value": "1"}] * 21}

    (problem,) = refused(who=patient() | {element: many[element]})

    assert problem.kind is ProblemKind.TOO_MANY_ENTRIES
    assert problem.expression == f"Bundle.entry[0].resource.{element}"


def test_as_many_as_are_allowed_are_read() -> None:
    body = to_bytes(
        bundle(
            patient(),
            height(),
            *trial_observations(),
            step(
                identifier=[{"system": "urn:a", "value": str(one)} for one in range(20)], code={"coding": [PEEP] * 20}
            ),
        )
    )

    assert read_request(TITRATE_PEEP, body, RequestContext(NOW_S)).readings[-1].value == 10.0


def test_no_more_than_a_hundred_faults_of_the_shape_are_told() -> None:
    with pytest.raises(Rejected) as found:
        read_request(
            TITRATE_PEEP,
            to_bytes({"resourceType": "Bundle", "type": "collection", "entry": [1] * 5_000}),
            RequestContext(NOW_S),
        )

    assert len(found.value.problems) == 100


def test_statements_of_the_sex_that_disagree_are_told_in_a_bounded_text() -> None:
    extensions = [{"url": BIRTH_SEX, "valueCode": "MF"[one % 2]} for one in range(100)]

    problems = refused(who=patient(gender=None) | {"extension": extensions})

    assert {problem.kind for problem in problems} == {ProblemKind.SEX_CONFLICT}
    assert max(len(problem.sentence) for problem in problems) < 1_000


@pytest.mark.parametrize("operation", [TITRATE_PEEP, NEXT_STEP])
@pytest.mark.parametrize(
    "odd",
    [
        {"valueInteger": int("9" * 310)},
        {"valueString": " " * 100_000},
        {"valueString": "1" * 100_000},
        {"valueString": "<" * 100_000},
    ],
)
def test_no_number_in_another_place_is_a_fault(odd: Json, operation: Any) -> None:  # noqa: ANN401
    saturation = observation("http://loinc.org|59408-5", 90.0, when=at(50))
    del saturation["valueQuantity"]

    body = to_bytes(bundle(patient(), height(), *trial_observations(), saturation | odd))

    assert read_request(operation, body, RequestContext(NOW_S)).ignored


@pytest.mark.parametrize(
    "text", ["9999-12-31T23:59:59-14:00", "9999-12-31T23:59:59+14:00", "0001-01-01T00:00:00+14:00"]
)
def test_an_instant_at_the_ends_of_the_calendar_is_a_refusal_and_no_fault(text: str) -> None:
    trial = bundle(patient(), height(), *trial_observations())
    for name in ("as_of", "trial_started"):
        with pytest.raises(Rejected):
            read_request(NEXT_STEP, to_bytes(parameters(bundle=trial, **{name: text})), RequestContext(NOW_S))
