"""A trial with a blood gas at each step: its markers name different levels, and the answer says so."""

from __future__ import annotations

import json
import runpy
from pathlib import Path

import pytest
from starlette.types import ASGIApp

from bedside_builders import Said, value_of
from ebbmark.fhir.writing.validate import validate
from web.asking import ask

ROOT = Path(__file__).parents[2]
REQUEST = ROOT / "fixtures" / "markers" / "request.json"


@pytest.fixture(scope="module")
def said(app: ASGIApp) -> Said:
    reply = ask(app, REQUEST.read_bytes(), path="/fhir/$compare-markers")
    assert reply.status == 200, reply.body[:500]
    return Said(json.dumps(reply.json).encode())


def test_the_fixture_is_what_its_builder_makes_today() -> None:
    made = runpy.run_path(str(ROOT / "fixtures" / "markers.py"))["record"]()

    assert json.loads(REQUEST.read_bytes()) == made


def test_the_answer_says_first_that_the_markers_disagree(said: Said) -> None:
    assert value_of(said.observation("markers-agree")) is False
    assert said.first.startswith("The markers disagree about closing (cmH2O): compliance 8, ")
    assert "no single marker decides. The suggestion here rests on compliance alone." in said.first


@pytest.mark.parametrize(
    ("marker", "peep"), [("spo2-fall-1", 12), ("spo2-fall-2", 10), ("pao2-fall", 12), ("paco2-rise", 6)]
)
def test_each_marker_names_its_own_level(said: Said, marker: str, peep: float) -> None:
    assert value_of(said.observation(f"marker-{marker}")) == peep


def test_a_best_level_is_not_called_a_closing_level(said: Said) -> None:
    assert value_of(said.observation("marker-best-compliance"), "marker-meaning") == "best"


def test_the_answer_is_sound_fhir(said: Said) -> None:
    assert validate(said.bundle) == ()
