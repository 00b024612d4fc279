"""The published OperationDefinition is what the door takes and gives."""

from __future__ import annotations

import json
from typing import Any

import pytest
from starlette.types import ASGIApp

from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from fhir_builders import bundle, height, observation, parameters, patient, quantity, to_bytes, trial_observations
from web.asking import OPERATION, Reply, ask, plain_app

TRIAL = [height(), *trial_observations()]
CONCEPT_MAP: dict[str, Any] = {
    "resourceType": "ConceptMap",
    "status": "active",
    "group": [
        {
            "source": "https://site.example/codes",
            "target": "http://loinc.org",
            "element": [{"code": "pplat", "target": [{"code": "76259-1", "equivalence": "equivalent"}]}],
        }
    ],
}
CONDITION: dict[str, Any] = {
    "resourceType": "Condition",
    "id": "c1",
    "subject": {"reference": "Patient/p1"},
    "code": {"coding": [{"system": "http://snomed.info/sct", "code": "36118008"}]},
}
SAMPLES: dict[str, dict[str, Any]] = {
    "bundle": {"resource": bundle(*TRIAL)},
    "patient": {"resource": patient()},
    "observation": {"resource": observation("respiratory-rate", 20, identity="rate")},
    "concept-map": {"resource": CONCEPT_MAP},
    "protocol": {"valueString": DEFAULT_PROTOCOL.slug},
    "sex-for-formula": {"valueCode": "female"},
    "as-of": {"valueInstant": "2026-03-02T12:00:00Z"},
    "accept-preliminary": {"valueBoolean": True},
    "write-back": {"valueBoolean": False},
    "with-report": {"valueBoolean": True},
    "margin": {"valueQuantity": quantity(3)},
    "chosen-peep": {"valueQuantity": quantity(13)},
    "chosen-because": {"valueCode": "oxygenation"},
    "make-current": {"valueBoolean": False},
    "condition": {"resource": CONDITION},
    "conditions-not-read": {"valueBoolean": True},
}
"""One value that each parameter takes; together they ask the whole question."""

OF_A_RECORD = ("patient-reference", "encounter", "period")
"""Taken only where a record is configured: see tests/record/test_fetch.py."""


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return plain_app()


@pytest.fixture(scope="module")
def definition(app: ASGIApp) -> dict[str, Any]:
    return ask(app, method="GET", path="/fhir/OperationDefinition/titrate-peep").json


def asked(app: ASGIApp, *given: tuple[str, dict[str, Any]]) -> Reply:
    listed = [{"name": name, **value} for name, value in given]
    return ask(app, to_bytes({"resourceType": "Parameters", "parameter": listed}))


def test_the_samples_are_of_the_parameters_that_the_definition_names(definition: dict[str, Any]) -> None:
    assert [one["name"] for one in definition["parameter"] if one["use"] == "in"] == [*SAMPLES, *OF_A_RECORD]


def test_each_sample_is_of_the_type_that_the_definition_names(definition: dict[str, Any]) -> None:
    for one in definition["parameter"]:
        if one["use"] == "in" and one["name"] in SAMPLES:
            (element,) = SAMPLES[one["name"]]
            kind = SAMPLES[one["name"]]["resource"]["resourceType"] if element == "resource" else element[5:]
            assert kind.lower() == one["type"].lower()


def test_all_parameters_together_are_taken(app: ASGIApp) -> None:
    assert asked(app, *SAMPLES.items()).status == 200


PAIR = ("chosen-peep", "chosen-because")
"""A PEEP that was chosen goes with its reason."""


@pytest.mark.parametrize("name", [name for name in SAMPLES if name not in ("bundle", "patient")])
def test_no_parameter_but_a_choice_needs_another_beside_patient_and_trial(app: ASGIApp, name: str) -> None:
    needed = PAIR if name in PAIR else (name,)

    reply = asked(app, *((one, SAMPLES[one]) for one in ("patient", "bundle", *needed)))

    assert reply.status == 200


@pytest.mark.parametrize("name", SAMPLES)
def test_a_parameter_is_taken_as_often_as_the_definition_says(
    app: ASGIApp, definition: dict[str, Any], name: str
) -> None:
    (most,) = [one["max"] for one in definition["parameter"] if one["name"] == name]
    given = [(one, SAMPLES[one]) for one in ("patient", "bundle") if one != name]

    reply = asked(app, *given, (name, SAMPLES[name]), (name, SAMPLES[name]))

    if most == "*":
        assert reply.status == 200
    else:
        assert reply.status == 422
        assert f"The parameter {name} may be given once." in [issue["details"]["text"] for issue in reply.errors]


@pytest.mark.parametrize("name", SAMPLES)
def test_a_value_of_another_type_is_refused_at_its_place(app: ASGIApp, name: str) -> None:
    reply = asked(app, ("patient", SAMPLES["patient"]), ("bundle", SAMPLES["bundle"]), (name, {"valueQuantity": {}}))

    assert reply.status == 422
    assert any(issue.get("expression", [""])[0].startswith("Parameters.parameter[2]") for issue in reply.errors)


def test_a_bare_bundle_may_be_posted(app: ASGIApp) -> None:
    assert ask(app, to_bytes(bundle(patient(), *TRIAL))).status == 200


def test_the_reply_is_the_one_parameter_that_comes_back(app: ASGIApp, definition: dict[str, Any]) -> None:
    (returned,) = [one for one in definition["parameter"] if one["use"] == "out"]

    reply = asked(app, *SAMPLES.items())

    assert (returned["name"], returned["min"], returned["max"]) == ("return", 1, "1")
    assert reply.json["resourceType"] == returned["type"]


def test_an_answer_holds_what_the_definition_says_and_nothing_else(app: ASGIApp, definition: dict[str, Any]) -> None:
    (returned,) = [one for one in definition["parameter"] if one["use"] == "out"]

    kinds = {entry["resource"]["resourceType"] for entry in asked(app, *SAMPLES.items()).json["entry"]}

    assert [kind for kind in sorted(kinds) if kind not in returned["documentation"]] == []
    assert {"GuidanceResponse", "Observation", "Device", "Provenance", "OperationOutcome"} <= kinds


def test_the_operation_stands_where_the_definition_puts_it(app: ASGIApp, definition: dict[str, Any]) -> None:
    assert definition["system"]
    assert not definition["type"]
    assert definition["instance"]
    assert OPERATION.endswith(f"/${definition['code']}")
    body = to_bytes(parameters(bundle=bundle(patient(), *TRIAL)))
    assert ask(app, body).status == 200


def test_the_answer_names_the_operation_that_gave_it(app: ASGIApp, definition: dict[str, Any]) -> None:
    assert definition["url"] in json.dumps(asked(app, *SAMPLES.items()).json)
