"""How do the readings of a step agree, and which sizes of noise do they leave possible?"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from math import log

import numpy as np

from ebbmark.physiology.closing.curves import Floats, Integers

__all__ = ["Noise", "StepCentres", "middle", "noise_of", "step_centres"]

# Size and probability. A spread that is seen within steps deserves a finer scale than one that is only inferred.
_READING_SD = (
    (0.006, 0.08),
    (0.010, 0.14),
    (0.016, 0.19),
    (0.026, 0.22),
    (0.042, 0.19),
    (0.066, 0.12),
    (0.105, 0.06),
)
_STEP_SD = ((0.0045, 0.4), (0.022, 0.6))
_READING_SD_IF_SINGLE = ((0.008, 0.16), (0.018, 0.34), (0.04, 0.36), (0.085, 0.14))
_STEP_SD_IF_SINGLE = ((0.007, 1.0),)
_LEAST_NOISE_WEIGHT = 1e-3


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
        pattern: variance of each step's centre relative to the others [steps].
        variances: by which the pattern is multiplied [sizes].
        log_weights: logarithm of prior times likelihood of the spread within steps [sizes].
    """

    pattern: tuple[float, ...]
    variances: Floats
    log_weights: Floats

    @property
    def key(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Pattern and variances: what tables may be kept by."""
        return self.pattern, tuple(self.variances.tolist())


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
    steps, total = sizes.size, int(sizes.sum())
    values = np.log(np.array([value for step in readings for value in sorted(step)]))
    if total == steps:
        return StepCentres(values, 0.0, 0, values, sizes)
    starts = np.cumsum(sizes) - sizes
    centres = 0.5 * (values[starts + (sizes - 1) // 2] + values[starts + sizes // 2])
    several = np.repeat(sizes > 1, sizes)
    inflation = (total / (total - steps)) ** 0.5
    for _ in range(3):
        residual = values - np.repeat(centres, sizes)
        spread = max(1.4826 * inflation * middle(np.abs(residual[several])), 1e-3)
        weight = (1.0 + (residual / (3.0 * spread)) ** 2) ** -2
        centres = np.add.reduceat(weight * values, starts) / np.add.reduceat(weight, starts)
    residual = np.minimum(np.abs(values - np.repeat(centres, sizes)), 3.0 * spread)
    return StepCentres(centres, float(residual @ residual), total - steps, values, sizes)


def noise_of(data: StepCentres, counts: tuple[int, ...], resolutions: tuple[float, ...]) -> Noise:
    """List the sizes of the noise, weighed by the spread of the readings within their steps.

    Args:
        data: the condensed readings.
        counts: readings per step.
        resolutions: relative standard deviation from rounding, per step.

    Source: the sizes are the project's choice, around customary spreads of 1 to 10 % per reading.
    """
    count, rounding = np.array(counts, dtype=np.float64), np.array(resolutions)
    sizes = list(product(_READING_SD, _STEP_SD) if data.freedom else product(_READING_SD_IF_SINGLE, _STEP_SD_IF_SINGLE))
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
    pattern = np.exp2(np.rint(4.0 * np.log2(relative / middle(relative))) / 4.0)
    return Noise(tuple(pattern.tolist()), (variance / pattern).mean(axis=1), log_weights)
