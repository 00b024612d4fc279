"""Whatever is done to a valid request, the reply is FHIR and never a fault of ours."""

from __future__ import annotations

import json
import logging
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.types import ASGIApp

from contract.mutations import broken_bytes, mutated
from ebbmark.fhir.writing.validate import validate
from web.asking import Reply, ask, plain_app

FIXTURES = Path(__file__).parents[2] / "fixtures"
NAMES = ("clear-closing", "never-reached", "noisy-record")


@cache
def the_app() -> ASGIApp:
    return plain_app()


def request_of(name: str) -> Any:  # noqa: ANN401
    return json.loads((FIXTURES / name / "request.json").read_bytes())


def small_request() -> Any:  # noqa: ANN401
    """Few nodes, so that a mutation often meets one that matters."""
    request = request_of("clear-closing")
    request["entry"] = [*request["entry"][:2], *request["entry"][2:][1::3][4:]]
    return request


def asked(body: bytes) -> Reply:
    """The reply, checked for what every reply has in common."""
    reply = ask(the_app(), body)
    assert reply.status in (200, 400, 413, 422), reply.body[:500]
    assert reply.headers["content-type"] == "application/fhir+json"
    kind = reply.json["resourceType"]
    assert kind == ("Bundle" if reply.status == 200 else "OperationOutcome")
    if reply.status != 200:
        assert reply.errors
    return reply


@pytest.fixture(autouse=True)
def _silence(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.ERROR)


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=100, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_no_mutation_of_a_fixture_meets_a_fault(name: str, data: st.DataObject) -> None:
    asked(json.dumps(data.draw(mutated(request_of(name)))).encode())


@settings(max_examples=300, suppress_health_check=list(HealthCheck))
@given(mutated(small_request(), most=3))
def test_no_mutation_of_a_small_request_meets_a_fault(request: Any) -> None:  # noqa: ANN401
    asked(json.dumps(request).encode())


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(mutated(small_request(), most=2))
def test_whatever_is_answered_is_sound_fhir(request: Any) -> None:  # noqa: ANN401
    reply = asked(json.dumps(request).encode())

    assert reply.status != 200 or validate(reply.json) == ()


def unnamed(request: Any, answer: dict[str, Any]) -> list[str]:  # noqa: ANN401
    """FHIRPath of every Observation that the answer neither rests on nor lists as ignored."""
    text = json.dumps(answer, ensure_ascii=False)
    (outcome,) = [e["resource"] for e in answer["entry"] if e["resource"]["resourceType"] == "OperationOutcome"]
    listed = [path for issue in outcome["issue"] for path in issue.get("expression", [])]
    found = []
    for number, entry in enumerate(request["entry"]):
        resource, path = entry.get("resource", {}), f"Bundle.entry[{number}].resource"
        names = (f"Observation/{resource.get('id')}", entry.get("fullUrl", ""))
        rested_on = any(f'"reference": {json.dumps(name)}'[:-1] in text for name in names if name)
        if resource.get("resourceType") == "Observation" and not rested_on:
            found += [path] if not any(one.startswith(path) for one in listed) else []
    return found


@settings(max_examples=200, suppress_health_check=list(HealthCheck))
@given(mutated(small_request(), most=2))
def test_every_observation_of_an_answered_request_is_used_or_listed(request: Any) -> None:  # noqa: ANN401
    reply = asked(json.dumps(request).encode())

    assert reply.status != 200 or unnamed(request, reply.json) == []


@settings(max_examples=200, suppress_health_check=list(HealthCheck))
@given(broken_bytes(json.dumps(small_request()).encode()))
def test_no_broken_bytes_meet_a_fault(body: bytes) -> None:
    asked(body)


@settings(max_examples=100, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_no_bytes_at_all_meet_a_fault(body: bytes) -> None:
    assert asked(body).status == 400
