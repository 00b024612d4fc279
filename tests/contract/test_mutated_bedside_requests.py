"""Whatever is done to a valid question at the bedside, the reply is FHIR and never a fault of ours."""

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

from contract.mutations import mutated
from ebbmark.fhir.operations import OPERATIONS
from ebbmark.fhir.writing.validate import validate
from web.asking import Reply, ask, plain_app

EXAMPLES = Path(__file__).parents[2] / "service" / "ebbmark" / "web" / "examples"
SLUGS = [one.slug for one in OPERATIONS]


@cache
def the_app() -> ASGIApp:
    return plain_app()


@cache
def request_of(slug: str) -> Any:  # noqa: ANN401
    return json.loads((EXAMPLES / f"{slug}.json").read_bytes())


def asked(slug: str, request: Any) -> Reply:  # noqa: ANN401
    reply = ask(the_app(), json.dumps(request).encode(), path=f"/fhir/${slug}")
    assert reply.status in (200, 400, 413, 422), reply.body[:500]
    assert reply.json["resourceType"] == ("Bundle" if reply.status == 200 else "OperationOutcome")
    if reply.status != 200:
        assert reply.errors
    return reply


@pytest.fixture(autouse=True)
def _silence(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.ERROR)


@pytest.mark.parametrize("slug", SLUGS)
@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_no_mutation_of_a_question_meets_a_fault(slug: str, data: st.DataObject) -> None:
    asked(slug, data.draw(mutated(request_of(slug), most=3)))


@pytest.mark.parametrize("slug", SLUGS)
@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_whatever_is_answered_is_sound_fhir(slug: str, data: st.DataObject) -> None:
    reply = asked(slug, data.draw(mutated(request_of(slug), most=2)))

    assert reply.status != 200 or validate(reply.json) == ()


@pytest.mark.parametrize("slug", SLUGS)
@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_resource_is_named_in_the_answer_or_listed(slug: str, data: st.DataObject) -> None:
    request = data.draw(mutated(request_of(slug), most=2))

    reply = asked(slug, request)

    if reply.status == 200:
        assert unnamed(request, reply.json) == []


def unnamed(request: Any, answer: dict[str, Any]) -> list[str]:  # noqa: ANN401
    """FHIRPath of every reading and Condition that the answer neither rests on nor lists."""
    text = json.dumps(answer, ensure_ascii=False)
    missing = []
    for number, parameter in enumerate(request["parameter"]):
        for place, entry in enumerate(parameter.get("resource", {}).get("entry", [])):
            resource = entry.get("resource") or {}
            path = f"Parameters.parameter[{number}].resource.entry[{place}].resource"
            if resource.get("resourceType") not in ("Observation", "Condition"):
                continue
            # As JSON spells it, like the text that it is looked for in.
            reference = json.dumps(f"{resource['resourceType']}/{resource.get('id')}", ensure_ascii=False)[1:-1]
            if path not in text and reference not in text:
                missing.append(path)
    return missing
