"""When may closing be called during a trial? The rule, and its price.

Closing is called only when three things hold at the latest step: the estimate gives at least `call_at` for closing
having been passed, the fall rests on at least `fewest_readings` (of that step, and of those above at which it was as
sure), and that was so at `steps_in_a_row` steps. A single noisy reading can therefore never call closing by itself. The
price of a stricter rule is that the call comes later, by at most as many readings or steps as it asks for, and the lung
spends that long below closing. Which price to pay is a choice, held in `CallRule` and tested; it is this project's, not
a published one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from statistics import median
from typing import Final

from ebbmark.physiology.closing.estimate import CurveStep
from ebbmark.physiology.closing.stopping import STOP_LIMIT, should_stop_lowering

__all__ = [
    "DEFAULT_CALL_RULE",
    "SUDDEN_FALL",
    "CallRule",
    "StepSoFar",
    "closing_called",
    "fell_suddenly",
    "readings_of_the_fall",
    "steps_so_far",
]

SUDDEN_FALL: Final = 0.15
"""A step this far below the highest compliance so far is not passed over, whatever the estimate makes of it: to the
model a lone large fall looks like a spoiled step, to a patient it may be a lung that closes. This project's choice."""

_FEWEST_STEPS: Final = 3  # the estimator says nothing on fewer


@dataclass(frozen=True, slots=True)
class CallRule:
    """When closing is called during a trial.

    Attributes:
        call_at: probability that closing has been passed, at or above which it is called [1].
        doubt_at: probability at or above which a thin step is read once more before PEEP is lowered [1].
        fewest_readings: settled readings that a step must rest on before it may call.
        steps_in_a_row: steps that must each reach `call_at`.
        fewest_steps: below this many steps nothing is called.
    """

    call_at: float = STOP_LIMIT
    doubt_at: float = 0.5
    fewest_readings: int = 2
    steps_in_a_row: int = 1
    fewest_steps: int = _FEWEST_STEPS

    def __post_init__(self) -> None:
        if not (0.5 <= self.doubt_at <= self.call_at < 1.0):
            raise ValueError("a call rule needs 0.5 <= doubt_at <= call_at < 1")
        if min(self.fewest_readings, self.steps_in_a_row) < 1 or self.fewest_steps < _FEWEST_STEPS:
            raise ValueError("a call rule needs at least one reading, one step in a row and three steps")


DEFAULT_CALL_RULE: Final = CallRule()


@dataclass(frozen=True, slots=True)
class StepSoFar:
    """One step of the way down as it stands.

    Attributes:
        peep_cmh2o: set PEEP.
        readings: settled readings of compliance that it rests on.
        passed: probability, from this step and all before it, that closing has been passed; None where the estimator
            was not asked or could not say.
        fall: of the step's middle compliance below the highest of the steps so far, as a share; 0 where unknown.
    """

    peep_cmh2o: float
    readings: int
    passed: float | None
    fall: float = 0.0


def fell_suddenly(step: StepSoFar) -> bool:
    """Whether compliance lies so far below its highest so far that PEEP must not be lowered past it unlooked at.

    Args:
        step: the latest step.

    Source: this project's choice.
    """
    return step.fall >= SUDDEN_FALL


def closing_called(steps: Sequence[StepSoFar], rule: CallRule = DEFAULT_CALL_RULE) -> bool:
    """Whether closing may be called at the latest of these steps.

    Args:
        steps: of the way down so far, highest PEEP first.
        rule: the documented trade-off.

    Source: this project's choice.
    """
    if len(steps) < max(rule.fewest_steps, rule.steps_in_a_row):
        return False
    passed = [step.passed or 0.0 for step in steps]
    return readings_of_the_fall(steps, rule) >= rule.fewest_readings and should_stop_lowering(
        passed, limit=rule.call_at, in_a_row=rule.steps_in_a_row
    )


def readings_of_the_fall(steps: Sequence[StepSoFar], rule: CallRule = DEFAULT_CALL_RULE) -> int:
    """How many readings a fall rests on: those of the latest step, and of the steps above at which it was as sure.

    Args:
        steps: of the way down so far, highest PEEP first; at least one.
        rule: from which probability on closing is called.
    """
    above = takewhile(lambda step: (step.passed or 0.0) >= rule.call_at, reversed(steps[:-1]))
    return steps[-1].readings + sum(step.readings for step in above)


def steps_so_far(curve: Sequence[CurveStep], passed: Sequence[float | None]) -> tuple[StepSoFar, ...]:
    """Join what is known of each step: its readings, its fall, and whether closing has been passed.

    Args:
        curve: the limb so far, strictly falling PEEP, highest first.
        passed: probability, after each step, that closing has been passed; None where it was not asked.
    """
    middles = [median(step.compliances_ml_per_cmh2o) for step in curve]
    return tuple(
        StepSoFar(
            peep_cmh2o=step.peep_cmh2o,
            readings=len(step.compliances_ml_per_cmh2o),
            passed=chance,
            fall=max(0.0, 1.0 - middles[count - 1] / max(middles[:count])),
        )
        for count, (step, chance) in enumerate(zip(curve, passed, strict=True), start=1)
    )
