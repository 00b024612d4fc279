"""Independent libraries for change points must agree with the closing step where the answer is beyond doubt.

Limbs are flat, drop at once by 20 to 35 % and stay flat, with 0.5 % noise: there the first step after the change
point and the closing step are the same thing. On sloping or gradual limbs they are not, and nobody should expect
agreement.

Libraries: ruptures (C. Truong, L. Oudre, N. Vayatis, Signal Processing 2020;167:107299; citation from memory) with
exact dynamic programming; pwlf (piecewise linear fits), with the breaks left free.
"""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from pwlf import PiecewiseLinFit

from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import CurveStep, Shape, Verdict

STEP_CMH2O = 2.0
CASES = [(seed, at) for seed in range(4) for at in (3, 5, 7)]


def abrupt_limb(seed: int, at: int, readings: int = 3) -> list[CurveStep]:
    rng = np.random.default_rng([seed, at])
    after = 30.0 * (1.0 - rng.uniform(0.20, 0.35))
    noise = rng.normal(0.0, 0.005, (10, readings))
    return [
        CurveStep(23.0 - STEP_CMH2O * k, tuple(((30.0 if k < at else after) * np.exp(noise[k])).tolist()))
        for k in range(10)
    ]


def means(steps: list[CurveStep]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([float(np.mean(step.compliances_ml_per_cmh2o)) for step in steps])


@pytest.mark.parametrize(("seed", "at"), CASES)
def test_ruptures_sees_the_change_at_the_closing_step(seed: int, at: int) -> None:
    steps = abrupt_limb(seed, at)
    change, _ = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(means(steps)).predict(n_bkps=1)

    closing = estimate_closing(steps)

    assert closing.verdict is Verdict.FOUND
    assert closing.shape is Shape.ABRUPT
    assert closing.peep_cmh2o == steps[change].peep_cmh2o == steps[at].peep_cmh2o


@pytest.mark.parametrize(("seed", "at"), CASES[:6])
def test_a_free_piecewise_line_breaks_around_the_closing_step(seed: int, at: int) -> None:
    steps = abrupt_limb(seed, at)
    peeps = np.array([step.peep_cmh2o for step in steps])
    breaks = PiecewiseLinFit(peeps, means(steps), seed=seed).fit(3)

    closing = estimate_closing(steps)

    assert closing.peep_cmh2o is not None
    # No reading lies between two steps, so several steep pieces fit alike, and which of them the library finds differs
    # from processor to processor. The middle of each lies between the closing step and the step above it.
    assert closing.peep_cmh2o < (breaks[1] + breaks[2]) / 2.0 < closing.peep_cmh2o + STEP_CMH2O


def test_without_a_change_neither_sees_one() -> None:
    rng = np.random.default_rng(11)
    steps = [CurveStep(23.0 - 2.0 * k, tuple(30.0 * np.exp(rng.normal(0.0, 0.005, 3)))) for k in range(10)]
    changes = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(means(steps)).predict(pen=3.0)

    assert changes == [10]
    assert estimate_closing(steps).verdict is Verdict.NOT_REACHED
