"""Decision: what may be stated, given the probabilities of all steps, at an openly stated loss.

Each answer is charged by how far it lies from the truth, and the one with the smallest expected loss is given; where
that exceeds the loss of no answer, the answer is INDETERMINATE. Places are *falling from the first step* and then the
steps, going down. A step too low costs more than a step too high: the margin is then used up.

See `losses` for the table.

The 90 % interval of a step that is named is a run of neighbouring steps, and of each length the likeliest. A run of
whole steps hardly ever holds just 90 %; always to take the next longer one would hold about 97 %. So it is the run
whose probability, given that closing was reached at a step, is nearest to 90 %, and at least 80 %: over many trials it
holds the truth about nine times in ten.

Where this rests on what happened at the last step (that is the likeliest place, or closing may not have been reached),
that step reads 12 % or more below the one before, and the model holds it spoiled as a whole with at least 0.10, nobody
knows what happened there: INDETERMINATE, and the reason names that fall, on how many readings it rests, and that it
has to be looked at.

Evidence is strong from 0.97, moderate from 0.90, otherwise weak: of the probability of the step named together with its
two neighbours where FOUND, of the verdict elsewhere.

Source: the losses and limits are the project's choice, set on simulated lungs.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from math import fsum, inf
from typing import Final

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, exp, total
from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED, running_maximum
from ebbmark.physiology.closing.estimate import (
    Closing,
    CurveStep,
    Evidence,
    Shape,
    StepEstimate,
    Verdict,
    evidence_of,
)
from ebbmark.physiology.closing.losses import NO_ANSWER, expected_losses, most_helpful
from ebbmark.physiology.closing.posterior import Posterior
from ebbmark.physiology.message import Message, message

__all__ = ["decide", "stated"]

_DOUBT, _DOUBT_OF_FALLING = 0.12, 0.12
_INTERVAL, _LEAST_OF_INTERVAL = 0.90, 0.80
_ABRUPT_LOSS_PER_CMH2O = 0.04
_LONE_FALL, _LARGEST_USUAL_FALL, _SPOILED_ENOUGH = 0.12, 0.30, 0.10
_TWO_SIDED_90 = 1.6448536269514722
_DECIMALS = 6
"""To which everything that is stated is rounded, once, before any limit is applied: so no last bit decides."""

_BACK, _RECOVERED, _SWINGS = 0.10, 0.05, 3
"""A move of compliance between steps that counts, as a share of its best, and how many in turn are a sawtooth."""
_SAWTOOTH: Final = message("closing.sawtooth")


def decide(steps: Sequence[CurveStep], posterior: Posterior) -> Closing:
    """Turn probabilities into an answer.

    Args:
        steps: of the limb, highest PEEP first.
        posterior: what the model says of them.

    Source: see the module.
    """
    events = stated(posterior.events)
    losses: list[float] = expected_losses(np.array(events)).tolist()
    # Of equal losses the higher place is taken.
    named = losses.index(min(losses[FALLING:]), FALLING)
    near = _sum(events[max(named - 1, FALLING) : named + 2])
    at_step = [0.0, 0.0, *events[2:]]
    falling, not_reached = events[FALLING], events[NOT_REACHED]
    found = _sum(at_step)

    verdict, reason = _judge(events, losses, named)
    swings = _came_back(steps, exp(posterior.centres).tolist())
    if verdict in (Verdict.FALLING_FROM_FIRST_STEP, Verdict.INDETERMINATE) or swings == _SAWTOOTH:
        verdict, reason = (Verdict.INDETERMINATE, swings) if swings else (verdict, reason)
    lone_fall = None
    if named == len(steps) - 1 or (verdict is not Verdict.FOUND and max(not_reached, events[-1]) > _DOUBT):
        lone_fall = _doubtful_last_step(len(steps[-1].compliances_ml_per_cmh2o), posterior)
        verdict, reason = (Verdict.INDETERMINATE, lone_fall) if lone_fall else (verdict, reason)
    ask = verdict is Verdict.INDETERMINATE and lone_fall is None  # a lone fall names what to do by itself
    would_help = most_helpful(steps, posterior) if ask else None
    is_found = verdict is Verdict.FOUND
    probability = {
        Verdict.FOUND: found,
        Verdict.NOT_REACHED: not_reached,
        Verdict.FALLING_FROM_FIRST_STEP: falling,
        Verdict.INDETERMINATE: max(found, not_reached, falling),
    }[verdict]
    evidence = Evidence.WEAK if reason is not None else evidence_of(near if is_found else probability)
    return Closing(
        verdict=verdict,
        peep_cmh2o=float(steps[named].peep_cmh2o) if is_found else None,
        interval_cmh2o=_interval(steps, at_step, found) if is_found else None,
        probability=probability,
        not_reached=not_reached,
        falling_from_first_step=falling,
        steps=_rows(steps, posterior, at_step),
        shape=_shape(steps, posterior) if is_found else None,
        evidence=evidence,
        reason=reason or "",
        would_help=would_help,
    )


def stated(probabilities: Floats) -> list[float]:
    """Round probabilities so that they still sum to one: the largest takes up the rest.

    Args:
        probabilities: of all that can be true.

    Source: the project's choice.
    """
    rounded = [round(value, _DECIMALS) for value in probabilities.tolist()]
    largest = rounded.index(max(rounded))
    rounded[largest] = round(1.0 - fsum(rounded[:largest] + rounded[largest + 1 :]), _DECIMALS)
    return rounded


def _sum(probabilities: Sequence[float]) -> float:
    return round(fsum(probabilities), _DECIMALS)


def _judge(events: Sequence[float], losses: Sequence[float], named: int) -> tuple[Verdict, Message | None]:
    if min(losses) > NO_ANSWER:
        if _DOUBT < events[NOT_REACHED] < 1.0 - _DOUBT:
            why = "perhaps-not-reached" if events[NOT_REACHED] >= 0.5 else "perhaps-reached"
        else:
            why = "perhaps-falling" if events[FALLING] > _DOUBT_OF_FALLING else "where-unknown"
        return Verdict.INDETERMINATE, message(f"closing.{why}")
    if losses[NOT_REACHED] < losses[named]:
        return Verdict.NOT_REACHED, None
    return (Verdict.FALLING_FROM_FIRST_STEP if named == FALLING else Verdict.FOUND), None


def _doubtful_last_step(readings: int, posterior: Posterior) -> Message | None:
    """Say why nobody knows whether the fall at the last step is the lung's; None where that is not the question."""
    fall = round(1.0 - float(exp(posterior.centres[-1] - posterior.centres[-2])), _DECIMALS)
    if fall < _LONE_FALL or round(posterior.last_spoiled, _DECIMALS) < _SPOILED_ENOUGH:
        return None
    which = "lone-large-fall" if fall >= _LARGEST_USUAL_FALL else "lone-fall"
    # No lung loses all: as with a probability, 99 is the most that is named.
    count = message("closing.single-reading") if readings == 1 else message("since.readings", count=readings)
    return message(f"closing.{which}", fall_percent=min(round(100 * fall), 99), count=count)


