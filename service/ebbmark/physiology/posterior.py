"""How probable is it, given noisy readings, that the lung closed at each of the steps?

See `closing` for the statement of the model. This module weighs every hypothesis (a component of the prior of the
curve, a size of the noise, and which steps, none to two, are spoiled) by its exact Gaussian evidence, and then
counts the closing events of curves laid evenly through the posterior.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise, product
from math import log, pi

import numpy as np

from ebbmark.physiology.curves import CurvePrior, Floats, Integers, closing_events, curve_prior, normal_points

__all__ = ["POINTS", "Hypotheses", "Noise", "Posterior", "StepCentres"]
__all__ += ["lay_curves", "noise_of", "step_centres", "weigh_hypotheses"]

POINTS = 512
"""Curves laid through the posterior."""

_READING_SD = ((0.006, 0.08), (0.011, 0.18), (0.02, 0.25), (0.033, 0.25), (0.055, 0.17), (0.09, 0.07))
_STEP_SD = ((0.0045, 0.4), (0.022, 0.6))
_STEP_SD_IF_SINGLE = ((0.007, 1.0),)
_LEAST_NOISE_WEIGHT = 1e-6
_SPOILED = 0.03
_SPOILED_DENSITY = 1.0
_FEWEST_STEPS_FOR_TWO_SPOILED = 6


@dataclass(frozen=True, slots=True)
class StepCentres:
    """The readings, condensed.

    Attributes:
        centres: robust centre of the logarithm of compliance [steps].
        within_ss: robust sum of squares around the centres, over all steps.
        freedom: degrees of freedom of that sum: readings minus steps.
    """

    centres: Floats
    within_ss: float
    freedom: int


@dataclass(frozen=True, slots=True)
class Noise:
    """Sizes of the noise that the readings leave possible.

    Attributes:
        pattern: variance of each step's centre relative to the others [steps].
        variances: by which the pattern is multiplied [sizes].
        log_weights: logarithm of prior times likelihood of the spread within steps [sizes].
    """

    pattern: tuple[float, ...]
    variances: Floats
    log_weights: Floats


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """Every hypothesis with its weight.

    Steps are scaled by the noise pattern, and each component is turned into the axes of its covariance, in which
    signal and noise are both diagonal.

    Attributes:
        log_weights: unnormalised [components x sizes x sets of spoiled steps].
        first, second: the spoiled steps of each set; number of steps where none [sets].
        projected: residual in the axes [components x steps].
        inverse: 1 / (signal + noise) in the axes [components x sizes x steps].
        pull: inverse covariance times residual [components x sizes x steps].
        own: diagonal of the inverse covariance [components x sizes x steps].
        cross: its entries at the pairs [components x sizes x pairs].
    """

    log_weights: Floats
    first: Integers
    second: Integers
    projected: Floats
    inverse: Floats
    pull: Floats
    own: Floats
    cross: Floats


@dataclass(frozen=True, slots=True)
class Posterior:
    """Curves laid evenly through the posterior.

    Attributes:
        events: probability of each event, by number [steps].
        curves: logarithm of compliance [curves x steps].
        weights: of the curves, sum 1 [curves].
        curve_events: event of each curve [curves].
        centres: the robust centres that the curves were laid through [steps].
    """

    events: Floats
    curves: Floats
    weights: Floats
    curve_events: Integers
    centres: Floats


def step_centres(readings: tuple[tuple[float, ...], ...]) -> StepCentres:
    """Condense the logarithms of the readings to a robust centre per step.

    The centre is a weighted mean whose weights fall with the fourth power of the distance from the median, in
    units of the spread pooled over all steps: one wild reading among several hardly moves it.

    Args:
        readings: compliance per step [mL/cmH2O].

    Source: redescending M-estimation, textbook; the constant 3 is the project's choice.
    """
    counts = [len(step) for step in readings]
    steps, total = len(counts), sum(counts)
    if total == steps:
        return StepCentres(np.log(np.array(readings)[:, 0]), 0.0, 0)
    values = np.log(np.array([value for step in readings for value in sorted(step)]))
    sizes = np.array(counts)
    starts = np.cumsum(sizes) - sizes
    centres = 0.5 * (values[starts + (sizes - 1) // 2] + values[starts + sizes // 2])
    several = np.repeat(sizes > 1, sizes)
    inflation = (total / (total - steps)) ** 0.5
    for _ in range(3):
        residual = values - np.repeat(centres, sizes)
        spread = max(1.4826 * inflation * float(np.median(np.abs(residual[several]))), 1e-3)
        weight = (1.0 + (residual / (3.0 * spread)) ** 2) ** -2
        centres = np.add.reduceat(weight * values, starts) / np.add.reduceat(weight, starts)
    residual = np.minimum(np.abs(values - np.repeat(centres, sizes)), 3.0 * spread)
    return StepCentres(centres, float(residual @ residual), total - steps)


def noise_of(data: StepCentres, counts: tuple[int, ...], resolutions: tuple[float, ...]) -> Noise:
    """List the sizes of the noise, weighed by the spread of the readings within their steps.

    Args:
        data: the condensed readings.
        counts: readings per step.
        resolutions: relative standard deviation from rounding, per step.

    Source: the sizes are the project's choice, around customary spreads of 1 to 10 % per reading.
    """
    count, rounding = np.array(counts, dtype=np.float64), np.array(resolutions)
    sizes = list(product(_READING_SD, _STEP_SD if data.freedom else _STEP_SD_IF_SINGLE))
    reading = np.array([size[0] for size, _ in sizes]) ** 2
    step = np.array([size[0] for _, size in sizes]) ** 2
    log_weights = np.log([a[1] * b[1] for a, b in sizes])
    if data.freedom:
        within = reading + float(np.mean(rounding**2))
        log_weights = log_weights - 0.5 * (data.freedom * np.log(within) + data.within_ss / within)
        kept = log_weights > log_weights.max() + log(_LEAST_NOISE_WEIGHT)
        reading, step, log_weights = reading[kept], step[kept], log_weights[kept]
    # Rounding averages out over readings only as far as their noise spreads them over several marks of the scale.
    dither = np.minimum(1.0, reading[:, None] / np.maximum(rounding**2, 1e-12))
    variance = step[:, None] + reading[:, None] / count + rounding**2 / (1.0 + (count - 1.0) * dither)
    share = np.exp(log_weights - log_weights.max())
    relative = variance[int(share.argmax())]
    # Quarter octaves: near-equal patterns share their tables.
    pattern = np.exp2(np.rint(4.0 * np.log2(relative / np.median(relative))) / 4.0)
    return Noise(tuple(pattern.tolist()), (variance / pattern).mean(axis=1), log_weights)


@dataclass(frozen=True, slots=True)
class _Axes:
    prior: CurvePrior
    scale: Floats
    axes: Floats
    signal: Floats
    products: Floats
    log_weights: Floats


@lru_cache(maxsize=64)
def _axes_of(peeps_cmh2o: tuple[float, ...], fall: float, pattern: tuple[float, ...]) -> _Axes:
    prior = curve_prior(peeps_cmh2o, fall)
    scale = np.sqrt(np.array(pattern))
    signal, axes = np.linalg.eigh(prior.covariances / (scale[:, None] * scale))
    first, second = np.triu_indices(scale.size, 1)
    products = (axes[:, first, :] * axes[:, second, :]).transpose(0, 2, 1)
    return _Axes(prior, scale, axes, np.maximum(signal, 0.0), np.ascontiguousarray(products), np.log(prior.weights))


def weigh_hypotheses(peeps_cmh2o: tuple[float, ...], data: StepCentres, noise: Noise, fall: float) -> Hypotheses:
    """Weigh every component, size of noise and set of spoiled steps by its evidence.

    The evidence without a step follows from that with it by dividing by the step's predictive density.

    Source: Gaussian conditioning and leave-one-out identities, textbook.
    """
    table = _axes_of(peeps_cmh2o, fall, noise.pattern)
    steps = table.scale.size
    residual = _centred(data) / table.scale - table.prior.means / table.scale
    projected = (residual[:, None, :] @ table.axes)[:, 0, :]
    inverse = 1.0 / (table.signal[:, None, :] + noise.variances[None, :, None])
    square = (inverse @ (projected**2)[:, :, None])[:, :, 0]
    pull = (inverse * projected[:, None, :]) @ table.axes.transpose(0, 2, 1)
    own = inverse @ (table.axes**2).transpose(0, 2, 1)
    cross = inverse @ table.products

    none = 0.5 * (np.log(inverse).sum(axis=2) - square) + table.log_weights[:, None] + noise.log_weights
    odds = log(_SPOILED / (1.0 - _SPOILED) * _SPOILED_DENSITY) + 0.5 * log(2.0 * pi) + np.log(table.scale)
    one = none[:, :, None] + odds + 0.5 * (pull * pull / own - np.log(own))
    parts = [none[:, :, None], one]
    first, second = np.triu_indices(steps, 1)
    if steps >= _FEWEST_STEPS_FOR_TWO_SPOILED:
        determinant = own[:, :, first] * own[:, :, second] - cross**2
        pulled = (
            pull[:, :, first] ** 2 * own[:, :, second]
            - 2.0 * pull[:, :, first] * pull[:, :, second] * cross
            + pull[:, :, second] ** 2 * own[:, :, first]
        ) / determinant
        parts.append(none[:, :, None] + (odds[first] + odds[second]) + 0.5 * (pulled - np.log(determinant)))
    else:
        first, second = first[:0], second[:0]
    return Hypotheses(
        np.concatenate(parts, axis=2),
        np.concatenate([[steps], np.arange(steps), first]),
        np.concatenate([np.full(steps + 1, steps), second]),
        projected,
        inverse,
        pull,
        own,
        cross,
    )


def lay_curves(
    peeps_cmh2o: tuple[float, ...], data: StepCentres, noise: Noise, hypotheses: Hypotheses, fall: float
) -> Posterior:
    """Lay curves evenly through the posterior and count where they close.

    Hypotheses get curves in proportion to their weight. Given its hypothesis, the curve is Gaussian: its mean
    plus the root of its covariance times a fixed point; spoiled steps are first replaced by a value drawn from
    what the others predict of them.

    Source: Gaussian conditioning, textbook.
    """
    table = _axes_of(peeps_cmh2o, fall, noise.pattern)
    steps = table.scale.size
    component, size, chosen = _allot(hypotheses.log_weights)
    points = normal_points(POINTS, steps + 2)
    inverse = hypotheses.inverse[component, size]
    projected = hypotheses.projected[component]
    projected = projected + _replacements(table, hypotheses, component, size, chosen, points[:, :2])
    signal, variance = table.signal[component], noise.variances[size][:, None]
    turned = signal * inverse * projected + np.sqrt(signal * variance * inverse) * points[:, 2:]
    curves = np.empty((POINTS, steps))
    bounds = np.flatnonzero(np.diff(component, prepend=-1, append=-1)).tolist()
    for start, end in pairwise(bounds):
        curves[start:end] = turned[start:end] @ table.axes[component[start]].T
    curves = curves * table.scale + table.prior.means[component]
    events = closing_events(np.exp(curves), fall)
    weights = table.prior.event_factors[events]
    weights = weights / weights.sum()
    share: Floats = np.bincount(events, weights=weights, minlength=steps).astype(np.float64)
    return Posterior(share, curves + _middle(data), weights, events, data.centres)


def _middle(data: StepCentres) -> float:
    return float(np.median(data.centres))


def _centred(data: StepCentres) -> Floats:
    return data.centres - _middle(data)


def _allot(log_weights: Floats) -> tuple[Integers, Integers, Integers]:
    running = np.cumsum(np.exp(log_weights - log_weights.max()))
    wanted = (np.arange(POINTS) + 0.5) * (running[-1] / POINTS)
    component, size, chosen = np.unravel_index(np.searchsorted(running, wanted), log_weights.shape)
    return component, size, chosen


def _replacements(
    table: _Axes,
    hypotheses: Hypotheses,
    component: Integers,
    size: Integers,
    chosen: Integers,
    points: Floats,
) -> Floats:
    """Change of the residual, in the axes, where spoiled steps are replaced by values that the others predict."""
    steps = table.scale.size
    change = np.zeros((POINTS, steps))
    some = np.flatnonzero(chosen)
    if some.size == 0:
        return change
    q, s, h = component[some], size[some], chosen[some]
    first, second = hypotheses.first[h], hypotheses.second[h]
    both = second < steps
    a = hypotheses.own[q, s, first]
    pull_a = hypotheses.pull[q, s, first]
    last = np.where(both, second, 0)
    d = np.where(both, hypotheses.own[q, s, last], 1.0)
    pull_d = np.where(both, hypotheses.pull[q, s, last], 0.0)
    pair = np.where(both, h - steps - 1, 0)
    b = np.where(both, hypotheses.cross[q, s, pair], 0.0) if hypotheses.cross.shape[2] else np.zeros(some.size)
    determinant = a * d - b * b
    # Covariance of the two replaced values: the inverse of [[a, b], [b, d]], through its lower root.
    root = np.sqrt(d / determinant)
    delta_a = -(d * pull_a - b * pull_d) / determinant + root * points[some, 0]
    delta_d = -(a * pull_d - b * pull_a) / determinant - (b / determinant / root) * points[some, 0]
    delta_d = np.where(both, delta_d + np.sqrt(1.0 / d) * points[some, 1], 0.0)
    change[some] = delta_a[:, None] * table.axes[q, first] + delta_d[:, None] * table.axes[q, last]
    return change
