"""Loss of each answer: what a pressure named too low or too high costs, and no answer.

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

Source: the project's choice.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, total
from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED

__all__ = ["NAMED_IN_VAIN", "NO_ANSWER", "expected_losses", "least_loss"]

_ONE_TOO_LOW, _ONE_TOO_HIGH = 1.1, 1.0
_FAR_TOO_LOW, _FAR_TOO_HIGH = 8.0, 4.0
_MISSED, _NAMED_THOUGH_FALLING = 2.4, 6.0
NAMED_IN_VAIN = 8.0
NO_ANSWER = 0.8
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


def least_loss(events: Floats) -> Floats:
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
