"""Sequential detection: whether closing was passed while PEEP is still being lowered, and when to stop.

The same model as in `closing`, asked after each step about the steps so far. Two things differ. The limb has no
known end, so that *not reached* gets the prior of a constant hazard: each further step closes with probability
`HAZARD_PER_STEP`, whatever came before. And the newest step has no next one that could take its fall back, which
the model knows: a spoiled step competes with a real fall, on a single reading on equal terms, and hardly where several
readings agree.

Rule: call closing passed where that is expected to cost less than no answer, at the losses of `losses`: a call in vain
costs 8 and no call 0.8, so that the limit is a probability of 0.9, reached after each of the last `in_a_row` steps. A
higher limit, or two in a row, gives fewer false calls and a later call; the benchmark draws the trade-off. A call that
comes late costs units which then have to be opened again; a false call ends the trial without an answer.

Source: the rule is the project's own; posterior probability against a limit is the textbook form of sequential
detection (Shiryaev 1963, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from math import fsum
from operator import mul

import numpy as np

from ebbmark.physiology.closing.closing import CurveStep, closing_posterior, why_unusable
from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED, event_prior
from ebbmark.physiology.closing.losses import NAMED_IN_VAIN, NO_ANSWER

__all__ = ["HAZARD_PER_STEP", "STOP_LIMIT", "closing_passed", "should_stop_lowering"]

HAZARD_PER_STEP = 0.12
"""Prior probability that the next step closes: about 8 steps, the project's choice."""

STOP_LIMIT = 1.0 - NO_ANSWER / NAMED_IN_VAIN
"""Probability at which lowering should stop: there a call in vain is expected to cost as much as no answer."""

_DECIMALS = 6
"""To which the probability is rounded, before any limit is applied."""


def closing_passed(
    steps: Sequence[CurveStep], *, fall: float = 0.05, dynamic: bool = False, total_peep_known: bool = True
) -> float:
    """Give the probability that closing, or a fall from the first step on, lies within the steps so far.

    Args:
        steps: the limb so far, strictly falling PEEP, highest first.
        fall: relative fall below the maximum so far that counts as closing.
        dynamic: whether the compliances are dynamic.
        total_peep_known: whether compliance was computed from total PEEP.

    Returns:
        Probability; 0 for fewer than three steps, and for steps that are no limb, on which nothing can be said.

    Raises:
        ValueError: as `closing.estimate_closing`.

    Source: see the module.
    """
    if why_unusable(steps, fall=fall) is not None:
        return 0.0
    events = closing_posterior(steps, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known).events
    survived = list(accumulate([1.0 - HAZARD_PER_STEP] * (events.size - 1), mul, initial=1.0))
    wanted = np.array([survived[-1], *(HAZARD_PER_STEP * chance for chance in survived[:-1])])
    weighed: list[float] = (events * wanted / event_prior(events.size)).tolist()
    return round(fsum(weighed[FALLING:]) / (weighed[NOT_REACHED] + fsum(weighed[FALLING:])), _DECIMALS)


def should_stop_lowering(passed: Sequence[float], *, limit: float = STOP_LIMIT, in_a_row: int = 1) -> bool:
    """Decide whether lowering PEEP should stop now.

    Args:
        passed: `closing_passed` after each step so far, oldest first.
        limit: least probability, above 0 to 1.
        in_a_row: how many of the last steps must reach it, at least 1.

    Raises:
        ValueError: a limit or number outside its range.

    Source: see the module.
    """
    if not 0.0 < limit <= 1.0 or in_a_row < 1:
        raise ValueError("limit must lie above 0 and not above 1, and in_a_row be at least 1")
    return len(passed) >= in_a_row and all(chance >= limit for chance in passed[-in_a_row:])
