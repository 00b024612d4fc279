"""Every fixture is a pair: the request, and byte for byte what the service says to it."""

from __future__ import annotations

import json
import runpy
from pathlib import Path
from typing import Any

import pytest

from ebbmark.fhir.writing.validate import validate
from web.asking import ask, plain_app

FIXTURES = Path(__file__).parents[2] / "fixtures"
PAIRS = sorted(path.parent for path in FIXTURES.glob("*/request.json"))
MAKER = runpy.run_path(str(FIXTURES / "answer.py"))


def without_recording(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer without the one instant that may differ."""
    for entry in answer.get("entry", []):
        if entry["resource"]["resourceType"] == "Provenance":
            del entry["resource"]["recorded"]
    return answer


def test_the_scenario_has_its_three_patients() -> None:
    assert {"clear-closing", "never-reached", "noisy-record"} <= {pair.name for pair in PAIRS}


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_the_answer_is_the_expected_one_byte_for_byte(pair: Path) -> None:
    name, content = MAKER["expected"]((pair / "request.json").read_bytes())

    assert content == (pair / name).read_bytes()
    assert {path.name for path in pair.glob("*.json")} == {"request.json", name}


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_the_door_gives_the_same_answer(pair: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (expected,) = [path for path in pair.glob("*.json") if path.name != "request.json"]
    request = (pair / "request.json").read_bytes()
    asked_at_s = MAKER["asked_at_s"](request)
    monkeypatch.setattr("time.time", lambda: asked_at_s)

    reply = ask(plain_app(), request)

    assert reply.status == (200 if expected.name == "answer.json" else reply.status)
    assert without_recording(reply.json) == without_recording(json.loads(expected.read_bytes()))


@pytest.mark.parametrize(
    "pair", [pair for pair in PAIRS if (pair / "answer.json").exists()], ids=lambda pair: pair.name
)
def test_the_expected_answer_is_sound_fhir(pair: Path) -> None:
    assert validate(json.loads((pair / "answer.json").read_bytes())) == ()


def test_the_clear_case_says_where_closing_began_and_suggests_two_above() -> None:
    # By how the fixture was made: compliance 42, 41.5, 36.5 at PEEP 14, 12, 10, a fall of 13 % first seen at 10.
    assert suggested("clear-closing") == 12


def test_the_case_in_which_closing_is_not_reached_gets_no_number() -> None:
    # By how the fixture was made: compliance rises down to the last step.
    assert suggested("never-reached") is None


def suggested(name: str) -> float | None:
    """The PEEP that the expected answer suggests [cm[H2O]]."""
    answer = json.loads((FIXTURES / name / "answer.json").read_bytes())
    (suggestion,) = [
        entry["resource"]
        for entry in answer["entry"]
        if entry["resource"].get("code", {}).get("coding", [{}])[0].get("code") == "suggested-peep"
    ]
    value: float | None = suggestion.get("valueQuantity", {}).get("value")
    return value
