"""Answers that version 0.2.0 gave to the requests of the fixtures (kept as they were in `data/`), replayed by this one.

Their engine gave other numbers on other processors, which is said; what rounding explains is told from what it does
not.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from audit.test_replay import LATER_S
from drawn_trials import FIXTURES
from ebbmark.audit.comparison import FindingKind, ReplayOutcome
from ebbmark.cli import main
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed, read_inputs

Json = dict[str, Any]
OLD = sorted((Path(__file__).parent / "data" / "0.2.0").iterdir())
CLEAR = next(file for file in OLD if file.stem == "clear-closing")


def request_of(file: Path) -> Path:
    return FIXTURES / file.stem / "request.json"


def stored(file: Path = CLEAR) -> Json:
    found: Json = json.loads(file.read_bytes())
    return found


def replayed(answer: Json, file: Path = CLEAR) -> Replayed:
    given = read_inputs(request_of(file).read_bytes())
    return replay(resources_of(answer), given.resources, RequestContext(LATER_S), choices=given.choices)


def part(answer: Json, code: str, *, component: str = "") -> Json:
    """An Observation by its code, or one of its components."""
    found: Json = next(
        one["resource"]
        for one in answer["entry"]
        if one["resource"].get("code", {}).get("coding", [{}])[0].get("code") == code
    )
    if not component:
        return found
    return next(one for one in found["component"] if one["code"]["coding"][0]["code"] == component)


@pytest.mark.parametrize("file", OLD, ids=lambda file: file.stem)
def test_an_answer_of_0_2_0_is_the_same_within_rounding_and_its_engine_is_named(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["replay", str(file), "--inputs", str(request_of(file))])

    said = capsys.readouterr().out
    assert code == 7, said
    assert "the same answer within rounding" in said
    assert "engine version 0.2.0" in said
    assert "other numbers on other processors" in said
    assert "probabilities up to 0.11" in said


def test_a_probability_within_what_that_engine_is_known_to_differ_by_is_rounding() -> None:
    answer = stored()
    part(answer, "closing-pressure", component="verdict-probability")["valueQuantity"]["value"] -= 0.01

    outcome = replayed(answer)

    path = "closing-pressure.component.verdict-probability.valueQuantity.value"
    assert [finding.kind for finding in outcome.findings if finding.path == path] == [FindingKind.ROUNDING]
    assert (outcome.outcome, outcome.same) == (ReplayOutcome.WITHIN_ROUNDING, False)


@pytest.mark.parametrize(
    ("code", "component", "change"),
    [
        ("closing-pressure", "verdict-probability", -0.3),
        ("closing-pressure", "interval-low", -2.0),
        ("closing-pressure", "", 2.0),
        ("suggested-peep", "", 0.1),
        ("suggested-peep", "margin", 1.0),
        ("50064-5", "", 0.1),
    ],
)
def test_a_number_beyond_that_is_different(code: str, component: str, change: float) -> None:
    answer = stored()
    part(answer, code, component=component)["valueQuantity"]["value"] += change

    assert replayed(answer).outcome is ReplayOutcome.DIFFERENT


def test_another_verdict_is_different() -> None:
    answer = stored()
    concept = part(answer, "closing-pressure", component="closing-verdict")["valueCodeableConcept"]
    concept["coding"][0]["code"] = "not-reached"

    assert replayed(answer).outcome is ReplayOutcome.DIFFERENT


@pytest.mark.parametrize("taken", ["component", "valueQuantity", "note"])
def test_what_was_taken_out_of_an_old_result_is_different(taken: str) -> None:
    answer = stored()
    del part(answer, "suggested-peep")[taken]

    assert replayed(answer).outcome is ReplayOutcome.DIFFERENT


def test_a_text_that_reads_otherwise_is_named_and_only_a_signature_covers_it() -> None:
    answer = stored()
    part(answer, "suggested-peep")["note"][0]["text"] = "Take what you like."

    outcome = replayed(answer)

    (one,) = [finding for finding in outcome.findings if finding.path == "suggested-peep.note[0].text"]
    assert one.kind is FindingKind.WORDING
    assert "only a signature covers its words" in one.sentence


def test_a_version_that_is_only_written_over_does_not_make_a_new_answer_an_old_one(tmp_path: Path) -> None:
    fixture = Path(__file__).parents[2] / "fixtures" / "clear-closing"
    answer = json.loads((fixture / "answer.json").read_bytes())
    part(answer, "suggested-peep")["valueQuantity"]["value"] += 2
    for entry in answer["entry"]:
        if entry["resource"]["resourceType"] == "Device":
            entry["resource"]["version"][0]["value"] = "0.2.0"

    assert replayed(answer, fixture).outcome is ReplayOutcome.DIFFERENT
