"""Decision: what may be stated, given the probabilities of all steps, at an openly stated loss.

| answer | truth | loss |
|---|---|---|
| a place | that place | 0 |
| a place | one step higher: named one step too low | 1.1 |
| a place | one step lower: named one step too high | 1 |
| a place | more than one step higher: named far too low | 8 |
| a place | more than one step lower: named far too high | 4 |
| a place | not reached | 8 |
| a step | falling from the first step | at least 6 |
| not reached | a place: no pressure is then named | 2.4 |
| no answer | anything | 0.8 |

Places are *falling from the first step* and then the steps, going down. A step too low costs more than a step too high:
the margin is then used up. Where *not reached* is said, no pressure is named, so that a miss costs less. While PEEP is
still being lowered, closing that is called and was not passed is charged like a place named in vain, and no call like
no answer (see `estimator`).

**Value of information.** For a further reading at a step that was tested, the curves of the posterior are weighed anew
by what such a reading might show, and the loss of the answer that would then be given is averaged. For a plateau hold,
on dynamic compliance, each fall that may be the one that counts is taken as known in turn. For a lower step, whether
closing was reached is taken as known; since one step may leave that open, half of the gain counts. Neither the highest
step nor any higher pressure is ever looked at.

Source: the losses are the project's choice; expected value of sample information, textbook, its use here the project's
own.

**Decision.** Each answer is charged by how far it lies from the truth, and the one with the smallest expected loss is
given; where that exceeds the loss of no answer, the answer is INDETERMINATE. See the table.

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
from functools import lru_cache
from itertools import accumulate
from math import fsum, inf
from typing import Final

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, exp, total
from ebbmark.physiology.closing.model import FALLING, NOT_REACHED, Posterior, running_maximum
from ebbmark.physiology.closing.result import (
    NAMED_IN_VAIN,
    NO_ANSWER,
    Closing,
    CurveStep,
    Evidence,
    Help,
    Measurement,
    Shape,
    StepEstimate,
    Verdict,
    evidence_of,
)
from ebbmark.physiology.findings import Message, message

_ONE_TOO_LOW, _ONE_TOO_HIGH = 1.1, 1.0
_FAR_TOO_LOW, _FAR_TOO_HIGH = 8.0, 4.0
_MISSED, _NAMED_THOUGH_FALLING = 2.4, 6.0
_OUTCOMES, _MOST_STEPS, _EVERY = 7, 5, 4
_LEAST_GAIN = 0.05
_SHARE_OF_A_LOWER_STEP = 0.5
_OPEN = 0.12
_LOSS_DECIMALS = 6


def expected_losses(events: Floats) -> Floats:
    """Give the expected loss of each answer: not reached, falling from the first step, each further step.

    Args:
        events: probability of each event, by number [... x events].

    Returns:
        [... x answers], rounded.
    """
    table = _table(events.shape[-1])
    by_truth = np.moveaxis(events, -1, 0)
    # A second axis, so that the sum runs along the first of several.
    terms = table.reshape(table.shape[0], *(1,) * (events.ndim - 1), -1) * by_truth[..., None]
    return np.round(total(terms), _LOSS_DECIMALS)


def _least_loss(events: Floats) -> Floats:
    """Give the expected loss of the best statement, whether or not it may be made."""
    return np.asarray(expected_losses(events).min(axis=-1), dtype=np.float64)


@lru_cache(maxsize=32)
def _table(events: int) -> Floats:
    """Loss of each answer at each truth [truths x answers]."""
    return np.array([[_loss(answer, truth) for answer in range(events)] for truth in range(events)])


def _loss(answer: int, truth: int) -> float:
    if answer == truth:
        return 0.0
    if answer == NOT_REACHED:
        return _MISSED
    if truth == NOT_REACHED:
        return NAMED_IN_VAIN
    if answer < truth:
        return _ONE_TOO_HIGH if truth - answer == 1 else _FAR_TOO_HIGH
    loss = _ONE_TOO_LOW if answer - truth == 1 else _FAR_TOO_LOW
    return max(loss, _NAMED_THOUGH_FALLING) if truth == FALLING else loss


def most_helpful(steps: Sequence[CurveStep], posterior: Posterior) -> Help | None:
    """Find the measurement with the largest expected gain; None where none is worth naming."""
    now = float(_least_loss(posterior.events))
    gains = [
        Help(Measurement.READING, steps[place].peep_cmh2o, now - loss)
        for place, loss in _after_reading(posterior, _in_question(posterior)).items()
    ]
    if len(posterior.events_by_fall) > 2:
        known = _least_loss(posterior.events_by_fall).tolist()
        gains.append(Help(Measurement.PLATEAU, None, now - fsum(known) / len(known)))
    not_reached = float(posterior.events[NOT_REACHED])
    if _OPEN < not_reached < 1.0 - _OPEN:
        reached = posterior.events.copy()
        reached[NOT_REACHED] = 0.0
        then = (1.0 - not_reached) * float(_least_loss(reached / (1.0 - not_reached)))
        gains.append(Help(Measurement.LOWER_STEP, None, _SHARE_OF_A_LOWER_STEP * (now - then)))
    rounded = [Help(each.measurement, each.peep_cmh2o, round(each.gain, _LOSS_DECIMALS)) for each in gains]
    best = max(rounded, key=lambda each: each.gain)
    return best if best.gain >= _LEAST_GAIN else None


def _in_question(posterior: Posterior) -> list[int]:
    """Steps that closing is likeliest to lie at or next to, without the highest."""
    events = np.array([0.0, 0.0, *posterior.events[FALLING:].tolist(), 0.0])
    nearby = events[:-2] + events[1:-1] + events[2:]
    order = np.argsort(-np.round(nearby[1:], _LOSS_DECIMALS), kind="stable")[:_MOST_STEPS]
    return sorted((order + 1).tolist())


def _after_reading(posterior: Posterior, places: Sequence[int]) -> dict[int, float]:
    """Expected loss after one more reading at each of some steps, over what it may show; on a part of the curves."""
    part = slice(None, None, _EVERY)
    curves, weights, events = posterior.curves[places, part], posterior.weights[part], posterior.curve_events[part]
    order = np.argsort(curves, axis=1, kind="stable")
    running = np.cumsum(weights[order], axis=1)
    middles = (np.arange(_OUTCOMES) + 0.5) / _OUTCOMES
    shown = np.array(
        [
            row[by[np.searchsorted(sums, middles * sums[-1])]]
            for row, by, sums in zip(curves, order, running, strict=True)
        ]
    )
    apart = (curves[:, None, :] - shown[:, :, None]) / posterior.reading_sd
    weighed = weights * exp(-0.5 * apart * apart)
    counted = np.array(
        [[np.bincount(events, weights=row, minlength=posterior.events.size) for row in rows] for rows in weighed]
    )
    losses = _least_loss(counted / np.cumsum(counted, axis=2)[:, :, -1:]).tolist()
    return {place: fsum(each) / _OUTCOMES for place, each in zip(places, losses, strict=True)}


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
    """Turn probabilities into an answer."""
    events = stated(posterior.events)
    at_step = [0.0, 0.0, *events[2:]]
    columns = _compliances(posterior)
    losses: list[float] = expected_losses(np.array(events)).tolist()
    # Of equal losses the higher place is taken.
    named = losses.index(min(losses[FALLING:]), FALLING)
    near = _sum(events[max(named - 1, FALLING) : named + 2])
    falling, not_reached = events[FALLING], events[NOT_REACHED]
    found = _sum(at_step)

    verdict, reason = _judge(events, losses, named)
    swings = _came_back(steps, columns[0])
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
        steps=_rows(steps, columns, at_step),
        shape=_shape(steps, posterior) if is_found else None,
        evidence=evidence,
        reason=reason or "",
        would_help=would_help,
    )


def stated(probabilities: Floats) -> list[float]:
    """Round probabilities so that they still sum to one: the largest takes up the rest.

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
    step, curves, column = posterior.curve_events, posterior.curves, np.arange(posterior.curve_events.size)
    closes = step > FALLING
    highest = running_maximum(curves)[step, column]
    before, after = exp(np.array([curves[step - 1, column], curves[step, column]]) - highest)
    peep = np.array([step.peep_cmh2o for step in steps])
    abrupt = closes & (before - after >= _ABRUPT_LOSS_PER_CMH2O * (peep[step - 1] - peep[step]))
    share = float(np.cumsum(posterior.weights * abrupt)[-1] / np.cumsum(posterior.weights * closes)[-1])
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


def _compliances(posterior: Posterior) -> list[list[float]]:
    """Compliance of each step as it was read, as the curves have it, and both ends of its 90 % band [4 x steps]."""
    fitted = total((posterior.curves * posterior.weights).T)
    apart = posterior.curves - fitted[:, None]
    band = _TWO_SIDED_90 * np.sqrt(total((apart * apart * posterior.weights).T))
    columns: list[list[float]] = exp(np.array([posterior.centres, fitted, fitted - band, fitted + band])).tolist()
    return columns


def _rows(
    steps: Sequence[CurveStep], columns: Sequence[Sequence[float]], at_step: Sequence[float]
) -> tuple[StepEstimate, ...]:
    rows = []
    for step, probability, *values in zip(steps, at_step, *columns, strict=True):
        centre, fit, low, high = (round(value, _DECIMALS) for value in values)
        count = len(step.compliances_ml_per_cmh2o)
        rows.append(StepEstimate(step.peep_cmh2o, count, centre, fit, low, high, probability))
    return tuple(rows)
