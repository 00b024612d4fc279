"""What operators see of requests: counts, traces and spans by route, verdict and reason, and nothing of a patient."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx
from fastapi import FastAPI
from prometheus_client import generate_latest
from prometheus_client.parser import text_string_to_metric_families
from starlette.types import ASGIApp

from ebbmark.record.client import Exchange
from ebbmark.record.connection import Patience
from ebbmark.settings import Settings
from ebbmark.telemetry.logs import JsonLines
from ebbmark.telemetry.measured import Meters, Span, TraceContext, Watch, in_scene
from ebbmark.web.app import create_app
from ebbmark.web.boundary import Telemetry
from fhir_builders import parameters, to_bytes, trial_bundle
from record.keeping_record import KeepingRecord
from web.asking import FHIR, ask
from web.test_audit_trail import RECORD
from web.test_write_back import holds_nothing

FIXTURES = Path(__file__).parents[2] / "fixtures"
TRACE = "12345678901234567890123456789012"
FROM_CALLER = {**FHIR, "traceparent": f"00-{TRACE}-1234567890123456-01"}
TRIAL = to_bytes(trial_bundle())
WRITE = to_bytes(parameters(bundle=trial_bundle(), write_back=True))


def counting(**settings: object) -> FastAPI:
    return create_app(Settings.model_validate({"metrics_port": 0, **settings}))


def with_record(**settings: object) -> FastAPI:
    return counting(record_base_url=RECORD, record_longest_wait_s=60, **settings)


def counts(app: FastAPI) -> dict[tuple[str, ...], float]:
    """Every sample of ours by name and label values, read by the library's own parser."""
    meters: Meters = app.state.meters
    text = generate_latest(meters.registry).decode()
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name.startswith("ebbmark_") and not sample.name.endswith("_bucket")
    }


def spans_of(app: ASGIApp, body: bytes, headers: dict[str, str]) -> list[Span]:
    """What one request leaves behind with a recorder of spans around the application."""
    kept: list[Span] = []
    numbers = iter(range(1, 1_000))
    watch = Watch(lambda size: f"{next(numbers):0{2 * size}x}", lambda: 5, lambda: 0.0, keep=kept.append)
    ask(Telemetry(app, watch), body, headers=headers)
    return kept


def test_a_request_is_counted_by_route_method_and_status() -> None:
    app = counting()

    ask(app, TRIAL)
    ask(app, b"{}")
    ask(app, method="GET", path="/fhir/Patient/somebody-by-name")

    found = counts(app)
    assert found["ebbmark_requests_total", "POST", "/fhir/$titrate-peep", "200"] == 1
    assert found["ebbmark_requests_total", "POST", "/fhir/$titrate-peep", "400"] == 1
    assert found["ebbmark_requests_total", "GET", "other", "404"] == 1
    assert found["ebbmark_request_duration_seconds_count", "/fhir/$titrate-peep"] == 2
    assert found["ebbmark_requests_in_flight",] == 0


def test_answers_are_counted_by_verdict_and_refusals_by_reason() -> None:
    app = counting()

    for name in ("clear-closing", "clear-closing", "never-reached"):
        ask(app, (FIXTURES / name / "request.json").read_bytes())
    ask(app, b"not json")

    found = counts(app)
    assert found["ebbmark_answers_total", "titrate-peep", "found"] == 2
    assert found["ebbmark_answers_total", "titrate-peep", "not-reached"] == 1
    assert found["ebbmark_refusals_total", "not-json"] == 1


def test_calls_of_the_record_and_write_backs_are_counted_by_what_became_of_them() -> None:
    app = with_record()
    with respx.mock(assert_all_called=False) as router:
        KeepingRecord().attach(router)
        ask(app, WRITE)

    found = counts(app)
    assert found["ebbmark_write_backs_total", "written"] == 1
    assert found["ebbmark_outgoing_calls_total", "record.example", "POST", "200"] >= 1
    assert found["ebbmark_outgoing_calls_total", "record.example", "GET", "200"] >= 1
    assert found["ebbmark_outgoing_calls_in_flight",] == 0
    assert found["ebbmark_record_connections", "busy"] == 0


