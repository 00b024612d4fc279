"""Readings condensed to one robust centre per step, and the sizes of noise that they leave possible."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import fsum, sqrt

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, Integers, log

__all__ = ["Noise", "StepCentres", "middle", "noise_of", "step_centres"]

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
