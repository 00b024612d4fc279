"""The parts of the model: noise and outliers of the readings, and the prior of the curves of true compliance.

**Noise.** Readings are condensed to one robust centre per step. The sizes of noise that the readings leave possible are
weighed by their spread within steps. Beside noise, all that was read of a step may be wrong (suction, a leak, an
effort, a slip).

A step is *confirmed* where at least two of its readings, and more than half of them, agree, and where they were taken
over 30 s or more (or nobody knows when). What spoils one reading is mostly gone by the next, so that a confirmed step
is seldom spoiled as a whole. What lasts that long, such as a leak or secretions, reads too high as often as too low,
and by a little far more often than by a lot: its size is spread about the steps around it as a Cauchy density, so that
a confirmed fall gains belief as it grows, until it is larger than any lung's. A step that is not confirmed may be
spoiled by any amount: its density is the same everywhere.

Source: the project's choice; no published figure was found for how often a step of a PEEP trial is spoiled.

**Curves.** The prior is a mixture of Gaussian processes for x, the logarithm of true compliance at the steps: a level,
a slope and a curvature (compliance first rises as overdistension is relieved, then falls), a smooth part of unknown
form, and, in most components, one more rapid fall of unknown size at one of many places with one of two widths. All
components of a regime share their smooth part, and differ in one direction only: the shape of the rapid fall.

Source: loss of units and relief of overdistension together shape compliance on the way down (Hickling, Am J Respir
Crit Care Med 2001;163:69-78); closing pressures are spread around a centre (Crotti et al., Am J Respir Crit Care
Med 2001;164:131-40). The sizes are the project's choice, set on simulated lungs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import fsum, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.closing.arithmetic import Floats, Integers, cholesky, exp, log, normal_points, times

# Size and probability. A spread that is seen within steps deserves a finer scale than one that is only inferred.
_READING_SD = ((0.003, 0.06), (0.008, 0.14), (0.016, 0.22), (0.028, 0.24), (0.048, 0.20), (0.080, 0.14))
_STEP_SD = 0.018
_STEP_SD_SHARES = (0.425, 0.425, 0.15)
"""What all readings of a step share is next to nothing, like one reading (at most as below), or 1.8 %: readings that
agree closely mostly mean a quiet step, but may be copies of one reading."""
_LEAST_STEP_SD = 0.0015
_READING_SD_IF_SINGLE = ((0.008, 0.16), (0.018, 0.34), (0.04, 0.36), (0.085, 0.14))
_STEP_SD_IF_SINGLE = 0.007
_LEAST_LOG_WEIGHT = -7.0
_RESOLUTION_DECIMALS = 5
"""Of a resolution: limbs with nearly the same one share their tables."""

_SPOILED = 0.03
_SPOILED_DENSITY = 1.0
_SPOILED_IF_CONFIRMED = 0.001
_SIZE_IF_CONFIRMED = 0.10
_LOG_SINGLE, _LOG_CONFIRMED = log(
    np.array(
        [
            _SPOILED / (1.0 - _SPOILED) * _SPOILED_DENSITY,
            _SPOILED_IF_CONFIRMED / (1.0 - _SPOILED_IF_CONFIRMED) / (pi * _SIZE_IF_CONFIRMED),
        ]
    )
).tolist()

_AGREE_WITHIN, _AGREE_SHARE = 0.05, 0.5
_SHORTEST_SPAN_S = 30.0
_STEPS_AROUND = 4
_DECIMALS_OF_DISTANCE = 9
"""To which distances are rounded before a limit is applied, so that no last bit decides."""


@dataclass(frozen=True, slots=True)
class StepCentres:
    """The readings, condensed.

    Attributes:
        centres: robust centre of the logarithm of compliance [steps].
        within_ss: robust sum of squares around the centres, over all steps.
        freedom: degrees of freedom of that sum: readings minus steps.
        values: logarithms of all readings, step by step [readings].
        counts: readings per step [steps].
    """

    centres: Floats
    within_ss: float
    freedom: int
    values: Floats
    counts: Integers


@dataclass(frozen=True, slots=True)
class NoiseSizes:
    """Sizes of the noise that the readings leave possible.

    Attributes:
        variances: of the centre of each step, for each size; the key by which tables are kept [sizes x steps].
        log_weights: logarithm of prior times likelihood of the spread within steps [sizes].
    """

    variances: tuple[tuple[float, ...], ...]
    log_weights: Floats


def middle(values: Floats) -> float:
    """Give the median; on so few values several times faster than numpy's own. Source: textbook."""
    ordered = np.sort(values)
    return 0.5 * float(ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2])


