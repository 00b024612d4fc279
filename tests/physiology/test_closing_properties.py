"""What must hold of the closing pressure whatever the readings are."""

from __future__ import annotations

import hashlib
import math
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import Closing, CurveStep, Verdict

SERVICE = Path(__file__).parents[2] / "service"

peep_drops = st.lists(st.sampled_from((1.0, 2.0, 2.5, 3.0, 5.0)), min_size=2, max_size=13)
sane_compliances = st.floats(5.0, 120.0)
any_compliances = st.floats(min_value=0.0, exclude_min=True, allow_nan=False, allow_infinity=False)


@st.composite
def limbs(
    draw: st.DrawFn, compliances: st.SearchStrategy[float] = sane_compliances, most_readings: int = 5
) -> list[CurveStep]:
    peep, steps = 60.0, []
    for drop in [0.0, *draw(peep_drops)]:
        peep -= drop
        readings = draw(st.lists(compliances, min_size=1, max_size=most_readings))
        steps.append(CurveStep(peep, tuple(readings), draw(st.sampled_from((0.0, 0.02)))))
    return steps


@st.composite
def plausible_limbs(draw: st.DrawFn) -> list[CurveStep]:
    """A rise, then a fall from some step on, with noise drawn from a seed."""
    count, readings = draw(st.integers(5, 12)), draw(st.integers(1, 5))
    begins, loss = draw(st.integers(1, 12)), draw(st.floats(0.02, 0.15))
    noise = np.random.default_rng(draw(st.integers(0, 2**16))).normal(0.0, 0.02, (count, readings))
    logs = [0.03 * min(k, begins) - loss * max(k - begins, 0) for k in range(count)]
    return [CurveStep(25.0 - 2.0 * k, tuple((30.0 * np.exp(logs[k] + noise[k])).tolist())) for k in range(count)]


def scaled(steps: Sequence[CurveStep], factor: float) -> list[CurveStep]:
    return [
        CurveStep(step.peep_cmh2o, tuple(factor * c for c in step.compliances_ml_per_cmh2o), step.resolution)
        for step in steps
    ]


def probabilities(closing: Closing) -> list[float]:
    return [closing.not_reached, closing.falling_from_first_step, *(step.probability for step in closing.steps)]


@given(limbs())
@settings(max_examples=150, deadline=None)
def test_probabilities_are_probabilities_and_sum_to_one(steps: list[CurveStep]) -> None:
    chances = probabilities(estimate_closing(steps))

    assert all(0.0 <= chance <= 1.0 + 1e-12 for chance in chances)
    assert math.isclose(sum(chances), 1.0, abs_tol=1e-9)


@given(limbs())
@settings(max_examples=150, deadline=None)
def test_a_pressure_is_named_if_and_only_if_it_was_found(steps: list[CurveStep]) -> None:
    closing = estimate_closing(steps)

    assert (closing.peep_cmh2o is None) == (closing.verdict is not Verdict.FOUND)
    assert (closing.interval_cmh2o is None) == (closing.verdict is not Verdict.FOUND)
    assert (closing.shape is None) == (closing.verdict is not Verdict.FOUND)
    assert bool(closing.reason) == (closing.verdict is Verdict.INDETERMINATE)


@given(plausible_limbs())
@settings(max_examples=100, deadline=None)
def test_the_pressure_named_lies_within_its_interval_and_below_the_second_step(steps: list[CurveStep]) -> None:
    closing = estimate_closing(steps)

    if closing.peep_cmh2o is not None and closing.interval_cmh2o is not None:
        low, high = closing.interval_cmh2o
        assert low <= closing.peep_cmh2o <= high < steps[1].peep_cmh2o


@given(limbs(any_compliances, most_readings=3))
@settings(max_examples=200, deadline=None)
def test_no_positive_readings_however_odd_break_it(steps: list[CurveStep]) -> None:
    chances = probabilities(estimate_closing(steps))

    assert all(map(math.isfinite, chances))


@given(plausible_limbs(), st.sampled_from((0.25, 0.5, 2.0, 3.7, 10.2)))
@settings(max_examples=60, deadline=None)
def test_scaling_all_volumes_leaves_the_answer_unchanged(steps: list[CurveStep], factor: float) -> None:
    before, after = estimate_closing(steps), estimate_closing(scaled(steps, factor))

    assert (after.verdict, after.peep_cmh2o) == (before.verdict, before.peep_cmh2o)
    assert probabilities(after) == pytest.approx(probabilities(before), abs=0.01)
    assert after.steps[0].fitted_ml_per_cmh2o == pytest.approx(factor * before.steps[0].fitted_ml_per_cmh2o, rel=1e-3)


