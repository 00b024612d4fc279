"""A fall at the last step only: no next step can take it back, so what is it worth?

Confirmed by several readings it gains belief as it grows; on a single reading the answer says plainly why nobody knows.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ebbmark.physiology.closing.estimator import closing_passed, estimate_closing
from ebbmark.physiology.closing.model import log_spoiled_odds, step_centres
from ebbmark.physiology.closing.result import CurveStep, Verdict
from ebbmark.words.messages import spell

FALLS = (0.08, 0.10, 0.12, 0.15, 0.20, 0.25, 0.30, 0.40, 0.50, 0.60)
RISING = (31.0, 32.0, 32.8, 33.5, 34.0, 34.4, 34.7)


def lone_fall(
    fall: float,
    *,
    readings: int = 2,
    steps: int = 7,
    apart: float = 2.0,
    noise: float = 0.01,
    seed: int = 0,
    span_s: float | None = None,
) -> list[CurveStep]:
    """Flat to the last step, then the fall; the same noise for the same seed, whatever the fall."""
    factors = np.exp(np.random.default_rng(seed).normal(0.0, noise, (steps, readings)))
    return [
        CurveStep(
            10.0 + apart * (steps - k),
            tuple((40.0 * (1.0 - fall * (k == steps - 1)) * factors[k]).tolist()),
            span_s=span_s,
        )
        for k in range(steps)
    ]


def largest_decrease(chances: Sequence[float]) -> float:
    """How far a chance lies below an earlier one, at most."""
    return max(highest - chance for highest, chance in zip(itertools.accumulate(chances, max), chances, strict=True))


@pytest.mark.parametrize("readings", [2, 3, 5])
@pytest.mark.parametrize("steps", [5, 6, 7, 8])
@pytest.mark.parametrize("noise", [0.005, 0.01, 0.02])
def test_the_larger_a_confirmed_fall_at_the_last_step_the_surer_is_closing(
    readings: int, steps: int, noise: float
) -> None:
    limbs = [lone_fall(fall, readings=readings, steps=steps, noise=noise) for fall in FALLS]

    assert largest_decrease([1.0 - estimate_closing(limb).not_reached for limb in limbs]) <= 0.02
    assert largest_decrease([closing_passed(limb) for limb in limbs]) <= 0.04


@given(
    readings=st.integers(2, 6),
    steps=st.integers(4, 10),
    apart=st.sampled_from((1.0, 1.5, 2.0, 2.5, 3.0)),
    noise=st.floats(0.003, 0.02),
    seed=st.integers(0, 2**16),
)
@settings(max_examples=25, deadline=None)
def test_no_confirmed_fall_is_believed_much_less_than_a_smaller_one(
    readings: int, steps: int, apart: float, noise: float, seed: int
) -> None:
    limbs = [
        lone_fall(fall, readings=readings, steps=steps, apart=apart, noise=noise, seed=seed) for fall in FALLS[::2]
    ]

    assert largest_decrease([1.0 - estimate_closing(limb).not_reached for limb in limbs]) <= 0.03


@pytest.mark.parametrize("fall", FALLS[4:])
@pytest.mark.parametrize("readings", [2, 3, 5])
def test_a_confirmed_fall_at_the_last_step_is_found_there(fall: float, readings: int) -> None:
    limb = lone_fall(fall, readings=readings)

    closing = estimate_closing(limb)

    assert closing.verdict is Verdict.FOUND
    assert closing.peep_cmh2o == limb[-1].peep_cmh2o
    assert closing_passed(limb) >= 0.9


@given(fall=st.floats(0.2, 0.8), steps=st.integers(5, 10), seed=st.integers(0, 2**16))
@settings(max_examples=60, deadline=None)
def test_a_fall_on_a_single_reading_is_neither_closing_nor_its_absence(fall: float, steps: int, seed: int) -> None:
    limb = lone_fall(fall, readings=1, steps=steps, seed=seed)
    before = [step.compliances_ml_per_cmh2o[0] for step in limb[:-1]]
    # Where noise lowers the step before as well, two steps fell, and that is another trial.
    assume(before[-1] > 0.98 * max(before))
    seen = 1.0 - limb[-1].compliances_ml_per_cmh2o[0] / limb[-2].compliances_ml_per_cmh2o[0]

    closing = estimate_closing(limb)

    assert closing.verdict is Verdict.INDETERMINATE
    assert f"Only the last step fell, by {100 * seen:.0f} %" in spell(closing.why)
    assert "on a single reading" in spell(closing.why)
    assert "Look at the patient and the circuit" in spell(closing.why)


def test_closing_is_not_denied_against_a_last_reading_that_lies_far_below() -> None:
    """The model holds it spoiled and what lies below it a rise; nobody has seen that rise."""
    limb = [CurveStep(20.0 - 2.0 * k, (value,)) for k, value in enumerate((*RISING[:-1], 10.5))]

    closing = estimate_closing(limb)

    assert closing.not_reached > 0.7
    assert closing.verdict is Verdict.INDETERMINATE
    assert "by 69 %, more than a lung usually loses in one step, on a single reading" in spell(closing.why)


def test_a_fall_larger_than_any_lungs_is_looked_at_even_if_readings_agree() -> None:
    closing = estimate_closing(lone_fall(0.9, readings=3))

    assert closing.verdict is Verdict.INDETERMINATE
    assert "more than a lung usually loses in one step, on 3 readings" in spell(closing.why)


def test_readings_within_seconds_of_one_another_confirm_nothing() -> None:
    once, spread = (estimate_closing(lone_fall(0.4, readings=3, span_s=span)) for span in (5.0, 60.0))

    assert once.verdict is Verdict.INDETERMINATE
    assert spread.verdict is Verdict.FOUND


def test_readings_whose_time_is_not_known_count_as_spread_over_the_step() -> None:
    assert estimate_closing(lone_fall(0.4)) == estimate_closing(lone_fall(0.4, span_s=60.0))


def test_the_next_step_still_takes_a_confirmed_fall_back() -> None:
    low = lone_fall(0.3, readings=3, steps=6)

    closing = estimate_closing([*low, CurveStep(low[-1].peep_cmh2o - 2.0, (40.1, 39.9, 40.3))])

    assert closing.verdict is Verdict.NOT_REACHED


def odds_of_the_third(*third: float) -> float:
    readings = ((40.0, 40.2), (40.1, 39.9), third, (40.0, 40.1), (39.9, 40.1))
    return float(log_spoiled_odds(step_centres(readings), [None] * 5)[2])


def test_a_confirmed_step_is_spoiled_upwards_as_often_as_downwards() -> None:
    up, down = (odds_of_the_third(40.0 * factor, 40.1 * factor) for factor in (1.25, 1.0 / 1.25))

    assert up == pytest.approx(down, abs=0.05)


def test_two_readings_that_contradict_each_other_are_no_better_than_one() -> None:
    assert odds_of_the_third(24.0, 40.0) == odds_of_the_third(24.0)
    assert odds_of_the_third(24.0, 24.5) < odds_of_the_third(24.0)


def test_readings_that_all_lie_far_below_confirm_a_fall_however_they_scatter() -> None:
    assert odds_of_the_third(20.0, 24.0) < odds_of_the_third(20.0) - 2.0


def test_a_lone_rise_at_the_last_step_is_not_called_a_fall() -> None:
    limb = [CurveStep(20.0 - 2.0 * k, (value,)) for k, value in enumerate((*RISING[:-1], 60.0))]

    assert "Only the last step fell" not in spell(estimate_closing(limb).why)