def step_centres(readings: tuple[tuple[float, ...], ...]) -> StepCentres:
    """Condense the logarithms of the readings to a robust centre per step.

    The centre is a weighted mean whose weights fall with the fourth power of the distance from the median, in
    units of the spread pooled over all steps: one wild reading among several hardly moves it.

    Source: redescending M-estimation, textbook; the constant 3 is the project's choice.
    """
    sizes = np.array([len(step) for step in readings])
    values = log(np.array([value for step in readings for value in sorted(step)]))
    steps, readings_in_all = sizes.size, values.size
    if readings_in_all == steps:
        return StepCentres(values, 0.0, 0, values, sizes)
    starts = np.cumsum(sizes) - sizes
    centres = 0.5 * (values[starts + (sizes - 1) // 2] + values[starts + sizes // 2])
    several, places = np.repeat(sizes > 1, sizes), np.repeat(np.arange(steps), sizes)
    inflation = sqrt(readings_in_all / (readings_in_all - steps))
    for _ in range(3):
        residual = values - centres[places]
        spread = max(1.4826 * inflation * middle(np.abs(residual[several])), 1e-3)
        distance = 1.0 + (residual / (3.0 * spread)) ** 2
        weight = 1.0 / (distance * distance)
        centres = np.bincount(places, weight * values) / np.bincount(places, weight)
    residual = np.minimum(np.abs(values - centres[places]), 3.0 * spread)
    return StepCentres(centres, fsum((residual * residual).tolist()), readings_in_all - steps, values, sizes)


def noise_of(data: StepCentres, counts: tuple[int, ...], resolutions: tuple[float, ...]) -> NoiseSizes:
    """List the sizes of the noise, weighed by the spread of the readings within their steps.

    Args:
        resolutions: relative standard deviation from rounding, per step.

    Source: the sizes are the project's choice, around customary spreads of 1 to 10 % per reading.
    """
    count, rounding = np.array(counts, dtype=np.float64), np.round(np.array(resolutions), _RESOLUTION_DECIMALS)
    sizes = _sizes_if_several() if data.freedom else _sizes_if_single()
    reading, step, log_weights = sizes
    if data.freedom:
        within = reading + fsum((rounding * rounding).tolist()) / rounding.size
        log_weights = log_weights - 0.5 * (data.freedom * log(within) + data.within_ss / within)
        kept = log_weights > log_weights.max() + _LEAST_LOG_WEIGHT
        reading, step, log_weights = reading[kept], step[kept], log_weights[kept]
    # Rounding averages out over readings only as far as their noise spreads them over several marks of the scale.
    dither = np.minimum(1.0, reading[:, None] / np.maximum(rounding * rounding, 1e-12))
    variance = step[:, None] + reading[:, None] / count + rounding * rounding / (1.0 + (count - 1.0) * dither)
    return NoiseSizes(tuple(map(tuple, variance.tolist())), log_weights)


@lru_cache(maxsize=1)
def _sizes_if_several() -> tuple[Floats, Floats, Floats]:
    """Variance of one reading, of what all readings of a step share, and logarithm of the probability."""
    weights: dict[tuple[float, float], float] = {}
    for reading, weight in _READING_SD:
        for step, share in zip((_LEAST_STEP_SD, min(reading, _STEP_SD), _STEP_SD), _STEP_SD_SHARES, strict=True):
            weights[reading, step] = weights.get((reading, step), 0.0) + weight * share
    return _columns([(reading, step, weight) for (reading, step), weight in weights.items()])


@lru_cache(maxsize=1)
def _sizes_if_single() -> tuple[Floats, Floats, Floats]:
    return _columns([(reading, _STEP_SD_IF_SINGLE, weight) for reading, weight in _READING_SD_IF_SINGLE])


def _columns(sizes: list[tuple[float, float, float]]) -> tuple[Floats, Floats, Floats]:
    reading, step, shares = (np.array(column) for column in zip(*sizes, strict=True))
    return reading * reading, step * step, log(shares)


def log_spoiled_odds(data: StepCentres, spans_s: Sequence[float | None]) -> Floats:
    """Give the logarithm of the odds that each step is spoiled, times the density of what was then read [steps].

    Args:
        spans_s: time between the first and the last reading of each step [s]; None where not known.
    """
    size = _distances(data.centres)
    confirmed = _LOG_CONFIRMED - log(1.0 + (size / _SIZE_IF_CONFIRMED) ** 2)
    return np.asarray(np.where(_confirmed(data, size, spans_s), confirmed, _LOG_SINGLE), dtype=np.float64)


def _confirmed(data: StepCentres, size: Floats, spans_s: Sequence[float | None]) -> NDArray[np.bool_]:
    """Whether the readings of each step confirm one another.

    They agree where they lie within 5 % of their centre, or nearer to it than to where the steps around lie: readings
    that all lie far below confirm a fall, however they scatter.
    """
    if not data.freedom:
        return np.zeros(size.size, dtype=np.bool_)
    limit = np.maximum(_AGREE_WITHIN, _AGREE_SHARE * size)
    apart = np.abs(data.values - np.repeat(data.centres, data.counts))
    close = np.round(apart - np.repeat(limit, data.counts), _DECIMALS_OF_DISTANCE) <= 0.0
    agreeing = np.add.reduceat(close.astype(np.int64), np.cumsum(data.counts) - data.counts)
    lasting = np.array([span is None or span >= _SHORTEST_SPAN_S for span in spans_s])
    confirmed: NDArray[np.bool_] = (agreeing > 1) & (2 * agreeing > data.counts) & lasting
    return confirmed


def _distances(centres: Floats) -> Floats:
    """Distance of each step from the median of the four steps around it."""
    around = np.sort(centres[_steps_around(centres.size)], axis=1)
    last = around.shape[1] - 1
    return np.abs(centres - 0.5 * (around[:, last // 2] + around[:, (last + 1) // 2]))


@lru_cache(maxsize=32)
def _steps_around(steps: int) -> Integers:
    """For each step the four others nearest to it by number: two above and two below, at the ends all on one side."""
    rows = []
    for step in range(steps):
        first = max(0, min(step - _STEPS_AROUND // 2, steps - 1 - _STEPS_AROUND))
        rows.append([other for other in range(first, min(first + _STEPS_AROUND + 1, steps)) if other != step])
    return np.array(rows)


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


@dataclass(frozen=True, slots=True)
class Posterior:
    """Curves laid evenly through the posterior.

    Attributes:
        events: probability of each event, by number [steps].
        curves: logarithm of compliance [steps x curves].
        weights: of the curves, sum 1 [curves].
        curve_events: event of each curve [curves].
        centres: the robust centres that the curves were laid through [steps].
        last_spoiled: probability that the last step is spoiled as a whole.
        events_by_fall: the same as events, for each fall that may be the one that counts [falls x steps].
        reading_sd: relative spread of one reading, as the readings show it.
    """

    events: Floats
    curves: Floats
    weights: Floats
    curve_events: Integers
    centres: Floats
    last_spoiled: float
    events_by_fall: Floats
    reading_sd: float


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
    """Find the maximum so far at each step [steps x curves]; several times faster than numpy's along the first axis."""
    highest = curves.copy()
    for before, row in pairwise(highest):
        np.maximum(before, row, out=row)
    return highest


@lru_cache(maxsize=64)
def curve_prior(peeps_cmh2o: tuple[float, ...]) -> CurvePrior:
    """Lay the prior over one set of steps. Source: the form and its sizes are the project's choice; see the module."""
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
