"""What of a record's refusal reaches a caller, and what a protected file only."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest
import respx
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import ELEMENTS, Reply, named_by, unusable_log
from ebbmark.settings import Misconfigured, Settings
from ebbmark.web.app import create_app

BASE = "https://record.example/fhir"
MESSAGES = "http://terminology.hl7.org/CodeSystem/operation-outcome"
NAME = "Hazel"


def told(*issues: dict[str, object]) -> str:
    outcome = {"resourceType": "OperationOutcome", "issue": [{"code": "required", **issue} for issue in issues]}
    return named_by(Reply(422, body=json.dumps(outcome).encode()), ["GuidanceResponse"])


def test_paths_of_elements_and_message_codes_are_told() -> None:
    issue: dict[str, object] = {
        "expression": ["Observation.performer[0]", "Bundle.entry[12].resource.ofType(Observation).value[x]"],
        "details": {"coding": [{"system": MESSAGES, "code": "MSG_PARAM_UNKNOWN"}]},
    }

    assert told(issue) == (
        ", issue required, MSG_PARAM_UNKNOWN, Observation.performer[0], "
        "Bundle.entry[12].resource.ofType(Observation).value[x]"
    )


def test_a_location_counts_where_it_is_a_path() -> None:
    assert told({"location": ["Observation.code", "/f:Bundle/f:entry", "Line[1] Col[20]"]}) == (
        ", issue required, Observation.code"
    )


@pytest.mark.parametrize(
    "issue",
    [
        {"diagnostics": f"the patient {NAME} has no bed"},
        {"expression": [f"Patient.{NAME}"]},
        {"expression": [f"Observation.where(subject='{NAME}')"]},
        {"expression": ["Patient.identifier[4711000]"]},
        {"expression": [f"Observation.code\n{NAME}"]},
        {"expression": f"Observation.{NAME}"},
        {"expression": [["Observation.code", NAME]]},
        {"expression": [{"x": NAME}]},
        {"details": {"text": NAME, "coding": NAME}},
        {"details": {"coding": [{"system": "https://record.example/codes", "code": f"MSG_{NAME.upper()}"}]}},
        {"details": {"coding": [{"system": MESSAGES, "code": NAME, "display": NAME}]}},
        {"details": {"coding": [{"system": [MESSAGES], "code": "MSG_X"}]}},
        {"details": {"coding": [{"system": MESSAGES, "code": ["MSG_PARAM_UNKNOWN"]}, NAME, None]}},
    ],
)
def test_whatever_else_it_says_is_not_told(issue: dict[str, object]) -> None:
    assert told(issue) == ", issue required"


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=20),
    lambda some: st.lists(some, max_size=3) | st.dictionaries(st.sampled_from(["coding", "system", "code", "x"]), some),
    max_leaves=8,
)


@given(JSON, JSON, JSON)
def test_nothing_in_a_refusal_breaks_the_reading_of_it(expression: object, location: object, details: object) -> None:
    assert told({"expression": expression, "location": location, "details": details}).startswith(", issue required")


def test_many_paths_are_cut_to_three() -> None:
    assert told({"expression": [f"Bundle.entry[{n}]" for n in range(9)]}).count("Bundle.entry") == 3


def test_every_element_is_one_of_fhir() -> None:
    """fhir.resources, an independent R4B model; every type that is written, and what stands in it."""
    types = (
        "Device Observation ObservationComponent GuidanceResponse DetectedIssue DetectedIssueEvidence "
        "DiagnosticReport Provenance ProvenanceAgent ProvenanceEntity List ListEntry CarePlan CarePlanActivity "
        "RequestGroup RequestGroupAction DeviceRequest DeviceRequestParameter Bundle BundleEntry BundleEntryRequest "
        "DocumentReference DocumentReferenceContent Meta CodeableConcept Coding Reference Identifier Quantity Period "
        "Range Extension Annotation Attachment Narrative Signature"
    )
    known = {name for one in types.split() for name in get_fhir_model_class(one).elements_sequence()}

    # The choice itself, as FHIRPath writes it.
    assert known | {"value"} >= ELEMENTS


async def refused(log: Path | None, router: respx.MockRouter, body: str) -> None:
    router.get(f"{BASE}/Observation").respond(422, text=body)
    settings = RecordSettings(base_url=BASE, allowed_base_urls=(BASE,), refusal_log=log)
    async with RecordClient(settings) as record:
        await record.send("GET", f"Observation?patient={NAME}")


@pytest.mark.anyio
async def test_the_protected_file_has_its_own_words_one_line_each_and_not_what_was_asked(
    router: respx.MockRouter, tmp_path: Path
) -> None:
    log = tmp_path / "refusals"
    said = 'the first\nline "of" two'

    await refused(log, router, said)
    await refused(log, router, "x" * 50_000)

    first, second = (json.loads(line) for line in log.read_text().splitlines())
    assert stat.S_IMODE(log.stat().st_mode) == 0o600
    assert {**first, "at": ""} == {"at": "", "method": "GET", "asked": "Observation", "status": 422, "said": said}
    assert second["said"] == "x" * 20_000


@pytest.mark.anyio
async def test_a_file_that_others_may_read_gets_nothing(router: respx.MockRouter, tmp_path: Path) -> None:
    log = tmp_path / "refusals"
    log.touch(mode=0o644)

    await refused(log, router, "a word")

    assert log.read_text() == ""


def test_a_service_does_not_start_with_a_file_that_is_not_protected(tmp_path: Path) -> None:
    readable, pipe, link = (tmp_path / name for name in ("readable", "pipe", "link"))
    readable.touch(mode=0o644)
    os.mkfifo(pipe, 0o600)
    link.symlink_to(tmp_path / "elsewhere")

    assert [unusable_log(one) is None for one in (readable, pipe, link, tmp_path / "none" / "file")] == [False] * 4
    with pytest.raises(Misconfigured, match=r"EBBMARK_RECORD_REFUSAL_LOG.*mode 600"):
        create_app(Settings(record_base_url=BASE, record_refusal_log=readable))
