"""What may be stated, given the probabilities of all steps, and with which words?

The rule, in this order; *near* is the probability of the likeliest place together with its two neighbours, where
places are *falling from the first step* and then the steps:

1. NOT_REACHED where its probability is at least 0.70.
2. INDETERMINATE where near is below 0.88 (where, or whether, compliance fell is not known), where the likeliest
   place alone has less than 0.45, or where more than 0.05 lies more than one step above it: a pressure named too
   low is the dangerous mistake, so that this side has its own, stricter limit.
3. FALLING_FROM_FIRST_STEP where that is the likeliest place.
4. INDETERMINATE where *falling from the first step* has more than 0.12.
5. FOUND at the likeliest step. The 90 % interval is a run of neighbouring steps, and of each length the likeliest.
   A run of whole steps hardly ever holds just 90 %; always to take the next longer one would hold about 97 %. So it
   is the run whose probability, given that closing was reached at a step, is nearest to 90 %, and at least 80 %:
   over many trials it holds the truth about nine times in ten.

Where this rests on what happened at the last step (that is the likeliest place, or closing may not have been reached),
that step reads 12 % or more below the one before, and the model holds it spoiled as a whole with at least 0.10, nobody
knows what happened there: INDETERMINATE, and the reason names that fall, on how many readings it rests, and that it
has to be looked at.

Evidence is strong from 0.97, moderate from 0.90, otherwise weak: of near where FOUND, of the verdict elsewhere.

Source: the limits are the project's choice, set on simulated lungs.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from math import inf

import numpy as np

from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED, Floats
from ebbmark.physiology.closing.estimate import Closing, CurveStep, Evidence, Shape, StepEstimate, Verdict
from ebbmark.physiology.closing.posterior import Posterior
from ebbmark.physiology.wording import percent

__all__ = ["decide"]

_LEAST_NOT_REACHED = 0.70
_LEAST_NEAR = 0.88
_LEAST_ALONE = 0.45
_MOST_TOO_LOW = 0.05
_MOST_FALLING = 0.12
_STRONG, _MODERATE = 0.97, 0.90
_INTERVAL, _LEAST_OF_INTERVAL, _HAIR = 0.90, 0.80, 1e-12
_ABRUPT_LOSS_PER_CMH2O = 0.04
_LONE_FALL, _LARGEST_USUAL_FALL, _SPOILED_ENOUGH = 0.12, 0.30, 0.10
_TWO_SIDED_90 = 1.6448536269514722
_LARGEST_EXPONENT = 700.0

_WHERE_UNKNOWN = "Compliance fell for good, but the readings scatter too much to say at which step."
_PERHAPS_FALLING = "Compliance fell for good, but perhaps from the first step on."
_PERHAPS_NOT_REACHED = "Compliance perhaps did not fall for good, but the readings cannot exclude that it did."
_PERHAPS_REACHED = "Compliance perhaps fell for good, but the readings cannot exclude that it did not."


def decide(steps: Sequence[CurveStep], posterior: Posterior) -> Closing:
    """Turn probabilities into an answer.

    Args:
        steps: of the limb, highest PEEP first.
        posterior: what the model says of them.

    Source: see the module.
    """
    places = posterior.events.copy()
    places[NOT_REACHED] = 0.0
    named = int(np.argmax(places))
    near = min(float(places[max(named - 1, 0) : named + 2].sum()), 1.0)
    at_step = places.copy()
    at_step[FALLING] = 0.0
    falling, not_reached = float(places[FALLING]), float(posterior.events[NOT_REACHED])
    found = min(float(at_step.sum()), 1.0)

    verdict, reason = _judge(places, named, near, not_reached)
    if named == len(steps) - 1 or (verdict is not Verdict.FOUND and not_reached > 1.0 - _LEAST_NEAR):
        lone_fall = _doubtful_last_step(len(steps[-1].compliances_ml_per_cmh2o), posterior)
        verdict, reason = (Verdict.INDETERMINATE, lone_fall) if lone_fall else (verdict, reason)
    is_found = verdict is Verdict.FOUND
    probability = {
        Verdict.FOUND: found,
        Verdict.NOT_REACHED: not_reached,
        Verdict.FALLING_FROM_FIRST_STEP: falling,
        Verdict.INDETERMINATE: max(found, not_reached, falling),
    }[verdict]
    evidence = Evidence.WEAK if reason else _words(near if is_found else probability)
    return Closing(
        verdict=verdict,
        peep_cmh2o=float(steps[named].peep_cmh2o) if is_found else None,
        interval_cmh2o=_interval(steps, at_step / found) if is_found else None,
        probability=probability,
        not_reached=not_reached,
        falling_from_first_step=falling,
        steps=_rows(steps, posterior, at_step),
        shape=_shape(steps, posterior) if is_found else None,
        evidence=evidence,
        reason=reason,
    )


def _judge(places: Floats, named: int, near: float, not_reached: float) -> tuple[Verdict, str]:
    if not_reached >= _LEAST_NOT_REACHED:
        return Verdict.NOT_REACHED, ""
    if near < _LEAST_NEAR and float(places.sum()) < _LEAST_NEAR:
        return Verdict.INDETERMINATE, _PERHAPS_NOT_REACHED if not_reached >= 0.5 else _PERHAPS_REACHED
    too_low = float(places[: max(named - 1, 0)].sum())
    if near < _LEAST_NEAR or places[named] < _LEAST_ALONE or too_low > _MOST_TOO_LOW:
        return Verdict.INDETERMINATE, _WHERE_UNKNOWN
    if named == FALLING:
        return Verdict.FALLING_FROM_FIRST_STEP, ""
    if places[FALLING] > _MOST_FALLING:
        return Verdict.INDETERMINATE, _PERHAPS_FALLING
    return Verdict.FOUND, ""


def _doubtful_last_step(readings: int, posterior: Posterior) -> str:
    """Say why nobody knows whether the fall at the last step is the lung's; empty where that is not the question."""
    fall = -float(np.expm1(min(posterior.centres[-1] - posterior.centres[-2], 0.0)))
    if fall < _LONE_FALL or posterior.last_spoiled < _SPOILED_ENOUGH:
        return ""
    much = ", more than a lung usually loses in one step," if fall >= _LARGEST_USUAL_FALL else ""
    count = "a single reading" if readings == 1 else f"{readings} readings"
    return (
        f"Only the last step fell, by {percent(fall)}{much} on {count}: closing, a leak, a disconnection, secretions "
        "or an effort would all look so. The patient and the circuit have to be looked at, and only a further reading "
        "can show whether it lasts."
    )


