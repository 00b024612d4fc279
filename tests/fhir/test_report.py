"""The report: a preliminary document over the results, with an origin of its own."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from typing import Any

import pytest

from answers import resource, resources
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.fhir.writing.supersession import superseded, superseded_by, unmarked
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from recommendations import ALL, RECORDED_S, found, not_reached

Json = dict[str, Any]

PDF = b"%PDF-1.7\nan invented page\n%%EOF\n"
NURSE = "Practitioner/nurse-7"


def written(build: Callable[[], Answer] = found, **more: Any) -> Json:  # noqa: ANN401
    return write_bundle(build(), recorded_s=RECORDED_S, **{"report_pdf": PDF, **more})


def report(bundle: Json) -> Json:
    (one,) = resources(bundle, "DiagnosticReport")
    return one


def provenances(bundle: Json) -> list[Json]:
    return resources(bundle, "Provenance")


def full_urls(bundle: Json) -> dict[str, str]:
    """Kind by full URL, of what has an identifier."""
    named = [(entry["fullUrl"], entry["resource"]) for entry in bundle["entry"]]
    return {url: one["identifier"][0]["value"].partition(":")[2] for url, one in named if "identifier" in one}


def test_without_asking_there_is_no_report() -> None:
    bundle = written(report_pdf=None)

    assert resources(bundle, "DiagnosticReport") == []
    assert len(provenances(bundle)) == 1


@pytest.mark.parametrize("build", ALL.values(), ids=ALL)
def test_every_answer_may_have_a_report_and_is_valid_with_it(build: Callable[[], Answer]) -> None:
    bundle = written(build, enterer=NURSE)

    assert report(bundle)["status"] == "preliminary"
    assert validate(bundle) == ()
    assert validate(as_transaction(bundle, "Patient/invented-1")) == ()


def test_the_page_is_attached_with_its_size_and_digest() -> None:
    (form,) = report(written())["presentedForm"]

    assert base64.b64decode(form["data"]) == PDF
    assert (form["contentType"], form["size"]) == ("application/pdf", len(PDF))
    assert form["hash"] == base64.b64encode(hashlib.sha1(PDF, usedforsecurity=False).digest()).decode()
    assert form["title"]


def test_the_report_names_the_results_and_when_it_was_issued() -> None:
    bundle = written()
    one, kinds = report(bundle), full_urls(bundle)

    assert [kinds[result["reference"]] for result in one["result"]] == [
        "predicted-body-weight",
        "tidal-volume-target",
        "closing-pressure",
        "suggested-peep",
        "compliance-curve",
    ]
    assert one["issued"] == "2023-11-15T00:43:20.250Z"
    assert one["effectivePeriod"] == resource(bundle, "closing-pressure")["effectivePeriod"]
    assert one["subject"] == resource(bundle, "closing-pressure")["subject"]
    assert one["encounter"] == {"reference": "Encounter/9"}


def test_the_report_has_our_code_and_a_category_of_hl7() -> None:
    one = report(written())

    assert one["code"]["coding"][0] == {
        "system": CODE_SYSTEM,
        "code": "peep-trial-report",
        "display": "Report on a PEEP trial",
    }
    assert one["category"][0]["coding"][0]["code"] == "RC"


@pytest.mark.parametrize(("build", "begins"), [(found, "Suggested PEEP 14"), (not_reached, "No PEEP is suggested")])
def test_the_conclusion_is_the_line_with_its_certainty(build: Callable[[], Answer], begins: str) -> None:
    conclusion = report(written(build))["conclusion"]

    assert conclusion.startswith(begins)
    assert conclusion == build().short.line
    assert " %)" in conclusion


def test_the_report_has_a_provenance_of_its_own() -> None:
    bundle = written(enterer=NURSE)
    kinds = full_urls(bundle)

    of_results, of_report = provenances(bundle)

    assert "report" not in [kinds[target["reference"]] for target in of_results["target"]]
    assert [kinds[target["reference"]] for target in of_report["target"]] == ["report"]
    assert [kinds[entity["what"]["reference"]] for entity in of_report["entity"]] == ["guidance"]
    assert of_report["agent"] == of_results["agent"]
    assert of_report["recorded"] == report(bundle)["issued"]
    assert of_report["meta"]["tag"][0]["code"].endswith(":report-provenance")


def test_the_results_are_the_same_with_and_without_a_report() -> None:
    entries, more = written(report_pdf=None)["entry"], written()["entry"]

    assert [entry for entry in more if entry in entries] == entries
    assert len(more) == len(entries) + 2


def test_in_a_transaction_the_report_is_created_once_for_this_patient() -> None:
    transaction: Json = as_transaction(written(), "Patient/invented-1")
    entries = {entry["resource"]["resourceType"]: entry for entry in transaction["entry"]}

    request = entries["DiagnosticReport"]["request"]

    assert request["method"] == "POST"
    assert request["ifNoneExist"].endswith(":report&patient=Patient/invented-1")
    assert entries["DiagnosticReport"]["resource"]["subject"] == {"reference": "Patient/invented-1"}


def test_a_superseded_report_says_so_first_and_can_be_read_as_it_was() -> None:
    one = {**report(written()), "meta": {"versionId": "1"}}

    marked = superseded(one, "f" * 64)

    assert marked["status"] == "cancelled"
    assert str(marked["conclusion"]).startswith("Superseded: a newer answer")
    assert superseded_by(marked) == "f" * 64
    assert {**unmarked(marked), "meta": {}} == {**one, "meta": {}}


@pytest.mark.parametrize(("name", "value"), [("size", 3), ("hash", "AAAA"), ("data", "AAAA")])
def test_an_attachment_that_does_not_fit_its_digest_is_a_fault(name: str, value: object) -> None:
    bundle = written()
    report(bundle)["presentedForm"][0][name] = value

    assert [fault for fault in validate(bundle) if "presentedForm[0]" in fault]
