"""A person records an answer in a real record: named in its Provenance, once, and found again by a replay."""

from __future__ import annotations

from typing import Any

import pytest

from audit.test_signature import PUBLISHED
from ebbmark.audit.comparison import FindingKind
from ebbmark.audit.signature import Verified, verify
from ebbmark.record.write_back import WriteState
from fhir_builders import patient
from live.bedside import AT_S, Bedside, Stored
from live.record_server import problems, validate_with_server

pytestmark = pytest.mark.live

Json = dict[str, Any]


def provenance_of(stored: Stored) -> Json:
    (found,) = [one for _, one in stored if one["resourceType"] == "Provenance"]
    return found


def test_who_records_is_named_and_the_answer_replays_with_a_valid_signature(
    bedside: Bedside, record_base_url: str
) -> None:
    answer = bedside.asked()

    outcome = bedside.recorded(answer, f"{record_base_url}/{bedside.nurse}")

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    stored = bedside.stored(answer.identity)
    assert [one["who"] for one in provenance_of(stored)["agent"]][1] == {"reference": bedside.nurse}
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    assert problems(validate_with_server(record_base_url, provenance_of(stored))) == []


def test_a_person_of_another_system_is_named_without_a_reference_that_leads_nowhere(
    bedside: Bedside, record_base_url: str
) -> None:
    answer = bedside.asked()

    outcome = bedside.recorded(answer, "https://elsewhere.example/fhir/Practitioner/9")

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    stored = bedside.stored(answer.identity)
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    assert problems(validate_with_server(record_base_url, provenance_of(stored))) == []


def test_a_repeat_by_another_person_leaves_the_record_as_it_was(bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse)
    before = bedside.stored(answer.identity)

    outcome = bedside.recorded(answer, bedside.doctor, AT_S + 600.0)

    assert outcome.state is WriteState.ALREADY_THERE
    assert bedside.stored(answer.identity) == before


def test_a_person_whom_the_record_does_not_know_is_refused_by_it_and_the_answer_is_kept(bedside: Bedside) -> None:
    outcome = bedside.recorded(bedside.asked(), f"Practitioner/{bedside.prefix}-nobody")

    assert (outcome.state, outcome.there) == (WriteState.FAILED, False)
    assert "Nothing was written" in outcome.sentence
    assert outcome.answer["entry"]


def test_the_patient_is_named_in_the_version_that_was_read_and_replayed_in_it(bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse)
    bedside.put({**patient(born="1950-01-01"), "gender": "male"})

    stored = bedside.stored(answer.identity)
    outcome = bedside.replayed(stored)

    whats = [one["what"].get("reference") for one in provenance_of(stored)["entity"]]
    assert f"{bedside.patient}/_history/1" in whats
    assert (outcome.same, [finding.kind for finding in outcome.findings]) == (True, [FindingKind.INPUT_AMENDED])
    assert outcome.findings[0].path == f"{bedside.patient}/_history/1"
