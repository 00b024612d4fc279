"""How probable is each curve, given readings that may be noisy, rounded or spoiled?

See `closing` for the statement of the model; this module holds its likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.curves import CurveFamily

__all__ = ["NoiseGrid", "Posterior", "StepCentres", "noise_grid", "step_centres", "weigh_curves"]

Floats = NDArray[np.float64]

_READING_SD = (0.006, 0.012, 0.022, 0.038, 0.062, 0.10)
_READING_SD_PRIOR = (0.10, 0.20, 0.25, 0.22, 0.15, 0.08)
_STEP_SD = (0.006, 0.016)
_STEP_SD_PRIOR = (0.6, 0.4)
_MISFIT_SD = 0.008
_MISFIT_LENGTH_CMH2O = 4.0
_TILT_SD = 0.02
_SPOILED = 0.03
_SPOILED_DENSITY = 1.0


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
class NoiseGrid:
    """Every noise hypothesis, ready to be used on any readings with the same counts.

    Attributes:
        log_prior: [hypotheses].
        within_variance: variance of a reading around its step [hypotheses].
        precision: of the steps' centres with the unknown level projected out [hypotheses x steps x steps].
        log_norm: logarithm of the normalising constant [hypotheses].
        spoiled_log_odds: factor of *this step is spoiled*, before its residual is seen [hypotheses x steps].
    """

    log_prior: Floats
    within_variance: Floats
    precision: Floats
    log_norm: Floats
    spoiled_log_odds: Floats


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the readings say.

    Attributes:
        events: probability of each event, by number [steps].
        curves: probability of each curve [curves].
        spoiled: probability that a step is spoiled [steps].
        reading_sd: expected relative standard deviation of a step's centre [steps].
    """

    events: Floats
    curves: Floats
    spoiled: Floats
    centre_sd: Floats


