"""A report in a real record: written with its answer or after it, valid, replayed, superseded, tampered with."""

from __future__ import annotations

import base64
from typing import Any

import httpx
import pytest

from audit.test_signature import PUBLISHED
from ebbmark.audit.comparison import FindingKind
from ebbmark.audit.signature import Verified, verify
from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.record.write_back import WriteState
from fhir_builders import quantity
from live.bedside import AT_S, Bedside, Stored
from live.record_server import problems, validate_with_server

pytestmark = pytest.mark.live

Json = dict[str, Any]


def report_of(stored: Stored) -> Json:
    (found,) = [one for _, one in stored if one["resourceType"] == "DiagnosticReport"]
    return found


def test_a_report_is_written_is_valid_and_replays(bedside: Bedside, record_base_url: str) -> None:
    answer = bedside.asked()

    outcome = bedside.recorded(answer, bedside.nurse, with_report=True)

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    stored = bedside.stored(answer.identity)
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    for resource in [one for _, one in stored if one["resourceType"] in ("DiagnosticReport", "Provenance")]:
        assert problems(validate_with_server(record_base_url, resource)) == []


def test_the_page_can_be_fetched_from_the_record(bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse, with_report=True)

    (form,) = report_of(bedside.stored(answer.identity))["presentedForm"]

    assert base64.b64decode(form["data"]).startswith(b"%PDF-")
    assert (form["contentType"], form["size"]) == ("application/pdf", len(base64.b64decode(form["data"])))


def test_a_repeat_at_another_time_by_another_person_creates_nothing(bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse, with_report=True)
    before = bedside.stored(answer.identity)

    outcome = bedside.recorded(answer, bedside.doctor, AT_S + 3600.0, with_report=True)

    assert outcome.state is WriteState.ALREADY_THERE
    assert bedside.stored(answer.identity) == before
    assert bedside.replayed(before).findings == ()


def test_a_report_that_somebody_else_asks_for_later_joins_the_answer_and_names_them(bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse)

    # Whoever asks later reads again, and by then our own results are in the record.
    again = bedside.asked()
    outcome = bedside.recorded(again, bedside.doctor, AT_S + 3600.0, with_report=True)

    assert (again.identity, outcome.state) == (answer.identity, WriteState.WRITTEN)
    assert len(again.ignored) > len(answer.ignored)
    stored = bedside.stored(answer.identity)
    people = [one["agent"][1]["who"]["reference"] for _, one in stored if one["resourceType"] == "Provenance"]
    assert people == [bedside.nurse, bedside.doctor]
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID


def test_a_report_is_superseded_along_with_its_answer(bedside: Bedside, record_base_url: str) -> None:
    answer, other = bedside.asked(), bedside.asked(margin={"valueQuantity": quantity(3.0)})
    bedside.recorded(answer, bedside.nurse, with_report=True)
    bedside.recorded(other, bedside.nurse, with_report=True)

    old, new = bedside.stored(answer.identity), bedside.stored(other.identity)

    assert (report_of(old)["status"], superseded_by(report_of(old))) == ("cancelled", other.identity)
    assert report_of(new)["status"] == "preliminary"
    assert problems(validate_with_server(record_base_url, report_of(old))) == []
    outcome = bedside.replayed(old)
    assert (outcome.same, {finding.kind for finding in outcome.findings}) == (True, {FindingKind.SUPERSEDED})


def test_an_exchanged_page_is_found(client: httpx.Client, bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse, with_report=True)
    report = report_of(bedside.stored(answer.identity))
    report["presentedForm"][0]["data"] = base64.b64encode(b"%PDF another page").decode()
    assert client.put(f"/DiagnosticReport/{report['id']}", json=report).is_success

    stored = bedside.stored(answer.identity)

    assert [finding.path for finding in bedside.replayed(stored).findings] == ["report.presentedForm[0].data"]
    assert verify(stored, PUBLISHED).verified is Verified.BROKEN
