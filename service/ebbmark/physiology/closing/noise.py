"""Noise and outliers: readings condensed to one robust centre per step, and what may be wrong with them.

The sizes of noise that the readings leave possible are weighed by their spread within steps. Beside noise, all that was
read of a step may be wrong (suction, a leak, an effort, a slip).

A step is *confirmed* where at least two of its readings, and more than half of them, agree, and where they were taken
over 30 s or more (or nobody knows when). What spoils one reading is mostly gone by the next, so that a confirmed step
is seldom spoiled as a whole. What lasts that long, such as a leak or secretions, reads too high as often as too low,
and by a little far more often than by a lot: its size is spread about the steps around it as a Cauchy density, so that
a confirmed fall gains belief as it grows, until it is larger than any lung's. A step that is not confirmed may be
spoiled by any amount: its density is the same everywhere.

Source: the project's choice; no published figure was found for how often a step of a PEEP trial is spoiled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import fsum, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.closing.arithmetic import Floats, Integers, log

__all__ = ["Noise", "StepCentres", "log_spoiled_odds", "middle", "noise_of", "step_centres"]

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
_DECIMALS = 5
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
class Noise:
    """Sizes of the noise that the readings leave possible.

    Attributes:
        variances: of the centre of each step, for each size; the key by which tables are kept [sizes x steps].
        log_weights: logarithm of prior times likelihood of the spread within steps [sizes].
    """

    variances: tuple[tuple[float, ...], ...]
    log_weights: Floats


def middle(values: Floats) -> float:
    """Give the median; on so few values several times faster than numpy's own.

    Source: textbook.
    """
    ordered = np.sort(values)
    return 0.5 * float(ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2])


def step_centres(readings: tuple[tuple[float, ...], ...]) -> StepCentres:
    """Condense the logarithms of the readings to a robust centre per step.

    The centre is a weighted mean whose weights fall with the fourth power of the distance from the median, in
    units of the spread pooled over all steps: one wild reading among several hardly moves it.

    Args:
        readings: compliance per step [mL/cmH2O].

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


def noise_of(data: StepCentres, counts: tuple[int, ...], resolutions: tuple[float, ...]) -> Noise:
    """List the sizes of the noise, weighed by the spread of the readings within their steps.

    Args:
        data: the condensed readings.
        counts: readings per step.
        resolutions: relative standard deviation from rounding, per step.

    Source: the sizes are the project's choice, around customary spreads of 1 to 10 % per reading.
    """
    count, rounding = np.array(counts, dtype=np.float64), np.round(np.array(resolutions), _DECIMALS)
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
    return Noise(tuple(map(tuple, variance.tolist())), log_weights)


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
        data: the condensed readings.
        spans_s: time between the first and the last reading of each step [s]; None where not known.

    Source: see the module.
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
