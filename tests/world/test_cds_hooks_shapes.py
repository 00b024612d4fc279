"""What leaves the CDS Hooks door has the shape of the standard's tables, and what the tests send has it, too.

Source: CDS Hooks 2.0 (HL7/cds-hooks-hl7-site, docs/2.0/index.md), every table; the hook definitions of
HL7/cds-hooks-library. Transcribed as a JSON Schema in `data/cds_hooks_2_0.schema.json`, since the standard publishes
none for this version: the OpenAPI file of cds-hooks/docs is of version 1.0, and the logical models of HL7/cds-hooks are
of the ballot of version 3.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from fhir_builders import Json, bundle, observation, trial_observations
from web.asking import ask
from web.hooks.calling import RECORD, call, called, card, clock, context, hooks_app, order, prefetch, searchset
from web.hooks.test_feedback import ACCEPTED, OVERRIDDEN

SCHEMA: dict[str, Any] = json.loads((Path(__file__).parent / "data" / "cds_hooks_2_0.schema.json").read_bytes())
GRANT = {
    "access_token": "some-opaque-fhir-access-token",
    "token_type": "Bearer",
    "expires_in": 300,
    "scope": "user/Patient.read user/Observation.read",
    "subject": "cds-service4",
}
RUNNING = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))
LOW = observation("http://loinc.org|59408-5", 82.0, unit="%", when="2026-03-01T10:11:00+01:00", identity="spo2")
RISING = trial_observations(compliances=(38.0, 39.0, 40.0, 41.0, 42.0, 43.0, 44.0, 45.0))
CALLS: dict[str, tuple[int, dict[str, object]]] = {
    "patient-view": (40, called()),
    "encounter-start": (40, called("encounter-start")),
    "order-sign": (40, called("order-sign", context=context(draftOrders=bundle(order())))),
    "order-select": (
        40,
        called("order-select", context=context(draftOrders=bundle(order()), selections=["ServiceRequest/o1"])),
    ),
    "stop": (13, called(prefetch=prefetch(*RUNNING, circulation=searchset(LOW)))),
    "no height": (40, called(prefetch=prefetch(heights=None))),
    "not reached": (60, called(prefetch=prefetch(*RISING))),
    "with access": (40, called(fhirServer=RECORD, fhirAuthorization=GRANT)),
}


def faults(kind: str, value: object) -> list[str]:
    validator = Draft202012Validator({"$ref": f"#/$defs/{kind}", "$defs": SCHEMA["$defs"]})
    return [
        f"{'.'.join(map(str, iter_error.absolute_path))}: {iter_error.message[:200]}"
        for iter_error in validator.iter_errors(value)
    ]


def empties(value: object, path: str = "") -> list[str]:
    """Elements that are null or empty, but for FHIR resources, which have rules of their own."""
    if value is None or value in ("", [], {}):
        return [path]
    if isinstance(value, dict):
        inside = {name: item for name, item in value.items() if name not in ("resource", "prefetch", "draftOrders")}
        return [found for name, item in inside.items() for found in empties(item, f"{path}.{name}")]
    if isinstance(value, list):
        return [found for number, item in enumerate(value) for found in empties(item, f"{path}[{number}]")]
    return []


def test_the_schema_itself_is_sound() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_discovery_has_the_shape_of_the_standard() -> None:
    found = ask(hooks_app(), method="GET", path="/cds-services", headers={}).json

    assert faults("discovery", found) == []
    assert empties(found) == []


@pytest.mark.parametrize("name", CALLS)
def test_what_the_tests_send_has_the_shape_of_the_standard(name: str) -> None:
    assert faults("request", CALLS[name][1]) == []


@pytest.mark.parametrize("name", CALLS)
def test_every_kind_of_card_has_the_shape_of_the_standard(name: str) -> None:
    minute, asked = CALLS[name]

    found = call(hooks_app(at_s=clock(minute)), asked).json

    assert len(found["cards"]) == 1
    assert faults("response", found) == []
    assert empties(found) == []


def test_no_card_has_the_shape_of_the_standard() -> None:
    nothing = call(hooks_app(), called(prefetch=prefetch(mechanics=None))).json

    assert nothing == {"cards": []}
    assert faults("response", nothing) == []


def test_feedback_as_the_tests_send_it_has_the_shape_of_the_standard() -> None:
    assert faults("feedback", {"feedback": [ACCEPTED, OVERRIDDEN]}) == []


def broken(**changes: object) -> dict[str, Any]:
    """A good response with one element of its card changed."""
    found = copy.deepcopy(card(call(hooks_app(), called())))
    found.update(changes)
    return {"cards": [{name: value for name, value in found.items() if value is not ...}]}


@pytest.mark.parametrize(
    "changes",
    [
        {"summary": ...},
        {"summary": "x" * 140},
        {"indicator": "hard-stop"},
        {"source": ...},
        {"source": {"label": ""}},
        {"selectionBehavior": ...},
        {"overrideReasons": [{"code": "a", "system": "b"}]},
        {"links": [{"label": "a", "url": "https://a.example", "type": "absolute", "appContext": "b"}]},
        {"links": []},
        {"suggestions": [{"label": "a", "actions": [{"type": "create", "description": "b"}]}]},
        {"suggestions": [{"label": "a", "actions": [{"type": "create", "resource": {"resourceType": "Basic"}}]}]},
        {"priority": 1},
    ],
    ids=lambda one: str(one)[:50],
)
def test_the_schema_finds_planted_errors(changes: Json) -> None:
    assert faults("response", broken()) == []
    assert faults("response", broken(**changes)) != []
