"""Loss of each answer, and value of information: which further measurement would lower the expected loss most.

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
no answer (see `stopping`).

**Value of information.** For a further reading at a step that was tested, the curves of the posterior are weighed anew
by what such a reading might show, and the loss of the answer that would then be given is averaged. For a plateau hold,
on dynamic compliance, each fall that may be the one that counts is taken as known in turn. For a lower step, whether
closing was reached is taken as known; since one step may leave that open, half of the gain counts. Neither the highest
step nor any higher pressure is ever looked at.

Source: the losses are the project's choice; expected value of sample information, textbook, its use here the project's
own.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import fsum

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, exp, total
from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED
from ebbmark.physiology.closing.estimate import CurveStep, Help, Measurement
from ebbmark.physiology.closing.posterior import Posterior

__all__ = ["NAMED_IN_VAIN", "NO_ANSWER", "expected_losses", "most_helpful"]

_ONE_TOO_LOW, _ONE_TOO_HIGH = 1.1, 1.0
_FAR_TOO_LOW, _FAR_TOO_HIGH = 8.0, 4.0
_MISSED, _NAMED_THOUGH_FALLING = 2.4, 6.0
NAMED_IN_VAIN = 8.0
NO_ANSWER = 0.8
_OUTCOMES, _MOST_STEPS, _EVERY = 7, 5, 4
_LEAST_GAIN = 0.05
_SHARE_OF_A_LOWER_STEP = 0.5
_OPEN = 0.12
_DECIMALS = 6


def expected_losses(events: Floats) -> Floats:
    """Give the expected loss of each answer: not reached, falling from the first step, each further step.

    Args:
        events: probability of each event, by number [... x events].

    Returns:
        [... x answers], rounded.

    Source: the project's choice; see the module.
    """
    table = _table(events.shape[-1])
    by_truth = np.moveaxis(events, -1, 0)
    # A second axis, so that the sum runs along the first of several.
    terms = table.reshape(table.shape[0], *(1,) * (events.ndim - 1), -1) * by_truth[..., None]
    return np.round(total(terms), _DECIMALS)


def _least_loss(events: Floats) -> Floats:
    """Give the expected loss of the best statement, whether or not it may be made.

    Args:
        events: probability of each event, by number [... x events].

    Source: see the module.
    """
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
    """Find the measurement with the largest expected gain; None where none is worth naming.

    Args:
        steps: of the limb, highest PEEP first.
        posterior: what the model says of them.

    Source: see the module.
    """
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
    rounded = [Help(each.measurement, each.peep_cmh2o, round(each.gain, _DECIMALS)) for each in gains]
    best = max(rounded, key=lambda each: each.gain)
    return best if best.gain >= _LEAST_GAIN else None


def _in_question(posterior: Posterior) -> list[int]:
    """Steps that closing is likeliest to lie at or next to, without the highest."""
    events = np.array([0.0, 0.0, *posterior.events[FALLING:].tolist(), 0.0])
    nearby = events[:-2] + events[1:-1] + events[2:]
    order = np.argsort(-np.round(nearby[1:], _DECIMALS), kind="stable")[:_MOST_STEPS]
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
