"""Prior of the curves of true compliance on a decremental limb, and the step at which a given curve closes.

The prior is a mixture of Gaussian processes for x, the logarithm of true compliance at the steps: a level, a slope
and a curvature (compliance first rises as overdistension is relieved, then falls), a smooth part of unknown form,
and, in most components, one more rapid fall of unknown size at one of many places with one of two widths. All
components of a regime share their smooth part, and differ in one direction only: the shape of the rapid fall.

Source: loss of units and relief of overdistension together shape compliance on the way down (Hickling, Am J Respir
Crit Care Med 2001;163:69-78); closing pressures are spread around a centre (Crotti et al., Am J Respir Crit Care
Med 2001;164:131-40). The sizes are the project's choice, set on simulated lungs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, Integers, cholesky, exp, log, normal_points, times

__all__ = ["DROP_MEAN", "DROP_SD", "FALLING", "NOT_REACHED", "CurvePrior"]
__all__ += ["closing_events", "curve_prior", "event_factors", "event_prior", "running_maximum"]

NOT_REACHED = 0
"""Event: compliance never falls for good within the limb."""

FALLING = 1
"""Event: it has fallen for good at the second step, so that no step above was better. Nothing can have fallen at
the first step, so the numbers 0 and 1 are free; the events 2, 3 … are closing at just that step, counted from 0."""

DROP_MEAN, DROP_SD = -0.3, 0.3
"""Size of the rapid fall, in the logarithm of compliance."""

_LEVEL_SD = 1.5
_REGIMES = (
    # share; slope SD [1/cmH2O]; curvature mean and SD [1/cmH2O2]; smooth part: SD and length [cmH2O]
    (0.75, 0.03, -0.0013, 0.0005, 0.04, 6.5),
    (0.25, 0.05, -0.0006, 0.0012, 0.10, 5.6),
)
_FINE_SD, _FINE_LENGTH_CMH2O = 0.0045, 4.0
_ROUGHNESS_SD = 0.006
"""True compliance of a lung of finitely many units is a little rough from step to step."""

_SHARP_DROP_PER_STEP, _MOST_SHARP_DROPS, _WIDE_DROP = 0.015, 0.35, 0.15
_WIDE_DROP_CMH2O, _DROP_SPACING_CMH2O = 1.3, 1.5

_PRIOR_NOT_REACHED = 0.30
_PRIOR_FALLING = 0.10
_RAREST_EVENT = 1e-3
_PRIOR_POINTS = 1024


@dataclass(frozen=True, slots=True)
class CurvePrior:
    """Mixture of Gaussians for the logarithm of compliance, about an arbitrary level.

    A component is a regime together with a shape of the rapid fall; its curve is the mean of the regime, plus the
    smooth part, plus the shape times a size of mean `DROP_MEAN` and standard deviation `DROP_SD`.

    Attributes:
        weights: of the components [regimes x shapes].
        means: of the regimes [regimes x steps].
        smooth: covariance of the smooth part [regimes x steps x steps].
        shapes: share of the rapid fall that is over at each step; the first is none at all [shapes x steps].
    """

    weights: Floats
    means: Floats
    smooth: Floats
    shapes: Floats


def closing_events(curves: Floats, log_kept: float | Floats) -> Integers:
    """Find the step of lasting fall on noise-free curves.

    The closing step is the first, going down, that lies by the fall that counts below the maximum so far and does not
    recover at the next step. At the last step there is no next one: the fall counts.

    Args:
        curves: logarithm of compliance [steps x curves], highest PEEP first.
        log_kept: logarithm of what is kept where the fall just counts, log(1 - fall); one, or one for each curve.

    Returns:
        Index of the closing step, `FALLING` (1) or `NOT_REACHED` (0) per curve [curves].

    Source: the definition is the project's own.
    """
    low = curves <= running_maximum(curves) + log_kept
    low[:-1] &= low[1:]
    # Nothing is low at the first step, so that argmax gives 0 where nothing is low at all.
    first: Integers = np.argmax(low, axis=0)
    return first


def running_maximum(curves: Floats) -> Floats:
    """Find the maximum so far at each step, row after row: several times faster than numpy's own along the first axis.

    Args:
        curves: [steps x curves].
    """
    highest = curves.copy()
    for before, row in pairwise(highest):
        np.maximum(before, row, out=row)
    return highest


@lru_cache(maxsize=64)
def curve_prior(peeps_cmh2o: tuple[float, ...]) -> CurvePrior:
    """Lay the prior over one set of steps.

    Args:
        peeps_cmh2o: strictly falling.

    Source: the form and its sizes are the project's choice; see the module.
    """
    peep = np.array(peeps_cmh2o)
    centred = peep - sum(peeps_cmh2o) / len(peeps_cmh2o)
    apart = peep[:, None] - peep
    shares, shapes = _drops(peep)
    weights, means, smooth = [], [], []
    for regime, slope_sd, bend_mean, bend_sd, smooth_sd, length in _REGIMES:
        square = centred * centred
        smooth.append(
            _LEVEL_SD**2
            + slope_sd**2 * (centred[:, None] * centred)
            + bend_sd**2 * (square[:, None] * square)
            + smooth_sd**2 * exp(-0.5 * (apart / length) ** 2)
            + _FINE_SD**2 * exp(-0.5 * (apart / _FINE_LENGTH_CMH2O) ** 2)
            + _ROUGHNESS_SD**2 * np.eye(peep.size)
        )
        weights.append(regime * shares)
        means.append(bend_mean * square)
    return CurvePrior(np.array(weights), np.array(means), np.array(smooth), shapes)


def _drops(peep: Floats) -> tuple[Floats, Floats]:
    """List the rapid falls: how probable, and which share of it is over at each step.

    A sharp one is over between two neighbouring steps, and as probable there however many other steps there are; of a
    wide one some is felt at several.
    """
    sharp = np.tril(np.ones((peep.size, peep.size)), -1)[:, :-1].T
    count = int(float(peep[0] - peep[-1]) / _DROP_SPACING_CMH2O) + 1
    places = peep[-1] + _DROP_SPACING_CMH2O * np.arange(count)
    wide = 1.0 / (1.0 + exp((peep - places[:, None]) / _WIDE_DROP_CMH2O))
    sharp_drop = min(_SHARP_DROP_PER_STEP * (peep.size - 1), _MOST_SHARP_DROPS)
    shares = [
        np.array([1.0 - sharp_drop - _WIDE_DROP]),
        np.full(peep.size - 1, sharp_drop / (peep.size - 1)),
        np.full(count, _WIDE_DROP / count),
    ]
    return np.concatenate(shares), np.concatenate([np.zeros((1, peep.size)), sharp, wide])


def event_prior(steps: int) -> Floats:
    """Give the probability of each event before any reading.

    Args:
        steps: of the limb, at least 3.

    Source: the project's choice.
    """
    prior = np.full(steps, (1.0 - _PRIOR_NOT_REACHED - _PRIOR_FALLING) / (steps - 2))
    prior[NOT_REACHED], prior[FALLING] = _PRIOR_NOT_REACHED, _PRIOR_FALLING
    return prior


@lru_cache(maxsize=64)
def event_factors(peeps_cmh2o: tuple[float, ...], fall: float) -> Floats:
    """Give the factors by which curves of each event are re-weighted.

    With them the events have the probabilities of `event_prior`, and not those which the Gaussians happen to give.

    Args:
        peeps_cmh2o: strictly falling.
        fall: relative fall that counts as closing.

    Source: the project's choice.
    """
    prior = curve_prior(peeps_cmh2o)
    steps = len(peeps_cmh2o)
    points = normal_points(_PRIOR_POINTS, steps + 1)
    given, log_kept = np.zeros(steps), float(log(np.array(1.0 - fall)))
    for weights, mean, smooth in zip(prior.weights, prior.means, prior.smooth, strict=True):
        curves = mean[:, None] + times(cholesky(smooth), points[:-1])
        sizes = DROP_MEAN + DROP_SD * points[-1]
        for weight, shape in zip(weights.tolist(), prior.shapes, strict=True):
            events = closing_events(curves + shape[:, None] * sizes, log_kept)
            given += weight / _PRIOR_POINTS * np.bincount(events, minlength=steps)
    factors: Floats = event_prior(steps) / np.maximum(given, _RAREST_EVENT)
    return factors
