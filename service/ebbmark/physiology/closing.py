"""At which step, going down, did compliance start to fall for good, and how sure is that?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import isfinite
from statistics import median

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.curves import FALLING, NOT_REACHED, CurveFamily, curve_family
from ebbmark.physiology.posterior import Posterior, StepCentres, noise_grid, step_centres, weigh_curves

__all__ = ["Closing", "CurveStep", "Evidence", "Shape", "StepEstimate", "Verdict", "estimate_closing"]

Floats = NDArray[np.float64]

_FEWEST_STEPS = 3
_MOST_STEPS = 40
_SMALLEST_STEP_CMH2O = 0.25
_LONGEST_LIMB_CMH2O = 60.0
_SURE_ENOUGH = 0.7
_SURE_ENOUGH_OF_STEP = 0.75
_INTERVAL = 0.90
_TWO_SIDED_90 = 1.6448536269514722


class Verdict(Enum):
    """What the trial says about closing."""

    FOUND = "found"
    NOT_REACHED = "not-reached"
    FALLING_FROM_FIRST_STEP = "falling-from-first-step"
    INDETERMINATE = "indeterminate"


class Shape(Enum):
    """How compliance fell once it fell."""

    ABRUPT = "abrupt"
    GRADUAL = "gradual"


class Evidence(Enum):
    """Strength of the evidence for the verdict, in words with a fixed rule."""

    STRONG = "strong"
    MODERATE = "moderate"
    WEAK = "weak"


@dataclass(frozen=True, slots=True)
class CurveStep:
    """One step of the decremental limb as the estimate sees it.

    Attributes:
        peep_cmh2o: set PEEP of the step.
        compliances_ml_per_cmh2o: one per settled reading, all of one kind (static or dynamic), at least one.
        resolution: relative standard deviation that rounding of the charted values alone gives one such
            reading (0 where values were not rounded).
    """

    peep_cmh2o: float
    compliances_ml_per_cmh2o: tuple[float, ...]
    resolution: float = 0.0


@dataclass(frozen=True, slots=True)
class StepEstimate:
    """What the model says of one step.

    Attributes:
        peep_cmh2o: set PEEP of the step.
        readings: how many compliances were used.
        compliance_ml_per_cmh2o: their robust centre.
        fitted_ml_per_cmh2o: expected true compliance given all steps.
        fitted_low_ml_per_cmh2o, fitted_high_ml_per_cmh2o: 90 % band of the true compliance.
        probability: that this is the step at which closing started.
    """

    peep_cmh2o: float
    readings: int
    compliance_ml_per_cmh2o: float
    fitted_ml_per_cmh2o: float
    fitted_low_ml_per_cmh2o: float
    fitted_high_ml_per_cmh2o: float
    probability: float


@dataclass(frozen=True, slots=True)
class Closing:
    """The estimate: a probability over the steps, plus not reached, plus falling from the first step.

    The probabilities of all steps, `not_reached` and `falling_from_first_step` sum to one.

    Attributes:
        verdict: what may be stated.
        peep_cmh2o: closing pressure; only when the verdict is FOUND.
        interval_cmh2o: 90 % interval of the closing pressure given that there is one, as (low, high) set
            PEEP of tested steps; only when FOUND.
        probability: of the verdict (for FOUND: that closing was reached at one of the steps);
            for INDETERMINATE the largest single probability that there was.
        not_reached: probability that compliance never fell for good in this trial.
        falling_from_first_step: probability that it fell from the first step on.
        steps: one estimate per step, highest PEEP first.
        shape: abrupt or gradual; only when FOUND.
        evidence: strength in words.
        reason: why INDETERMINATE, one plain sentence; empty otherwise.
    """

    verdict: Verdict
    peep_cmh2o: float | None
    interval_cmh2o: tuple[float, float] | None
    probability: float
    not_reached: float
    falling_from_first_step: float
    steps: tuple[StepEstimate, ...]
    shape: Shape | None
    evidence: Evidence
    reason: str = ""


def estimate_closing(steps: Sequence[CurveStep], *, fall: float = 0.05) -> Closing:
    """Estimate the closing pressure from the steps of one decremental limb.

    Args:
        steps: strictly falling PEEP, highest first.
        fall: relative fall below the maximum so far that counts as closing (0.05: the project's choice).

    Returns:
        The estimate; INDETERMINATE with its reason where the steps cannot support a statement.

    Raises:
        ValueError: a compliance that is not positive and finite, a step without readings, a PEEP or resolution
            that is not a number, or a `fall` outside 0.01 to 0.5: mistakes of the calling code.

    Source: the model is the project's own, stated in the module's docstring.
    """
    _refuse_nonsense(steps, fall)
    reason = _unusable(steps)
    if reason:
        return _without_model(steps, reason)
    peeps = tuple(float(step.peep_cmh2o) for step in steps)
    family = curve_family(peeps, fall)
    noise = noise_grid(
        peeps,
        tuple(len(step.compliances_ml_per_cmh2o) for step in steps),
        tuple(float(step.resolution) for step in steps),
    )
    data = step_centres(tuple(step.compliances_ml_per_cmh2o for step in steps))
    posterior = weigh_curves(data, family, noise)
    return _decide(steps, data, family, posterior)


def _refuse_nonsense(steps: Sequence[CurveStep], fall: float) -> None:
    if not 0.01 <= fall <= 0.5:
        raise ValueError(f"fall must lie between 0.01 and 0.5, not {fall}")
    for step in steps:
        if not isfinite(step.peep_cmh2o):
            raise ValueError("PEEP must be a finite number")
        if not (isfinite(step.resolution) and step.resolution >= 0.0):
            raise ValueError(f"resolution at PEEP {step.peep_cmh2o:g} must be finite and not negative")
        if not step.compliances_ml_per_cmh2o:
            raise ValueError(f"no reading at PEEP {step.peep_cmh2o:g}")
        if not all(isfinite(value) and value > 0.0 for value in step.compliances_ml_per_cmh2o):
            raise ValueError(f"compliance at PEEP {step.peep_cmh2o:g} must be positive and finite")


def _unusable(steps: Sequence[CurveStep]) -> str:
    if len(steps) < _FEWEST_STEPS:
        return f"A trial of {len(steps)} steps is too short: at least {_FEWEST_STEPS} are needed."
    peeps = [step.peep_cmh2o for step in steps]
    if any(lower >= higher for higher, lower in pairwise(peeps)):
        return "PEEP does not fall from each step to the next, so the steps are not one decremental limb."
    if len(steps) > _MOST_STEPS:
        return f"More than {_MOST_STEPS} steps are not one decremental limb."
    if min(higher - lower for higher, lower in pairwise(peeps)) < _SMALLEST_STEP_CMH2O:
        return f"Steps closer than {_SMALLEST_STEP_CMH2O:g} cmH2O cannot be told apart."
    if peeps[0] - peeps[-1] > _LONGEST_LIMB_CMH2O:
        return f"A limb of more than {_LONGEST_LIMB_CMH2O:g} cmH2O is not a PEEP trial."
    return ""


def _without_model(steps: Sequence[CurveStep], reason: str) -> Closing:
    """Answer where the model does not apply: nothing is known, so *not reached* keeps all the probability."""
    rows = []
    for step in steps:
        centre = float(median(step.compliances_ml_per_cmh2o))
        count = len(step.compliances_ml_per_cmh2o)
        rows.append(StepEstimate(step.peep_cmh2o, count, centre, centre, centre, centre, 0.0))
    return Closing(Verdict.INDETERMINATE, None, None, 0.0, 1.0, 0.0, tuple(rows), None, Evidence.WEAK, reason)


def _decide(
    steps: Sequence[CurveStep], data: StepCentres, family: CurveFamily, posterior: Posterior
) -> Closing:
    at_step = posterior.events.copy()
    not_reached, falling = float(at_step[NOT_REACHED]), float(at_step[FALLING])
    at_step[: FALLING + 1] = 0.0
    found = float(at_step.sum())
    rows = _rows(steps, data, family, posterior, at_step)

    named = int(np.argmax(at_step))
    near = float(at_step[max(named - 1, 0) : named + 2].sum())
    verdict, reason = Verdict.INDETERMINATE, ""
    if found >= _SURE_ENOUGH and near >= _SURE_ENOUGH_OF_STEP * found:
        verdict, probability = Verdict.FOUND, found
    elif not_reached >= _SURE_ENOUGH:
        verdict, probability = Verdict.NOT_REACHED, not_reached
    elif falling >= _SURE_ENOUGH:
        verdict, probability = Verdict.FALLING_FROM_FIRST_STEP, falling
    else:
        probability = max(found, not_reached, falling)
        reason = _why(found, not_reached, falling)
    if verdict is not Verdict.FOUND:
        return Closing(
            verdict, None, None, probability, not_reached, falling, rows, None, _words(probability), reason
        )

    low, high = _interval(at_step / found)
    abrupt = float(posterior.curves @ family.abrupt) / found
    return Closing(
        verdict,
        float(steps[named].peep_cmh2o),
        (float(steps[high].peep_cmh2o), float(steps[low].peep_cmh2o)),
        probability,
        not_reached,
        falling,
        rows,
        Shape.ABRUPT if abrupt >= 0.5 else Shape.GRADUAL,
        _words(near),
    )


def _why(found: float, not_reached: float, falling: float) -> str:
    if found >= _SURE_ENOUGH:
        return "Compliance fell for good, but the readings scatter too much to say at which step."
    if found + falling >= _SURE_ENOUGH:
        return "Compliance fell for good, but perhaps from the first step on."
    if not_reached >= max(found, falling):
        return "Compliance probably did not fall for good, but the readings cannot exclude it."
    return "The readings scatter too much to tell a lasting fall of compliance from none."


def _words(probability: float) -> Evidence:
    if probability >= 0.95:
        return Evidence.STRONG
    return Evidence.MODERATE if probability >= 0.8 else Evidence.WEAK


def _interval(shares: Floats) -> tuple[int, int]:
    """Find the smallest contiguous run of steps that holds 90 %; among equals the most probable."""
    total = np.concatenate([[0.0], np.cumsum(shares)])
    for length in range(1, shares.size + 1):
        held = total[length:] - total[:-length]
        best = int(np.argmax(held))
        if held[best] >= _INTERVAL - 1e-12:
            return best, best + length - 1
    return 0, shares.size - 1


def _rows(
    steps: Sequence[CurveStep],
    data: StepCentres,
    family: CurveFamily,
    posterior: Posterior,
    at_step: Floats,
) -> tuple[StepEstimate, ...]:
    trust = (1.0 - posterior.spoiled) / posterior.centre_sd**2
    levels = (data.centres - family.shapes) @ trust / trust.sum()
    curves = family.shapes + levels[:, None]
    fitted = posterior.curves @ curves
    variance = posterior.curves @ (curves - fitted) ** 2 + 1.0 / trust.sum()
    band = _TWO_SIDED_90 * np.sqrt(variance)
    columns = np.exp(np.array([data.centres, fitted, fitted - band, fitted + band])).T.tolist()
    return tuple(
        StepEstimate(step.peep_cmh2o, len(step.compliances_ml_per_cmh2o), *column, probability)
        for step, column, probability in zip(steps, columns, at_step.tolist(), strict=True)
    )
