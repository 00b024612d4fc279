"""Ebbmark as a library: what its front page offers, executed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import ebbmark

FIXTURES = Path(__file__).parents[1] / "fixtures"
CLEAR = (FIXTURES / "clear-closing" / "request.json").read_bytes()
AT_S = 1_790_000_000.0


def suggested(bundle: dict[str, object]) -> object:
    entries = json.loads(json.dumps(bundle))["entry"]
    (found,) = [
        entry["resource"]
        for entry in entries
        if entry["resource"]["resourceType"] == "Observation"
        and entry["resource"]["code"]["coding"][0]["code"] == "suggested-peep"
    ]
    return found["valueQuantity"]["value"]


def test_a_trial_is_titrated_in_one_line() -> None:
    assert suggested(ebbmark.titrate(CLEAR, at_s=AT_S)) == suggested(ebbmark.ask("titrate-peep", CLEAR, at_s=AT_S))


def test_a_request_may_be_bytes_or_plain_values() -> None:
    assert ebbmark.titrate(json.loads(CLEAR), at_s=AT_S) == ebbmark.titrate(CLEAR, at_s=AT_S)


def test_every_operation_can_be_asked() -> None:
    answer = ebbmark.ask("compare-markers", CLEAR, at_s=AT_S)

    assert answer["resourceType"] == "Bundle"


def test_a_curve_alone_gives_the_closing_pressure() -> None:
    steps = [
        ebbmark.CurveStep(peep, (compliance, compliance))
        for peep, compliance in [(18.0, 42.0), (16.0, 44.0), (14.0, 45.0), (12.0, 40.0), (10.0, 36.0), (8.0, 32.0)]
    ]

    closing = ebbmark.estimate_closing(steps)

    assert closing.peep_cmh2o == 12.0


def test_an_estimate_that_says_nothing_says_why_in_words() -> None:
    closing = ebbmark.estimate_closing([ebbmark.CurveStep(14.0, (30.0,)), ebbmark.CurveStep(12.0, (31.0,))])

    assert closing.reason == "A trial of 2 steps is too short: at least 3 are needed."


def test_what_cannot_be_read_is_refused_with_every_problem() -> None:
    with pytest.raises(ebbmark.Rejected) as refused:
        ebbmark.titrate(b"{}")

    assert refused.value.problems


def test_nothing_is_offered_that_is_not_there() -> None:
    for name in ebbmark.__all__:
        assert getattr(ebbmark, name) is not None
    with pytest.raises(AttributeError):
        ebbmark.nothing  # noqa: B018