def test_a_call_made_once_more_is_counted_by_what_the_last_one_brought() -> None:
    app, replies = with_record(record_attempts=2), iter([httpx.Response(429)])
    with respx.mock(assert_all_called=False) as router:
        holds_nothing(router)
        router.post(RECORD).mock(side_effect=lambda _: next(replies, httpx.Response(404)))
        ask(app, WRITE)

    found = counts(app)
    assert found["ebbmark_retries_total", "429"] == 1
    assert found["ebbmark_write_backs_total", "failed"] == 1


def test_an_event_that_the_record_did_not_take_is_counted() -> None:
    app = with_record(audit_to="record")
    with respx.mock() as router:
        router.route(host="record.example").respond(500)
        ask(app, TRIAL)

    assert counts(app)["ebbmark_audit_fallbacks_total",] == 1


def test_without_a_port_for_metrics_nothing_is_counted() -> None:
    app = create_app(Settings())

    ask(app, TRIAL)

    assert app.state.meters is None


def test_a_call_of_the_record_carries_the_trace_of_the_caller_and_a_span_of_ours() -> None:
    with respx.mock(assert_all_called=False) as router:
        route = router.route(host="record.example").mock(side_effect=KeepingRecord().answer)
        ask(with_record(), WRITE, headers=FROM_CALLER)

    parents = [call.request.headers["traceparent"] for call in route.calls]
    assert {parent.split("-")[1] for parent in parents} == {TRACE}
    assert len({parent.split("-")[2] for parent in parents}) == len(parents) > 1


def test_a_request_without_a_trace_begins_one_that_is_not_sampled_while_traces_are_off() -> None:
    with respx.mock(assert_all_called=False) as router:
        route = router.route(host="record.example").mock(side_effect=KeepingRecord().answer)
        ask(with_record(), WRITE)

    assert len({call.request.headers["traceparent"].split("-")[1] for call in route.calls}) == 1
    assert {call.request.headers["traceparent"][-2:] for call in route.calls} == {"00"}


def test_outside_a_request_a_call_carries_no_trace() -> None:
    with respx.mock() as router:
        route = router.route(host="record.example").respond(200)
        asyncio.run(Exchange(Patience()).ask("GET", RECORD))

    assert "traceparent" not in route.calls[0].request.headers


def test_a_span_names_the_route_and_is_a_child_of_the_callers() -> None:
    (span,) = spans_of(counting(), TRIAL, FROM_CALLER)

    assert (span.name, span.kind, span.failed) == ("POST /fhir/$titrate-peep", "server", False)
    assert (span.place.trace_id, span.place.parent_id) == (TRACE, "1234567890123456")
    assert span.attributes["http.response.status_code"] == 200


def test_a_trace_that_the_caller_does_not_keep_is_not_kept_here() -> None:
    assert spans_of(counting(), TRIAL, {**FHIR, "traceparent": f"00-{TRACE}-1234567890123456-00"}) == []


def test_of_traces_that_begin_here_the_share_that_was_set_is_kept() -> None:
    ids = iter(
        [f"{'0' * 16}{number * 2**60:016x}" if size == 16 else "1" * 16 for number in range(16) for size in (16, 8)]
    )
    watch = Watch(lambda size: next(ids), lambda: 0, lambda: 0.0, keep=lambda span: None, kept_share=0.25)

    assert [watch.begin().sampled for _ in range(16)] == [True] * 4 + [False] * 12


def test_a_call_that_failed_is_a_failed_span_with_the_kind_of_failure() -> None:
    kept: list[Span] = []
    watch = Watch(lambda size: "2" * 2 * size, lambda: 5, lambda: 0.0, keep=kept.append)

    async def call() -> None:
        with in_scene(watch, TraceContext(TRACE, "1" * 16, sampled=True)):
            await Exchange(Patience()).ask("GET", f"{RECORD}/Patient?name=somebody")

    with respx.mock() as router:
        router.route(host="record.example").mock(side_effect=httpx.ConnectError("no"))
        asyncio.run(call())

    (span,) = kept
    assert (span.name, span.kind, span.failed) == ("GET", "client", True)
    assert dict(span.attributes) == {
        "http.request.method": "GET",
        "server.address": "record.example",
        "error.type": "not-connected",
    }


