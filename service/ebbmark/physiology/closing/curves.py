"""Which curves of true compliance are plausible on a decremental limb, and where does a given curve close?

The prior is a mixture of Gaussian processes for x, the logarithm of true compliance at the steps: a level, a slope
and a curvature (compliance first rises as overdistension is relieved, then falls), a smooth part of unknown form,
and, in most components, one more rapid fall of unknown size at one of many places with one of two widths.

Source: loss of units and relief of overdistension together shape compliance on the way down (Hickling, Am J Respir
Crit Care Med 2001;163:69-78); closing pressures are spread around a centre (Crotti et al., Am J Respir Crit Care
Med 2001;164:131-40). The sizes are the project's choice, set on simulated lungs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

__all__ = ["FALLING", "NOT_REACHED", "CurvePrior", "Floats", "Integers"]
__all__ += ["closing_events", "curve_prior", "event_factors", "event_prior", "normal_points"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

NOT_REACHED = 0
"""Event: compliance never falls for good within the limb."""

FALLING = 1
"""Event: it has fallen for good at the second step, so that no step above was better. Nothing can have fallen at
the first step, so the numbers 0 and 1 are free; the events 2, 3 … are closing at just that step, counted from 0."""

_LEVEL_SD = 1.5
_REGIMES = (
    # share; slope SD [1/cmH2O]; curvature mean and SD [1/cmH2O2]; smooth part: SD and length [cmH2O]
    (0.75, 0.02, -0.0013, 0.0004, 0.06, 5.6),
    (0.25, 0.05, -0.0006, 0.0012, 0.10, 5.6),
)
_FINE_SD, _FINE_LENGTH_CMH2O = 0.0045, 4.0
_DROP_MEAN, _DROP_SD = -0.3, 0.3
_SHARP_DROP_PER_STEP, _MOST_SHARP_DROPS, _WIDE_DROP = 0.02, 0.35, 0.21
_WIDE_DROP_CMH2O, _DROP_SPACING_CMH2O = 1.0, 1.5

_PRIOR_NOT_REACHED = 0.30
_PRIOR_FALLING = 0.10
_RAREST_EVENT = 1e-3
_PRIOR_POINTS = 256


@dataclass(frozen=True, slots=True)
class CurvePrior:
    """Mixture of Gaussians for the logarithm of compliance, about an arbitrary level.

    Attributes:
        weights: of the components [components].
        means: [components x steps].
        covariances: [components x steps x steps].
    """

    weights: Floats
    means: Floats
    covariances: Floats


def closing_events(curves: Floats, fall: float | Floats) -> Integers:
    """Find the step of lasting fall on noise-free curves.

    The closing step is the first, going down, that lies at least `fall` below the maximum so far and does not
    recover at the next step. At the last step there is no next one: the fall counts.

    Args:
        curves: logarithm of compliance [curves x steps], highest PEEP first.
        fall: relative fall that counts; one for all, or one for each [curves x 1].

    Returns:
        Index of the closing step, `FALLING` (1) or `NOT_REACHED` (0) per curve [curves].

    Source: the definition is the project's own.
    """
    low = curves <= np.maximum.accumulate(curves, axis=1) + np.log1p(-np.asarray(fall))
    low[:, :-1] &= low[:, 1:]
    # Nothing is low at the first step, so that argmax gives 0 where nothing is low at all.
    first: Integers = np.argmax(low, axis=1)
    return first


@lru_cache(maxsize=64)
def curve_prior(peeps_cmh2o: tuple[float, ...]) -> CurvePrior:
    """Lay the prior over one set of steps.

    Args:
        peeps_cmh2o: strictly falling.

    Source: the form and its sizes are the project's choice; see the module.
    """
    peep = np.array(peeps_cmh2o)
    centred = peep - peep.mean()
    apart = peep[:, None] - peep
    shares, drops = _drops(peep)
    weights, means, covariances = [], [], []
    for regime, slope_sd, bend_mean, bend_sd, smooth_sd, length in _REGIMES:
        smooth = (
            _LEVEL_SD**2
            + slope_sd**2 * np.outer(centred, centred)
            + bend_sd**2 * np.outer(centred**2, centred**2)
            + smooth_sd**2 * np.exp(-0.5 * (apart / length) ** 2)
            + _FINE_SD**2 * np.exp(-0.5 * (apart / _FINE_LENGTH_CMH2O) ** 2)
        )
        weights.append(regime * shares)
        means.append(bend_mean * centred**2 + _DROP_MEAN * drops)
        covariances.append(smooth + _DROP_SD**2 * drops[:, :, None] * drops[:, None, :])
    return CurvePrior(np.concatenate(weights), np.concatenate(means), np.concatenate(covariances))


def _drops(peep: Floats) -> tuple[Floats, Floats]:
    """List the rapid falls: how probable, and which share of it is over at each step.

    A sharp one is over between two neighbouring steps, and as probable there however many other steps there are; of a
    wide one some is felt at several.
    """
    sharp = np.tril(np.ones((peep.size, peep.size)), -1)[:, :-1].T
    count = int((peep[0] - peep[-1]) / _DROP_SPACING_CMH2O) + 1
    places = peep[-1] + _DROP_SPACING_CMH2O * np.arange(count)
    wide = 0.5 + 0.5 * np.tanh((places[:, None] - peep) / (2.0 * _WIDE_DROP_CMH2O))
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
    roots = np.linalg.cholesky(prior.covariances + 1e-9 * np.eye(steps))
    curves = prior.means[:, None, :] + normal_points(_PRIOR_POINTS, steps) @ roots.transpose(0, 2, 1)
    events = closing_events(curves.reshape(-1, steps), fall)
    shares = np.repeat(prior.weights / _PRIOR_POINTS, _PRIOR_POINTS)
    given = np.bincount(events, weights=shares, minlength=steps)
    return event_prior(steps) / np.maximum(given, _RAREST_EVENT)


@lru_cache(maxsize=64)
def normal_points(count: int, dimensions: int) -> Floats:
    """Spread points evenly under the standard normal density, without chance.

    Args:
        count: how many points.
        dimensions: of each point.

    Returns:
        [count x dimensions]; the array is shared and must not be changed.

    Source: additive recurrence on powers of the generalised golden ratio (from memory), each coordinate taken
    through the normal quantile.
    """
    ratio = 2.0
    for _ in range(80):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    even = (0.5 + np.arange(1, count + 1)[:, None] * ratio ** -np.arange(1.0, dimensions + 1.0)) % 1.0
    quantile = NormalDist().inv_cdf
    points = np.array([[quantile(min(max(share, 1e-12), 1.0 - 1e-12)) for share in row] for row in even.tolist()])
    points.setflags(write=False)
    return points
