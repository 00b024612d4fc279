"""AuditEvents: sound FHIR, and nothing of a patient but a reference."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from fhir.resources.R4B.auditevent import AuditEvent
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction, audit_event

AT_S = datetime(2026, 3, 10, 12, 0, 0, 250_000, tzinfo=UTC).timestamp()
CLIENT = Actor("https://issuer.example", "icu-dashboard", "192.0.2.7")
PERSON = Actor("https://record.example/fhir", "ebbmark-page", "192.0.2.7", "Practitioner/1")
WRITTEN = Access(
    AuditAction.WRITTEN, CLIENT, True, "Patient/7", ("Observation/1/_history/1", "Device/2/_history/1"), "ab" * 32
)


def built(access: Access) -> dict[str, Any]:
    event = audit_event(access, recorded_s=AT_S, engine_version="1.2.3")
    through: dict[str, Any] = json.loads(json.dumps(event))
    return through


def entities(event: dict[str, Any], role: str) -> list[dict[str, Any]]:
    return [entity["what"] for entity in event.get("entity", []) if entity["role"]["display"] == role]


@pytest.mark.parametrize("deed", AuditAction)
@pytest.mark.parametrize("actor", [CLIENT, Actor(), Actor(address="::1"), PERSON])
@pytest.mark.parametrize("succeeded", [True, False])
def test_every_event_is_sound_fhir(deed: AuditAction, actor: Actor, succeeded: bool) -> None:
    for access in (
        Access(deed, actor, succeeded),
        Access(deed, actor, succeeded, "Patient/7", ("Observation/1",), "ab" * 32),
    ):
        assert AuditEvent.model_validate(built(access))


@pytest.mark.parametrize(
    ("deed", "action", "interaction"),
    [
        (AuditAction.EVALUATED, "E", "operation"),
        (AuditAction.READ, "R", "search-type"),
        (AuditAction.WRITTEN, "C", "transaction"),
        (AuditAction.SIGNED_IN, "E", "110122"),
        (AuditAction.SIGNED_OUT, "E", "110123"),
    ],
)
def test_an_event_says_what_was_done(deed: AuditAction, action: str, interaction: str) -> None:
    event = built(Access(deed, CLIENT, True))

    assert (event["action"], event["subtype"][0]["code"]) == (action, interaction)


def test_an_event_says_who_asked_and_what_answered() -> None:
    requestor, software = built(WRITTEN)["agent"]

    assert (requestor["requestor"], software["requestor"]) == (True, False)
    assert requestor["who"]["identifier"] == {"system": "https://issuer.example", "value": "icu-dashboard"}
    assert requestor["network"] == {"address": "192.0.2.7", "type": "2"}
    assert software["who"]["identifier"]["value"] == "ebbmark-1.2.3"


def test_an_event_names_the_person_and_the_client_that_acts_for_them() -> None:
    person, client, software = built(Access(AuditAction.SIGNED_IN, PERSON, True))["agent"]

    assert [agent["requestor"] for agent in (person, client, software)] == [True, False, False]
    assert person["who"] == {"reference": "Practitioner/1"}
    assert person["network"] == {"address": "192.0.2.7", "type": "2"}
    assert client["who"]["identifier"] == {"system": "https://record.example/fhir", "value": "ebbmark-page"}


def test_coming_and_leaving_are_user_authentication_and_all_else_is_rest() -> None:
    types = {deed: built(Access(deed, PERSON, True))["type"]["code"] for deed in AuditAction}

    assert {deed for deed, code in types.items() if code == "110114"} == {AuditAction.SIGNED_IN, AuditAction.SIGNED_OUT}
    assert set(types.values()) == {"110114", "rest"}


def test_an_event_says_where_nobody_signed_in() -> None:
    requestor, _ = built(Access(AuditAction.READ, Actor(), True))["agent"]

    assert requestor["who"] == {"display": "A caller who did not sign in"}


def test_an_event_says_when_and_whether_it_worked() -> None:
    worked, failed = built(WRITTEN), built(Access(AuditAction.WRITTEN, CLIENT, False))

    assert worked["recorded"] == "2026-03-10T12:00:00.250Z"
    assert (worked["outcome"], failed["outcome"]) == ("0", "8")


def test_an_event_names_patient_answer_and_resources_by_reference() -> None:
    event = built(WRITTEN)

    assert entities(event, "Patient") == [{"reference": "Patient/7"}]
    assert [entity["identifier"]["value"] for entity in entities(event, "Report")] == ["ab" * 32]
    assert [entity["reference"] for entity in entities(event, "Domain Resource")] == list(WRITTEN.resources)


def test_what_is_left_out_leaves_nothing_behind() -> None:
    assert "entity" not in built(Access(AuditAction.READ, CLIENT, False))


@given(st.text(min_size=1), st.lists(st.text(min_size=1), max_size=5), st.text(), st.text())
def test_an_event_holds_its_references_and_no_two_events_differ_by_chance(
    patient: str, resources: list[str], issuer: str, client: str
) -> None:
    access = Access(AuditAction.READ, Actor(issuer, client), True, patient, tuple(resources))

    event = audit_event(access, recorded_s=AT_S, engine_version="1")

    assert event == audit_event(access, recorded_s=AT_S, engine_version="1")
    assert len(event["entity"]) == 1 + len(resources)  # type: ignore[arg-type]