PLANTED = 0.0371
"""Added to every number of a request, so that none can stand in a line by chance."""


def with_planted(resource: Any) -> Any:  # noqa: ANN401
    if isinstance(resource, dict):
        return {key: with_planted(value) for key, value in resource.items()}
    if isinstance(resource, list):
        return [with_planted(one) for one in resource]
    return resource + PLANTED if isinstance(resource, float) else resource


def values_in(resource: object) -> Iterator[str]:
    """Every name, date, identifier and number in a request, without the words of the standards."""
    if isinstance(resource, dict):
        for key, value in resource.items():
            if key not in ("resourceType", "system", "code", "unit", "status", "type", "url", "display", "use"):
                yield from values_in(value)
    elif isinstance(resource, list):
        for one in resource:
            yield from values_in(one)
    elif isinstance(resource, float) or (isinstance(resource, str) and len(resource) >= 4):
        yield str(resource)


@pytest.mark.parametrize("name", sorted(one.parent.name for one in FIXTURES.glob("*/request.json")))
def test_no_value_of_a_request_is_in_a_metric_a_log_line_or_a_span(name: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    caplog.handler.setFormatter(JsonLines())
    app = with_record(record_attempts=1)
    meters: Meters = app.state.meters
    request = with_planted(json.loads((FIXTURES / name / "request.json").read_bytes()))
    body = json.dumps(request).encode()
    bundle = request if request["resourceType"] == "Bundle" else {"resourceType": "Bundle", "type": "collection"}
    writing = json.dumps(parameters(bundle=bundle, write_back=True)).encode()
    with respx.mock(assert_all_called=False) as router:
        router.route(host="record.example").mock(side_effect=KeepingRecord().answer)
        spans = [*spans_of(app, body, FHIR), *spans_of(app, writing, FROM_CALLER)]

    seen = (
        caplog.text + generate_latest(meters.registry).decode() + json.dumps([dict(span.attributes) for span in spans])
    )
    assert "AuditEvent" in seen or "ebbmark_refusals_total" in seen
    assert spans
    # Versioned references to readings are what an AuditEvent is there to name; they are not values of a patient.
    leaked = sorted({value for value in values_in(request) if value in seen and "/" not in value})
    assert leaked == []


def test_an_audit_line_of_many_resources_becomes_several_lines_that_name_each_once(
    caplog: pytest.LogCaptureFixture,
) -> None:
    from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
    from ebbmark.web.audit_trail import AuditTrail

    caplog.set_level(logging.INFO, logger="ebbmark.audit")
    caplog.handler.setFormatter(JsonLines())
    names = tuple(f"Observation/{number}/_history/1" for number in range(300))

    asyncio.run(AuditTrail(lambda: 0.0).note(Access(AuditAction.WRITTEN, Actor(), True, "", names, "d" * 64)))

    found = [json.loads(line) for line in caplog.text.splitlines()]
    references = [
        entity["what"]["reference"]
        for line in found
        for entity in line["event"]["entity"]
        if "reference" in entity["what"]
    ]
    assert references == list(names)
    assert all(len(line.encode()) < 16_384 for line in caplog.text.splitlines())
    assert all(line["event"]["entity"][0]["what"]["identifier"]["value"] == "d" * 64 for line in found)


def test_a_caller_who_is_not_let_in_is_logged_audited_and_counted_by_reason(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    app = counting()

    reply = ask(app, TRIAL, headers={**FHIR, "origin": "https://elsewhere.example"})

    (event,) = [json.loads(record.getMessage()) for record in caplog.records if record.name == "ebbmark.audit"]
    assert reply.status == 403
    assert (event["outcome"], event["outcomeDesc"]) == ("8", "elsewhere")
    assert event["subtype"][0]["display"] == "Login"
    assert event["agent"][0]["network"]["address"] == "127.0.0.1"
    assert [record.getMessage() for record in caplog.records if record.name == "ebbmark"] == [
        "a caller was not let in: elsewhere"
    ]
    assert counts(app)["ebbmark_sign_in_refusals_total", "elsewhere"] == 1