def _shape(steps: Sequence[CurveStep], posterior: Posterior) -> Shape:
    """Call the fall abrupt where the closing step itself probably took 4 % of the maximum per cmH2O or more."""
    closes = posterior.curve_events > FALLING
    step, curves = posterior.curve_events[closes], posterior.curves[closes]
    row = np.arange(step.size)
    highest = np.maximum.accumulate(curves, axis=1)[row, step]
    lost = np.exp(curves[row, step - 1] - highest) - np.exp(curves[row, step] - highest)
    peep = np.array([one.peep_cmh2o for one in steps])
    abrupt = lost >= _ABRUPT_LOSS_PER_CMH2O * (peep[step - 1] - peep[step])
    weights = posterior.weights[closes]
    return Shape.ABRUPT if float(weights @ abrupt) >= 0.5 * float(weights.sum()) else Shape.GRADUAL


def _words(probability: float) -> Evidence:
    if probability >= _STRONG:
        return Evidence.STRONG
    return Evidence.MODERATE if probability >= _MODERATE else Evidence.WEAK


def _interval(steps: Sequence[CurveStep], shares: Floats) -> tuple[float, float]:
    """Find the run of steps whose probability is nearest to 90 %, at least 80 %; see the module."""
    total = [0.0, *accumulate(shares.tolist())]
    nearest, first, last = inf, 0, len(steps) - 1
    for length in range(1, len(total)):
        held = [end - start for start, end in zip(total, total[length:], strict=False)]
        most = max(held)
        # A hair, so that rounding of the sums cannot widen a run.
        if most >= _LEAST_OF_INTERVAL - _HAIR and abs(most - _INTERVAL) < nearest - _HAIR:
            nearest, first = abs(most - _INTERVAL), held.index(most)
            last = first + length - 1
    return float(steps[last].peep_cmh2o), float(steps[first].peep_cmh2o)


def _rows(steps: Sequence[CurveStep], posterior: Posterior, at_step: Floats) -> tuple[StepEstimate, ...]:
    fitted = posterior.weights @ posterior.curves
    band = _TWO_SIDED_90 * np.sqrt(posterior.weights @ (posterior.curves - fitted) ** 2)
    columns = np.exp(np.minimum([fitted, fitted - band, fitted + band], _LARGEST_EXPONENT)).T.tolist()
    rows = []
    for step, centre, (fit, low, high), probability in zip(
        steps, np.exp(posterior.centres).tolist(), columns, at_step.tolist(), strict=True
    ):
        count = len(step.compliances_ml_per_cmh2o)
        rows.append(StepEstimate(step.peep_cmh2o, count, centre, fit, low, high, probability))
    return tuple(rows)
