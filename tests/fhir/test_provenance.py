"""Provenance and Device: who computed it, from what, under which rules."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from answers import resources
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.write import write_bundle
from recommendations import RECORDED_S, found, identified, indeterminate


def provenance_of(recommendation: Answer) -> dict[str, Any]:
    (provenance,) = resources(write_bundle(recommendation, recorded_s=RECORDED_S), "Provenance")
    return provenance


def test_provenance_covers_every_result_and_nothing_else() -> None:
    bundle: Any = write_bundle(found(), recorded_s=RECORDED_S)

    (provenance,) = resources(bundle, "Provenance")
    results = [
        entry["fullUrl"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] in {"GuidanceResponse", "Observation", "DetectedIssue"}
    ]
    assert [target["reference"] for target in provenance["target"]] == results


def test_every_input_is_named_by_version_as_a_source() -> None:
    recommendation = found()

    entities = provenance_of(recommendation)["entity"]

    named = {entity["what"].get("reference") for entity in entities[:-3]}
    assert named == {source.reference for source in recommendation.request.sources}
    assert all("/_history/" in reference for reference in named)
    assert {entity["role"] for entity in entities} == {"source"}


def test_an_input_without_a_reference_is_named_by_its_place() -> None:
    entities = provenance_of(indeterminate())["entity"]

    assert entities[0]["what"] == {"display": "Bundle.entry[1].resource"}


def test_protocol_version_and_input_digest_are_named() -> None:
    recommendation = found()

    protocol, digest, _ = provenance_of(recommendation)["entity"][-3:]

    assert protocol["what"]["identifier"]["value"] == "compliance-closing|1"
    assert digest["what"]["identifier"]["value"] == recommendation.input_digest


def test_the_software_version_is_the_agent() -> None:
    bundle: Any = write_bundle(found(), recorded_s=RECORDED_S)

    (provenance,), (device,) = resources(bundle, "Provenance"), resources(bundle, "Device")
    at = next(entry["fullUrl"] for entry in bundle["entry"] if entry["resource"] is device)
    assert device["version"] == [{"value": "0.6.0"}]
    assert provenance["agent"][0]["who"] == {"reference": at}
    assert provenance["agent"][0]["type"]["coding"][0]["code"] == "assembler"


def test_it_was_recorded_when_the_caller_says() -> None:
    assert provenance_of(found())["recorded"] == "2023-11-15T00:43:20.250Z"  # 1 700 009 000.25 s after 1970


def test_a_tag_lets_a_second_try_find_it_again() -> None:
    recommendation = found()

    (tag,) = provenance_of(recommendation)["meta"]["tag"]

    assert tag["code"] == f"{recommendation.identity}:provenance"


def test_a_patient_whose_version_is_known_is_named_by_it() -> None:
    recommendation = found()
    person = replace(recommendation.request.known_person, version="Patient/invented-1/_history/7")
    named = identified(replace(recommendation, request=replace(recommendation.request, person=person)))

    whats = [entity["what"].get("reference") for entity in provenance_of(named)["entity"]]

    assert whats.count("Patient/invented-1/_history/7") == 1
    assert len(whats) == len(provenance_of(recommendation)["entity"]) + 1