@given(plausible_limbs(), st.sampled_from((-0.5, 3.0, 7.5)))
@settings(max_examples=40, deadline=None)
def test_the_same_readings_at_other_pressures_close_at_the_same_step(steps: list[CurveStep], higher: float) -> None:
    moved = [CurveStep(step.peep_cmh2o + higher, step.compliances_ml_per_cmh2o) for step in steps]

    before, after = estimate_closing(steps), estimate_closing(moved)

    assert probabilities(after) == probabilities(before)
    assert after.peep_cmh2o == (None if before.peep_cmh2o is None else before.peep_cmh2o + higher)


@given(limbs(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_order_of_readings_within_a_step_changes_nothing_at_all(
    steps: list[CurveStep], order: np.random.Generator
) -> None:
    shuffled = []
    for step in steps:
        readings = list(step.compliances_ml_per_cmh2o)
        order.shuffle(readings)
        shuffled.append(CurveStep(step.peep_cmh2o, tuple(readings), step.resolution))

    assert estimate_closing(shuffled) == estimate_closing(steps)


@pytest.mark.parametrize("seed", range(20))
def test_more_readings_far_above_closing_do_not_move_it_below_its_interval(seed: int) -> None:
    rng = np.random.default_rng(seed)
    true = [31.0, 32.0, 32.5, 33.0, 33.0, 32.5, 30.0, 27.0, 24.5, 22.5]
    steps = [CurveStep(23.0 - 2.0 * k, tuple(c * np.exp(rng.normal(0.0, 0.02, 3)))) for k, c in enumerate(true)]
    more = tuple(true[1] * np.exp(rng.normal(0.0, 0.02, 10)))
    first = CurveStep(21.0, steps[1].compliances_ml_per_cmh2o + more)

    before, after = estimate_closing(steps), estimate_closing([steps[0], first, *steps[2:]])

    assert before.interval_cmh2o is not None
    assert after.peep_cmh2o is not None
    assert after.peep_cmh2o >= before.interval_cmh2o[0]


def test_more_readings_narrow_the_interval_on_average() -> None:
    true = [31.0, 32.0, 32.5, 33.0, 33.0, 32.5, 30.0, 27.0, 24.5, 22.5]
    widths: dict[int, list[float]] = {1: [], 3: [], 10: []}
    for seed in range(60):
        for readings, found in widths.items():
            rng = np.random.default_rng([seed, readings])
            noise = rng.normal(0.0, 0.04, (len(true), readings))
            limb = [CurveStep(23.0 - 2.0 * k, tuple((c * np.exp(noise[k])).tolist())) for k, c in enumerate(true)]
            interval = estimate_closing(limb).interval_cmh2o
            # A limb without an answer counts as one on which nothing is known.
            found.append(18.0 if interval is None else interval[1] - interval[0])

    one, three, ten = (float(np.mean(widths[readings])) for readings in (1, 3, 10))

    assert one > three > ten


PROGRAM = """
import hashlib, math
from ebbmark.physiology.closing.estimator import CurveStep, estimate_closing
digest = hashlib.sha256()
for n in range(40):
    steps = [
        CurveStep(25.0 - 2.0 * k, tuple(30.0 + 3.0 * math.sin(n + 7.0 * k + j) for j in range(1 + n % 4)))
        for k in range(5 + n % 8)
    ]
    digest.update(repr(estimate_closing(steps)).encode())
print(digest.hexdigest())
"""


def test_two_processes_give_the_same_bytes() -> None:
    digests = {
        subprocess.run(
            [sys.executable, "-c", PROGRAM],
            env={"PYTHONPATH": str(SERVICE), "PYTHONHASHSEED": seed},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for seed in ("1", "2")
    }

    assert len(digests) == 1
    assert len(digests.pop().strip()) == 2 * hashlib.sha256().digest_size


def test_asking_again_gives_the_same_answer_whatever_was_asked_in_between() -> None:
    steps = [CurveStep(20.0 - 2.0 * k, (30.0 + 0.1 * k - max(k - 4, 0) * 2.0,)) for k in range(8)]
    first = estimate_closing(steps)
    estimate_closing(scaled(steps, 3.0)[1:], fall=0.08)

    assert estimate_closing(steps) == first
