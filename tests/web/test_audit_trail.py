"""Each read, write and evaluation leaves one event, in the log stream or in the record."""

from __future__ import annotations

import asyncio
import json
import logging
from typing import Any

import httpx
import pytest
import respx
from fhir.resources.R4B.auditevent import AuditEvent
from starlette.types import ASGIApp

from bedside_builders import condition, row, stamp
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.audit_trail import AuditTrail
from fhir_builders import at, height, parameters, patient, to_bytes, trial_bundle, trial_observations
from record.keeping_record import KeepingRecord
from record.searchable_record import SearchableRecord
from web.asking import ask, plain_app

TRIAL = to_bytes(trial_bundle())
WRITE = to_bytes(parameters(bundle=trial_bundle(), write_back=True))
RECORD = "https://record.example/fhir"
PATIENT = {"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}
NOW = [row(stamp(40), "settings", peep_set=10.0, fio2=60.0), row(stamp(45), "gas", pao2=70.0)]
ASKS_FOR_P1 = {"resourceType": "Parameters", "parameter": [PATIENT]}


def with_record(**settings: object) -> ASGIApp:
    return create_app(Settings.model_validate({"record_base_url": RECORD, "record_longest_wait_s": 0, **settings}))


def record(request: httpx.Request) -> httpx.Response:
    """A record that has nothing, takes everything, and keeps AuditEvents."""
    if request.method == "GET":
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset", "total": 0})
    if request.url.path.endswith("/AuditEvent"):
        return httpx.Response(201)
    entries = [
        {"response": {"status": "201 Created", "location": f"{entry['resource']['resourceType']}/{number}/_history/1"}}
        for number, entry in enumerate(json.loads(request.content)["entry"])
    ]
    return httpx.Response(200, json={"resourceType": "Bundle", "type": "transaction-response", "entry": entries})


def lines(caplog: pytest.LogCaptureFixture) -> list[dict[str, Any]]:
    events = [json.loads(one.getMessage()) for one in caplog.records if one.name == "ebbmark.audit"]
    assert all(AuditEvent.model_validate(event) for event in events)
    return events


def references(event: dict[str, Any], role: str) -> list[str]:
    return [one["what"]["reference"] for one in event.get("entity", []) if one["role"]["display"] == role]


@pytest.fixture(autouse=True)
def _listening(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, logger="ebbmark.audit")


def test_an_evaluation_leaves_one_line(caplog: pytest.LogCaptureFixture) -> None:
    reply = ask(plain_app(), TRIAL)

    (event,) = lines(caplog)
    assert (event["action"], event["outcome"]) == ("E", "0")
    (identity,) = [one["what"]["identifier"]["value"] for one in event["entity"]]
    assert identity in reply.body.decode()


def test_a_line_is_one_line(caplog: pytest.LogCaptureFixture) -> None:
    ask(plain_app(), TRIAL)

    (line,) = [one.getMessage() for one in caplog.records if one.name == "ebbmark.audit"]
    assert "\n" not in line


def test_a_request_that_was_refused_leaves_none(caplog: pytest.LogCaptureFixture) -> None:
    ask(plain_app(), b"{}")

    assert lines(caplog) == []


def test_a_write_leaves_one_line_that_names_what_was_written(caplog: pytest.LogCaptureFixture) -> None:
    with respx.mock(assert_all_called=False) as router:
        KeepingRecord().attach(router)
        reply = ask(with_record(), WRITE)

    (event,) = [line for line in lines(caplog) if line["action"] == "C"]
    assert reply.headers["ebbmark-write-back"] == "written"
    assert event["outcome"] == "0"
    assert {"Observation", "Provenance", "Device"} <= {
        reference.split("/")[0] for reference in references(event, "Domain Resource")
    }


def test_a_write_that_failed_leaves_a_line_that_says_so(caplog: pytest.LogCaptureFixture) -> None:
    with respx.mock(assert_all_called=False) as router:
        router.route(host="record.example").respond(422)
        ask(with_record(), WRITE)

    (event,) = [line for line in lines(caplog) if line["action"] == "C"]
    assert event["outcome"] == "8"
    assert references(event, "Domain Resource") == []


def test_the_log_stream_does_not_name_the_patient_unless_told_to(caplog: pytest.LogCaptureFixture) -> None:
    ask(plain_app(), TRIAL)
    ask(create_app(Settings(audit_names_patient=True)), TRIAL)

    unnamed, named = lines(caplog)
    assert "Patient" not in json.dumps(unnamed)
    assert [reference.split("/")[0] for reference in references(named, "Patient")] == ["Patient"]


def test_events_may_go_into_the_record_with_the_patient(caplog: pytest.LogCaptureFixture) -> None:
    with respx.mock(assert_all_called=False) as router:
        route = router.route(host="record.example").mock(side_effect=record)
        ask(with_record(audit_to="record"), TRIAL)

    (call,) = route.calls
    event = json.loads(call.request.content)
    assert str(call.request.url) == f"{RECORD}/AuditEvent"
    assert AuditEvent.model_validate(event)
    assert len(references(event, "Patient")) == 1
    assert lines(caplog) == []


@pytest.mark.parametrize("reply", [httpx.Response(500), httpx.Response(403), httpx.ConnectError("no")])
def test_an_event_that_the_record_does_not_take_is_not_lost(
    reply: httpx.Response | httpx.ConnectError, caplog: pytest.LogCaptureFixture
) -> None:
    with respx.mock() as router:
        router.route(host="record.example").mock(side_effect=[reply])
        answer = ask(with_record(audit_to="record"), TRIAL)

    (event,) = lines(caplog)
    assert answer.status == 200
    assert "Patient" not in json.dumps(event)
    assert [one.getMessage() for one in caplog.records if one.name == "ebbmark"] == [
        "the record did not take an AuditEvent; it is in the log stream"
    ]


def test_an_event_that_the_record_takes_too_long_over_is_not_lost_and_nobody_waits(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def noted() -> None:
        async with RecordClient(RecordSettings(RECORD, (RECORD,))) as never:
            await AuditTrail(lambda: 0.0, never, deadline_s=0.01).note(Access(AuditAction.EVALUATED, Actor(), True))

    async def hangs(_: httpx.Request) -> httpx.Response:
        await asyncio.Event().wait()
        raise AssertionError

    with respx.mock as router:
        router.route(host="record.example").mock(side_effect=hangs)
        asyncio.run(noted())

    assert len(lines(caplog)) == 1


def test_a_read_from_the_record_that_failed_leaves_a_line(caplog: pytest.LogCaptureFixture) -> None:
    with respx.mock(assert_all_called=False) as router:
        router.route(host="record.example").respond(404)
        reply = ask(with_record(), to_bytes(ASKS_FOR_P1))

    assert reply.status >= 400
    assert [(line["action"], line["outcome"]) for line in lines(caplog)] == [("R", "8")]


def test_a_read_from_the_record_leaves_a_line_that_names_what_was_read(caplog: pytest.LogCaptureFixture) -> None:
    held = SearchableRecord([patient(), height(), *trial_observations()])
    with respx.mock(assert_all_called=False) as router:
        held.attach(router)
        period = {"name": "period", "valuePeriod": {"start": at(-60), "end": at(90)}}
        reply = ask(with_record(), to_bytes({**ASKS_FOR_P1, "parameter": [PATIENT, period]}))

    read, evaluated = lines(caplog)
    assert reply.status == 200
    assert (read["action"], evaluated["action"]) == ("R", "E")
    assert {reference.split("/")[0] for reference in references(read, "Domain Resource")} == {"Observation"}
    assert references(evaluated, "Domain Resource") == []


def test_a_question_about_a_patient_of_the_record_leaves_a_line_that_names_what_was_read(
    caplog: pytest.LogCaptureFixture,
) -> None:
    held = SearchableRecord([patient(), height(), *NOW, condition("shock", "R57.1")])
    named = to_bytes({**ASKS_FOR_P1, "parameter": [PATIENT, {"name": "as-of", "valueInstant": stamp(60)}]})
    with respx.mock(assert_all_called=False) as router:
        held.attach(router)
        reply = ask(with_record(), named, path="/fhir/$assess-candidate")

    read, evaluated = lines(caplog)
    assert reply.status == 200
    assert (read["action"], evaluated["action"]) == ("R", "E")
    assert "Condition/shock/_history/1" in references(read, "Domain Resource")
    assert read["entity"][0]["what"] == evaluated["entity"][0]["what"]


def test_a_question_about_a_patient_who_could_not_be_read_leaves_a_line(caplog: pytest.LogCaptureFixture) -> None:
    with respx.mock(assert_all_called=False) as router:
        router.route(host="record.example").respond(404)
        reply = ask(with_record(), to_bytes(ASKS_FOR_P1), path="/fhir/$next-step")

    assert reply.status == 422
    assert [(line["action"], line["outcome"]) for line in lines(caplog)] == [("R", "8")]
