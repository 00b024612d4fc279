"""What is the right answer, given the noise-free compliance at each step?

The rule is the project's own definition of closing pressure (5 % is its choice, not a published value):

    Step i (i >= 1, counted from 0 at the highest PEEP) is the closing step where
        c[i]     <= (1 - fall) * max(c[0] .. c[i - 1])    it has fallen, and
        c[i + 1] <= (1 - fall) * max(c[0] .. c[i - 1])    the next step does not bring it back,
    for the smallest such i.

Decisions at the edges:

* The last step has no next step. A noise-free fall there counts: nothing in the trial takes it back. (With
  noise it cannot be confirmed; whether a method may then be sure is another question, see `knowable`.)
* i == 1 means that the running maximum is the first step: compliance fell as soon as PEEP did, and where
  closing began lies at or above the top of the tested range. That is *falling from the first step*, no
  closing pressure. A slower fall, which first reaches 5 % at i >= 2, is a closing step even if its maximum
  is the first step.
* No such i: *not reached*.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.physiology.closing.result import Verdict


@dataclass(frozen=True, slots=True)
class Truth:
    """The right answer of one noise-free limb.

    Attributes:
        verdict: FOUND, NOT_REACHED or FALLING_FROM_FIRST_STEP; never INDETERMINATE.
        step: index of the closing step where FOUND (>= 2), 1 where FALLING_FROM_FIRST_STEP, otherwise None.
    """

    verdict: Verdict
    step: int | None


def true_closing(compliances: Sequence[float], fall: float = 0.05) -> Truth:
    """Apply the definition of closing to noise-free compliances, highest PEEP first.

    Args:
        compliances: noise-free static compliance per step [mL/cmH2O], at least one.
        fall: relative fall below the running maximum that counts as closing.
    """
    highest = compliances[0]
    for i in range(1, len(compliances)):
        limit = (1.0 - fall) * highest
        lasting = i + 1 == len(compliances) or compliances[i + 1] <= limit
        if compliances[i] <= limit and lasting:
            return Truth(Verdict.FALLING_FROM_FIRST_STEP if i == 1 else Verdict.FOUND, i)
        highest = max(highest, compliances[i])
    return Truth(Verdict.NOT_REACHED, None)