def _came_back(steps: Sequence[CurveStep], centres: Sequence[float]) -> Message | None:
    """Say that a fall came back at a lower step, or that compliance swings; None where it does neither."""
    turns: list[int] = []  # direction of each move that counts
    limit = _BACK * max(centres)
    best, lowest, fell = centres[0], centres[0], 0
    back = None
    for place, value in enumerate(centres):
        whole = value >= (1.0 - _RECOVERED) * best
        if whole and fell and value - lowest >= limit and not back:
            at, then = round(steps[fell].peep_cmh2o, 1), round(steps[place].peep_cmh2o, 1)
            back = message("closing.came-back", at_cmh2o=at, value=round(value), then_cmh2o=then)
        if whole:
            best, lowest, fell = max(best, value), value, 0
        else:
            lowest, fell = min(lowest, value), fell or place
    extreme = centres[0]
    for value in centres[1:]:
        direction = 1 if value > extreme else -1
        if turns and direction == turns[-1]:
            extreme = value
        elif abs(value - extreme) >= limit:
            turns.append(direction)
            extreme = value
    return _SAWTOOTH if back and len(turns) >= _SWINGS + 1 else back


def _shape(steps: Sequence[CurveStep], posterior: Posterior) -> Shape:
    """Call the fall abrupt where the closing step itself probably took 4 % of the maximum per cmH2O or more."""
    closes = posterior.curve_events > FALLING
    step, curves = posterior.curve_events[closes], posterior.curves[:, closes]
    column = np.arange(step.size)
    highest = running_maximum(curves)[step, column]
    before, after = exp(np.array([curves[step - 1, column], curves[step, column]]) - highest)
    lost = before - after
    peep = np.array([one.peep_cmh2o for one in steps])
    abrupt = lost >= _ABRUPT_LOSS_PER_CMH2O * (peep[step - 1] - peep[step])
    weights = posterior.weights[closes]
    share = fsum(weights[abrupt].tolist()) / fsum(weights.tolist())
    return Shape.ABRUPT if round(share, _DECIMALS) >= 0.5 else Shape.GRADUAL


def _interval(steps: Sequence[CurveStep], at_step: Sequence[float], found: float) -> tuple[float, float]:
    """Find the run of steps whose probability is nearest to 90 %, at least 80 %; see the module."""
    running = [0.0, *accumulate(probability / found for probability in at_step)]
    nearest, first, last = inf, 0, len(steps) - 1
    for length in range(1, len(running)):
        held = [end - start for start, end in zip(running, running[length:], strict=False)]
        most = round(max(held), _DECIMALS)
        if most >= _LEAST_OF_INTERVAL and round(abs(most - _INTERVAL), _DECIMALS) < nearest:
            nearest = round(abs(most - _INTERVAL), _DECIMALS)
            first = next(place for place, share in enumerate(held) if round(share, _DECIMALS) == most)
            last = first + length - 1
        # A longer run holds no less.
        if most >= _INTERVAL:
            break
    return float(steps[last].peep_cmh2o), float(steps[first].peep_cmh2o)


def _rows(steps: Sequence[CurveStep], posterior: Posterior, at_step: Sequence[float]) -> tuple[StepEstimate, ...]:
    fitted = total((posterior.curves * posterior.weights).T)
    apart = posterior.curves - fitted[:, None]
    band = _TWO_SIDED_90 * np.sqrt(total((apart * apart * posterior.weights).T))
    columns = exp(np.array([posterior.centres, fitted, fitted - band, fitted + band])).T.tolist()
    rows = []
    for step, values, probability in zip(steps, columns, at_step, strict=True):
        centre, fit, low, high = (round(value, _DECIMALS) for value in values)
        count = len(step.compliances_ml_per_cmh2o)
        rows.append(StepEstimate(step.peep_cmh2o, count, centre, fit, low, high, probability))
    return tuple(rows)
