"""What else could one use to find the closing pressure? Rules of thumb and general libraries, on step means.

Each takes falling PEEPs and the mean compliance per step and names a step, or says *not reached* or *falling from
the first step*; none can abstain. A step index of 1 means *falling from the first step*, as in `truth`.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import kneed
import numpy as np
import pwlf
import ruptures
from numpy.typing import NDArray
from scipy.optimize import least_squares

from benchmarks.detection.truth import Truth, true_closing
from ebbmark.physiology.closing.result import Verdict

Floats: TypeAlias = NDArray[np.float64]
Rule: TypeAlias = Callable[[Floats, Floats], Truth]


@dataclass(frozen=True, slots=True)
class Competitor:
    """One way to name a step.

    Attributes:
        answer: from PEEPs [cmH2O, falling] and mean compliances [mL/cmH2O].
        share: share of the trials it is run on (slow libraries see fewer).
    """

    answer: Rule
    share: float = 1.0


def highest_compliance(peeps: Floats, means: Floats) -> Truth:
    """Closing is the first step below the highest compliance."""
    return _at(int(np.argmax(means)) + 1, len(means))


def fall_over_tenth(peeps: Floats, means: Floats) -> Truth:
    """Closing is the first step more than 10 % below the running maximum."""
    below = np.flatnonzero(means < 0.9 * np.maximum.accumulate(means))
    return _at(int(below[0]) if below.size else None, len(means))


def lasting_fall(peeps: Floats, means: Floats) -> Truth:
    """Apply the definition of closing to the noisy means as if there were no noise."""
    return true_closing(means.tolist())


def largest_drop(peeps: Floats, means: Floats) -> Truth:
    """Closing is the step with the largest drop from the step before."""
    drops = means[:-1] - means[1:]
    return _at(int(np.argmax(drops)) + 1 if drops.max() > 0.0 else None, len(means))


def ruptures_level(peeps: Floats, means: Floats) -> Truth:
    """PELT on log compliance with a BIC penalty: closing is the first change of level that goes down."""
    logs = np.log(means)
    noise = float(np.median(np.abs(np.diff(logs, n=2)))) / 0.6745 / math.sqrt(6.0)
    penalty = 2.0 * max(noise, 0.005) ** 2 * math.log(len(logs))
    ends = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(logs.reshape(-1, 1)).predict(pen=penalty)
    levels = [float(piece.mean()) for piece in np.split(logs, ends[:-1])]
    falls = [end for end, before, after in zip(ends[:-1], levels, levels[1:], strict=False) if after < before]
    return _at(falls[0] if falls else None, len(means))


def ruptures_slope(peeps: Floats, means: Floats) -> Truth:
    """Best single kink of a continuous broken line (dynamic programming): closing is the step after it.

    The line needs three steps on either side; a shorter limb is judged by level.
    """
    if len(means) < 6:
        return ruptures_level(peeps, means)
    ends = ruptures.Dynp(model="clinear", min_size=3, jump=1).fit(means.reshape(-1, 1)).predict(n_bkps=1)
    kink = int(ends[0])
    return _at(kink if means[kink:].mean() < means[:kink].max() else None, len(means))


def kneed_knee(peeps: Floats, means: Floats) -> Truth:
    """Kneedle on compliance rising with PEEP: closing is the step below the knee."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        knee = kneed.KneeLocator(peeps[::-1], means[::-1], curve="concave", direction="increasing").knee
    return _at(None if knee is None else int(np.flatnonzero(peeps == knee)[0]) + 1, len(means))


def pwlf_kink(peeps: Floats, means: Floats) -> Truth:
    """Least-squares broken line of two pieces: closing is the first step below the kink, if compliance falls there."""
    fit = pwlf.PiecewiseLinFit(peeps[::-1], means[::-1], seed=0)
    kink = float(fit.fitfast(2, pop=3)[1])
    below = np.flatnonzero(peeps < kink)
    return _at(int(below[0]) if below.size and fit.slopes[0] > 0.0 else None, len(means))


def sigmoid_fit(peeps: Floats, means: Floats) -> Truth:
    """Least-squares sigmoid of compliance against PEEP: the definition applied to the fitted curve."""
    spread = float(np.ptp(means)) + 1e-6
    start = np.array([float(means.min()), spread, float(peeps.mean()), 2.0])
    bounds = (
        [0.0, 0.0, float(peeps.min()) - 5.0, 0.3],
        [float(means.max()) + 1e-3, 3.0 * spread, float(peeps.max()) + 5.0, 15.0],
    )

    def curve(x: Floats) -> Floats:
        return np.asarray(x[0] + x[1] / (1.0 + np.exp((x[2] - peeps) / x[3])))

    def residuals(x: Floats) -> Floats:
        return curve(x) - means

    fitted = least_squares(residuals, start, bounds=bounds, max_nfev=100).x
    return true_closing(curve(fitted).tolist())


def _at(step: int | None, count: int) -> Truth:
    if step is None or step >= count:
        return Truth(Verdict.NOT_REACHED, None)
    return Truth(Verdict.FALLING_FROM_FIRST_STEP if step <= 1 else Verdict.FOUND, step)


COMPETITORS: dict[str, Competitor] = {
    "highest compliance": Competitor(highest_compliance),
    "first fall over 10 %": Competitor(fall_over_tenth),
    "first lasting fall over 5 %": Competitor(lasting_fall),
    "largest single drop": Competitor(largest_drop),
    "ruptures, level": Competitor(ruptures_level),
    "ruptures, slope": Competitor(ruptures_slope),
    "kneed": Competitor(kneed_knee),
    "pwlf": Competitor(pwlf_kink, share=0.1),
    "sigmoid fit": Competitor(sigmoid_fit, share=0.25),
}
"""Every alternative of the benchmark."""
