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
the margin is then used up. Where *not reached* is said, no pressure is named, so that a miss costs less.

Source: the project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import fsum

from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED

__all__ = ["NO_ANSWER", "expected_losses", "least_loss"]

_ONE_TOO_LOW, _ONE_TOO_HIGH = 1.1, 1.0
_FAR_TOO_LOW, _FAR_TOO_HIGH = 8.0, 4.0
_NAMED_IN_VAIN, _MISSED, _NAMED_THOUGH_FALLING = 8.0, 2.4, 6.0
NO_ANSWER = 0.8
_DECIMALS = 6


def expected_losses(events: Sequence[float]) -> list[float]:
    """Give the expected loss of each answer: not reached, falling from the first step, each further step.

    Args:
        events: probability of each event, by number.

    Source: the project's choice; see the module.
    """
    places = [0.0, *events[FALLING:], 0.0]
    above, below = 0.0, fsum(places)
    losses = [_MISSED * below]
    for named in range(FALLING, len(events)):
        # `above` holds what lies more than one step higher, `below` what lies more than one step lower.
        below -= places[named] + places[named + 1] if named == FALLING else places[named + 1]
        far = _FAR_TOO_LOW * above + _FAR_TOO_HIGH * max(below, 0.0)
        near = _ONE_TOO_LOW * places[named - 1] + _ONE_TOO_HIGH * places[named + 1]
        falling = (_NAMED_THOUGH_FALLING - _ONE_TOO_LOW) * places[FALLING] if named == FALLING + 1 else 0.0
        losses.append(far + near + falling + _NAMED_IN_VAIN * events[NOT_REACHED])
        above += places[named - 1]
    return [round(loss, _DECIMALS) for loss in losses]


def least_loss(events: Sequence[float]) -> float:
    """Give the expected loss of the best statement, whether or not it may be made.

    Args:
        events: probability of each event, by number.

    Source: see the module.
    """
    return min(expected_losses(events))
