"""The answer as one transaction: conditional creates only, references that a record can follow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from answers import elements, resource, resources
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from recommendations import ALL, RECORDED_S, found, indeterminate

Build = Callable[[], Answer]
every_answer = pytest.mark.parametrize("build", ALL.values(), ids=ALL)


def transaction(recommendation: Answer) -> Any:  # noqa: ANN401 - FHIR JSON
    return as_transaction(write_bundle(recommendation, recorded_s=RECORDED_S), "Patient/77")


def from_a_bare_bundle() -> Answer:
    """Patient and inputs known only by the full URLs of the caller's Bundle."""
    recommendation = found()
    request = recommendation.request
    sources = tuple(
        replace_reference(source, f"urn:uuid:00000000-0000-4000-8000-{index:012d}")
        for index, source in enumerate(request.sources)
    )
    subject = "urn:uuid:00000000-0000-4000-8000-0000000000ff"
    return replace(recommendation, request=replace(request, sources=sources, subject=subject))


def replace_reference(source: Any, reference: str) -> Any:  # noqa: ANN401 - a msgspec Struct
    return type(source)(source.path, reference, source.value)


@every_answer
def test_it_is_fit_to_be_written(build: Build) -> None:
    assert validate(transaction(build())) == ()


@every_answer
def test_every_entry_is_a_conditional_create_of_its_own(build: Build) -> None:
    requests = [entry["request"] for entry in transaction(build())["entry"]]

    queries = [request["url"] + "?" + request["ifNoneExist"] for request in requests]
    assert {request["method"] for request in requests} == {"POST"}
    assert len(set(queries)) == len(queries)


@every_answer
def test_a_second_try_asks_for_the_very_same_things(build: Build) -> None:
    first = transaction(build())
    second = as_transaction(write_bundle(build(), recorded_s=RECORDED_S + 60), "Patient/77")

    assert [entry["request"] for entry in first["entry"]] == [
        entry["request"]
        for entry in second["entry"]  # type: ignore[attr-defined]
    ]


def test_results_are_found_again_by_identifier_and_patient() -> None:
    recommendation = found()

    (query,) = [
        entry["request"]["ifNoneExist"]
        for entry in transaction(recommendation)["entry"]
        if "closing-pressure" in entry["request"]["ifNoneExist"]
    ]

    assert query == (
        f"identifier=https://ebbmark.example/fhir/sid/result|{recommendation.identity}:closing-pressure"
        "&patient=Patient/77"
    )


def test_provenance_is_found_again_by_its_tag() -> None:
    recommendation = found()

    last = transaction(recommendation)["entry"][-1]

    assert last["request"] == {
        "method": "POST",
        "url": "Provenance",
        "ifNoneExist": (f"_tag=https://ebbmark.example/fhir/sid/result|{recommendation.identity}:provenance"),
    }


def test_the_outcome_moves_into_the_guidance() -> None:
    bundle = transaction(found())

    (guidance,) = resources(bundle, "GuidanceResponse")
    assert resources(bundle, "OperationOutcome") == []
    assert guidance["evaluationMessage"] == [{"reference": "#outcome"}]
    assert guidance["contained"][0]["resourceType"] == "OperationOutcome"
    assert len(guidance["contained"][0]["issue"]) == 3


def test_the_patient_is_the_one_of_the_record() -> None:
    bundle = transaction(from_a_bare_bundle())

    patients = {
        str(value["reference"])
        for path, value in elements(bundle)
        if path.endswith((".subject", ".patient")) and isinstance(value, dict)
    }
    assert patients == {"Patient/77"}


def test_inputs_that_the_record_cannot_resolve_keep_their_name_as_a_logical_reference() -> None:
    bundle = transaction(from_a_bare_bundle())

    assert resource(bundle, "predicted-body-weight")["derivedFrom"] == [
        {
            "identifier": {
                "system": "urn:ietf:rfc:3986",
                "value": "urn:uuid:00000000-0000-4000-8000-000000000000",
            }
        }
    ]
    assert validate(bundle) == ()


def test_inputs_named_by_place_stay_so() -> None:
    step = resource(transaction(indeterminate()), "step-1")

    assert step["derivedFrom"][0] == {"display": "Bundle.entry[2].resource"}


def test_a_site_may_name_the_device_that_it_keeps() -> None:
    bundle: Any = as_transaction(
        write_bundle(found(), recorded_s=RECORDED_S), "Patient/77", device_reference="Device/5"
    )

    assert resources(bundle, "Device") == []
    assert resource(bundle, "closing-pressure")["device"] == {"reference": "Device/5"}
    assert validate(bundle) == ()


def test_the_answer_to_the_caller_is_left_as_it_was() -> None:
    bundle = write_bundle(found(), recorded_s=RECORDED_S)

    as_transaction(bundle, "Patient/77")

    assert bundle == write_bundle(found(), recorded_s=RECORDED_S)
