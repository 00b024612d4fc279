"""At which step, going down, did compliance start to fall for good, and how sure is that?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import isfinite
from statistics import median

import numpy as np

from ebbmark.physiology.curves import FALLING, NOT_REACHED, Floats
from ebbmark.physiology.posterior import Posterior, lay_curves, noise_of, step_centres, weigh_hypotheses

__all__ = ["Closing", "CurveStep", "Evidence", "Shape", "StepEstimate", "Verdict", "estimate_closing"]

_FEWEST_STEPS = 3
_MOST_STEPS = 40
_SMALLEST_STEP_CMH2O = 0.25
_LONGEST_LIMB_CMH2O = 60.0
_LEAST_NOT_REACHED = 0.70
_LEAST_NEAR = 0.85
_LEAST_ALONE = 0.40
_MOST_TOO_LOW = 0.10
_MOST_FALLING = 0.25
_STRONG, _MODERATE = 0.97, 0.90
_INTERVAL = 0.90
_ABRUPT_LOSS_PER_CMH2O = 0.04
_TWO_SIDED_90 = 1.6448536269514722

_WHERE_UNKNOWN = "Compliance fell for good, but the readings scatter too much to say at which step."
_PERHAPS_FALLING = "Compliance fell for good, but perhaps from the first step on."
_PERHAPS_NOT_REACHED = "Compliance perhaps did not fall for good, but the readings cannot exclude that it did."
_PERHAPS_REACHED = "Compliance perhaps fell for good, but the readings cannot exclude that it did not."


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
            for INDETERMINATE the largest of the three probabilities: closed at a step, not reached, falling.
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
    return _decide(steps, _posterior(steps, fall))


def _posterior(steps: Sequence[CurveStep], fall: float) -> Posterior:
    peeps = tuple(float(step.peep_cmh2o) for step in steps)
    data = step_centres(tuple(step.compliances_ml_per_cmh2o for step in steps))
    noise = noise_of(
        data,
        tuple(len(step.compliances_ml_per_cmh2o) for step in steps),
        tuple(step.resolution for step in steps),
    )
    hypotheses = weigh_hypotheses(peeps, data, noise, fall)
    return lay_curves(peeps, data, noise, hypotheses, fall)


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


def _decide(steps: Sequence[CurveStep], posterior: Posterior) -> Closing:
    at_step = posterior.events.copy()
    not_reached, falling = float(at_step[NOT_REACHED]), float(at_step[FALLING])
    at_step[: FALLING + 1] = 0.0
    found = min(float(at_step.sum()), 1.0)
    rows = _rows(steps, posterior, at_step)

    places = posterior.events.copy()
    places[NOT_REACHED] = 0.0
    named = int(np.argmax(places))
    alone, near = float(places[named]), float(places[max(named - 1, 0) : named + 2].sum())
    too_low = float(places[: max(named - 1, 0)].sum())
    verdict, reason, probability, said = Verdict.INDETERMINATE, "", max(found, not_reached, falling), 0.0
    if not_reached >= _LEAST_NOT_REACHED:
        verdict, probability, said = Verdict.NOT_REACHED, not_reached, not_reached
    elif near < _LEAST_NEAR or too_low > _MOST_TOO_LOW or alone < _LEAST_ALONE:
        reason = _why(found, not_reached, falling)
    elif named == FALLING:
        verdict, probability, said = Verdict.FALLING_FROM_FIRST_STEP, falling, falling
    elif falling > _MOST_FALLING:
        reason = _PERHAPS_FALLING
    else:
        verdict, probability, said = Verdict.FOUND, found, near
    if verdict is Verdict.INDETERMINATE:
        return Closing(verdict, None, None, probability, not_reached, falling, rows, None, Evidence.WEAK, reason)
    if verdict is not Verdict.FOUND:
        return Closing(verdict, None, None, probability, not_reached, falling, rows, None, _words(said))

    low, high = _interval(at_step / found)
    return Closing(
        verdict,
        float(steps[named].peep_cmh2o),
        (float(steps[high].peep_cmh2o), float(steps[low].peep_cmh2o)),
        probability,
        not_reached,
        falling,
        rows,
        _shape(steps, posterior),
        _words(said),
    )


def _shape(steps: Sequence[CurveStep], posterior: Posterior) -> Shape:
    closes = posterior.curve_events > FALLING
    step = posterior.curve_events[closes]
    compliance = np.exp(posterior.curves[closes])
    row = np.arange(step.size)
    highest = np.maximum.accumulate(compliance, axis=1)[row, step]
    lost = (compliance[row, step - 1] - compliance[row, step]) / highest
    peep = np.array([one.peep_cmh2o for one in steps])
    abrupt = lost >= _ABRUPT_LOSS_PER_CMH2O * (peep[step - 1] - peep[step])
    weights = posterior.weights[closes]
    return Shape.ABRUPT if float(weights @ abrupt) >= 0.5 * float(weights.sum()) else Shape.GRADUAL


def _why(found: float, not_reached: float, falling: float) -> str:
    if found + falling >= _LEAST_NEAR:
        return _WHERE_UNKNOWN
    return _PERHAPS_NOT_REACHED if not_reached >= found + falling else _PERHAPS_REACHED


def _words(probability: float) -> Evidence:
    if probability >= _STRONG:
        return Evidence.STRONG
    return Evidence.MODERATE if probability >= _MODERATE else Evidence.WEAK


def _interval(shares: Floats) -> tuple[int, int]:
    """Find the smallest contiguous run of steps that holds 90 %; among equals the most probable."""
    total = np.concatenate([[0.0], np.cumsum(shares)])
    for length in range(1, shares.size + 1):
        held = total[length:] - total[:-length]
        best = int(np.argmax(held))
        if held[best] >= _INTERVAL - 1e-12:
            return best, best + length - 1
    return 0, shares.size - 1


def _rows(steps: Sequence[CurveStep], posterior: Posterior, at_step: Floats) -> tuple[StepEstimate, ...]:
    fitted = posterior.weights @ posterior.curves
    band = _TWO_SIDED_90 * np.sqrt(posterior.weights @ (posterior.curves - fitted) ** 2)
    columns = np.exp(np.array([fitted, fitted - band, fitted + band])).T.tolist()
    rows = []
    for step, centre, (fit, low, high), probability in zip(
        steps, np.exp(posterior.centres).tolist(), columns, at_step.tolist(), strict=True
    ):
        count = len(step.compliances_ml_per_cmh2o)
        rows.append(StepEstimate(step.peep_cmh2o, count, centre, fit, low, high, probability))
    return tuple(rows)
