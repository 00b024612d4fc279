"""What is changed in a real record after an answer was written to it is found when the answer is read back."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from audit.test_signature import PUBLISHED, changed, leaves
from ebbmark.audit.comparison import FindingKind
from ebbmark.audit.signature import Verified, verify
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from live.bedside import Bedside, Stored

pytestmark = pytest.mark.live

Json = dict[str, Any]

NARRATIVE: Json = {
    "status": "generated",
    "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>Suggested PEEP: 22 cmH2O</p></div>',
}


def stored_again(client: httpx.Client, bedside: Bedside, identity: str, kind: str, **changes: object) -> Stored:
    """The answer as the record gives it after somebody changed one of its resources there."""
    resource = one_of(bedside.stored(identity), kind)
    reply = client.put(f"/{resource['resourceType']}/{resource['id']}", json={**resource, **changes})
    assert reply.is_success, reply.text
    return bedside.stored(identity)


def one_of(stored: Stored, kind: str) -> Json:
    (found,) = [one for _, one in stored if one.get("identifier", [{}])[0].get("value", "").endswith(f":{kind}")]
    return found


def paths_found(bedside: Bedside, stored: Stored) -> list[str]:
    outcome = bedside.replayed(stored)
    assert not outcome.same
    return [finding.path for finding in outcome.findings]


def written(bedside: Bedside) -> str:
    answer = bedside.asked()
    assert bedside.recorded(answer, bedside.nurse).there
    return answer.identity


@pytest.mark.parametrize(
    ("kind", "path"), [("suggested-peep", "suggested-peep.text"), ("guidance", "guidance.text.div")]
)
def test_a_narrative_that_someone_puts_in_is_found(
    client: httpx.Client, bedside: Bedside, kind: str, path: str
) -> None:
    stored = stored_again(client, bedside, written(bedside), kind, text=NARRATIVE)

    assert "22 cmH2O" in str(one_of(stored, kind)["text"])
    assert paths_found(bedside, stored) == [path]
    assert verify(stored, PUBLISHED).verified is Verified.BROKEN


@pytest.mark.parametrize(
    ("element", "value", "path"),
    [
        ("note", [{"text": "Use 22 cmH2O."}], "suggested-peep.note[0].text"),
        ("status", "cancelled", "suggested-peep.status"),
        ("effectiveDateTime", "2026-03-01T11:00:00Z", "suggested-peep.effectiveDateTime"),
        ("bodySite", {"text": "elsewhere"}, "suggested-peep.bodySite"),
        ("extension", [{"url": "https://ebbmark.example/more", "valueString": "more"}], "suggested-peep.extension"),
    ],
)
def test_any_element_that_someone_changes_is_found(
    client: httpx.Client, bedside: Bedside, element: str, value: object, path: str
) -> None:
    stored = stored_again(client, bedside, written(bedside), "suggested-peep", **{element: value})

    assert paths_found(bedside, stored) == [path]
    assert verify(stored, PUBLISHED).verified is Verified.BROKEN


def test_a_security_label_that_someone_gives_is_named_and_leaves_the_answer_what_it_was(
    client: httpx.Client, bedside: Bedside
) -> None:
    identity = written(bedside)
    resource = one_of(bedside.stored(identity), "suggested-peep")
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R"}
    asked = {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": {"security": [label]}}]}
    assert client.post(f"/Observation/{resource['id']}/$meta-add", json=asked).is_success

    stored = bedside.stored(identity)
    outcome = bedside.replayed(stored)

    assert (outcome.same, [finding.kind for finding in outcome.findings]) == (True, [FindingKind.LABELLED])
    assert outcome.findings[0].path == "meta.security"
    assert verify(stored, PUBLISHED).verified is Verified.VALID


def test_a_clinician_who_signs_leaves_the_answer_what_it_was_and_its_signature_valid(
    client: httpx.Client, bedside: Bedside
) -> None:
    stored = stored_again(client, bedside, written(bedside), "suggested-peep", status="final")
    outcome = bedside.replayed(stored)

    assert (outcome.same, [finding.kind for finding in outcome.findings]) == (True, [FindingKind.SIGNED])
    assert verify(stored, PUBLISHED).verified is Verified.VALID


def test_every_leaf_that_the_record_gives_back_is_covered(bedside: Bedside) -> None:
    stored = bedside.stored(written(bedside))
    resources = [one for _, one in stored]
    of_the_record = {("meta", "versionId"), ("meta", "lastUpdated"), ("meta", "source"), ("id",)}

    unnoticed = []
    for path in leaves(resources):
        other = [(url, one) for (url, _), one in zip(stored, changed(resources, path), strict=True)]
        try:
            if verify(other, PUBLISHED).verified is Verified.VALID:
                unnoticed.append(path)
        except NotAnAnswer:
            continue

    assert [path for path in unnoticed if path[1:] not in of_the_record] == []