def step_centres(readings: tuple[tuple[float, ...], ...]) -> StepCentres:
    """Condense the logarithms of the readings to a robust centre per step.

    The centre is a weighted mean whose weights fall with the fourth power of the distance from the median,
    in units of the pooled spread: one wild reading among several hardly moves it.

    Args:
        readings: compliance per step [mL/cmH2O].

    Source: redescending M-estimation, textbook; tuning constant 3 is the project's choice.
    """
    counts = [len(step) for step in readings]
    steps, total = len(counts), sum(counts)
    if total == steps:
        return StepCentres(np.log(np.array(readings)[:, 0]), 0.0, 0)
    ordered = [sorted(step) for step in readings]
    values = np.log(np.array([value for step in ordered for value in step]))
    starts = np.cumsum([0, *counts[:-1]])
    sizes = np.array(counts)
    centres = 0.5 * (values[starts + (sizes - 1) // 2] + values[starts + sizes // 2])
    several = np.repeat(sizes > 1, sizes)
    for _ in range(3):
        residual = values - np.repeat(centres, sizes)
        spread = max(
            1.4826 * float(np.median(np.abs(residual[several]))) * (total / (total - steps)) ** 0.5, 1e-3
        )
        weight = (1.0 + (residual / (3.0 * spread)) ** 2) ** -2
        centres = np.add.reduceat(weight * values, starts) / np.add.reduceat(weight, starts)
    residual = np.minimum(np.abs(values - np.repeat(centres, sizes)), 3.0 * spread)
    return StepCentres(centres, float(residual @ residual), total - steps)


@lru_cache(maxsize=256)
def noise_grid(
    peeps_cmh2o: tuple[float, ...], counts: tuple[int, ...], resolutions: tuple[float, ...]
) -> NoiseGrid:
    """Prepare the noise hypotheses for one pattern of steps.

    Args:
        peeps_cmh2o: set PEEP per step.
        counts: readings per step.
        resolutions: relative standard deviation from rounding, per step.

    Source: the ranges are the project's choice, around published and customary spreads of 1 to 10 %.
    """
    several = max(counts) > 1
    step_sds = list(zip(_STEP_SD, _STEP_SD_PRIOR, strict=True)) if several else [(0.008, 1.0)]
    grid = list(product(zip(_READING_SD, _READING_SD_PRIOR, strict=True), step_sds))
    peep, count, rounding = np.array(peeps_cmh2o), np.array(counts, float), np.array(resolutions)
    smooth = _MISFIT_SD**2 * np.exp(-0.5 * ((peep[:, None] - peep) / _MISFIT_LENGTH_CMH2O) ** 2)
    tilt = (peep - peep.mean()) / (peep[0] - peep[-1])
    smooth += _TILT_SD**2 * np.outer(tilt, tilt)

    precisions, norms = [], []
    for (reading_sd, _), (step_sd, _) in grid:
        dither = np.minimum(1.0, (reading_sd / np.maximum(rounding, 1e-9)) ** 2)
        variance = step_sd**2 + reading_sd**2 / count + rounding**2 / (1.0 + (count - 1.0) * dither)
        precision, norm = _without_level(smooth + np.diag(variance))
        precisions.append(precision)
        norms.append(norm)
    precision = np.array(precisions)
    own = np.diagonal(precision, axis1=1, axis2=2)
    return NoiseGrid(
        log_prior=np.log([a * b for (_, a), (_, b) in grid]),
        within_variance=np.array([a**2 for (a, _), _ in grid]) + float(np.mean(rounding**2)),
        precision=precision,
        log_norm=np.array(norms),
        spoiled_log_odds=log(_SPOILED * _SPOILED_DENSITY / (1.0 - _SPOILED)) + 0.5 * np.log(2.0 * pi / own),
    )


def _without_level(covariance: Floats) -> tuple[Floats, float]:
    """Marginalise an unknown level with a flat prior."""
    inverse = np.linalg.inv(covariance)
    pull = inverse.sum(axis=1)
    total = float(pull.sum())
    log_norm = -0.5 * (float(np.linalg.slogdet(covariance)[1]) + log(total))
    return inverse - np.outer(pull, pull) / total, log_norm


def weigh_curves(data: StepCentres, family: CurveFamily, noise: NoiseGrid) -> Posterior:
    """Weigh every curve under every noise hypothesis, with no step or one step spoiled.

    Args:
        data: the condensed readings.
        family: candidate curves on the same steps.
        noise: noise hypotheses for the same pattern of readings.

    Source: Gaussian marginalisation and leave-one-out identities, textbook.
    """
    steps = data.centres.size
    log_noise = noise.log_prior + noise.log_norm
    if data.freedom:
        log_noise = log_noise - 0.5 * (
            data.freedom * np.log(noise.within_variance) + data.within_ss / noise.within_variance
        )
    keep = np.flatnonzero(log_noise > log_noise.max() - 30.0) if data.freedom else np.arange(log_noise.size)

    residual = data.centres - family.shapes
    pull = residual @ noise.precision[keep]  # [hypotheses x curves x steps]
    square = (pull * residual).sum(axis=2)
    own = np.diagonal(noise.precision[keep], axis1=1, axis2=2)
    exponent = np.empty((*square.shape, steps + 1))
    exponent[:, :, steps] = -0.5 * square
    np.multiply(pull, pull, out=exponent[:, :, :steps])
    exponent[:, :, :steps] *= (0.5 / own)[:, None, :]
    exponent[:, :, :steps] += noise.spoiled_log_odds[keep][:, None, :] - 0.5 * square[:, :, None]
    exponent += log_noise[keep][:, None, None]
    weight = np.exp(exponent - exponent.max())
    weight *= family.prior[:, None]
    total = weight.sum()

    per_curve = weight.sum(axis=(0, 2)) / total
    events = np.zeros(steps)
    events[family.event_numbers] = np.add.reduceat(per_curve, family.event_starts)
    per_noise = weight.sum(axis=(1, 2)) / total
    spoiled = weight[:, :, :steps].sum(axis=(0, 1)) / total
    return Posterior(events, per_curve, spoiled, 1.0 / np.sqrt(per_noise @ own))
