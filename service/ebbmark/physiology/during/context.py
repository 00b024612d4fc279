"""What is known of a trial in progress, what its checks find, and the rule that calls closing.

Closing is called only when three things hold at the latest step: the estimate gives at least `call_at` for closing
having been passed, the fall rests on at least `fewest_readings` (of that step, and of those above at which it was as
sure), and that was so at `steps_in_a_row` steps. A single noisy reading can therefore never call closing by itself. The
price of a stricter rule is that the call comes later, by at most as many readings or steps as it asks for, and the lung
spends that long below closing. Which price to pay is a choice, held in `CallRule` and tested; it is this project's, not
a published one.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from itertools import takewhile
from math import inf
from typing import Any, Final

from ebbmark.physiology.closing.result import STOP_LIMIT, should_stop_lowering
from ebbmark.physiology.findings import Finding, KnownCondition
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading, UnusableReading, latest
from ebbmark.physiology.stop.criteria import StopAnswer
from ebbmark.physiology.stop.limits import NO_RHYTHM, Rhythms, StopLimits
from ebbmark.physiology.trial.steps import Trial

SUDDEN_FALL: Final = 0.15
"""A step this far below the highest compliance so far is not passed over, whatever the estimate makes of it: to the
model a lone large fall looks like a spoiled step, to a patient it may be a lung that closes. This project's choice."""

_FEWEST_STEPS: Final = 3  # the estimator says nothing on fewer


@dataclass(frozen=True, slots=True)
class CallRule:
    """When closing is called during a trial."""

    call_at: float = STOP_LIMIT  # probability that closing has been passed, at or above which it is called [1]
    doubt_at: float = 0.5  # probability at or above which a thin step is read once more before PEEP is lowered [1]
    fewest_readings: int = 2  # settled readings that a step must rest on before it may call
    steps_in_a_row: int = 1  # steps that must each reach `call_at`
    fewest_steps: int = _FEWEST_STEPS

    def __post_init__(self) -> None:
        if not (0.5 <= self.doubt_at <= self.call_at < 1.0):
            raise ValueError("a call rule needs 0.5 <= doubt_at <= call_at < 1")
        if min(self.fewest_readings, self.steps_in_a_row) < 1 or self.fewest_steps < _FEWEST_STEPS:
            raise ValueError("a call rule needs at least one reading, one step in a row and three steps")


DEFAULT_CALL_RULE: Final = CallRule()


@dataclass(frozen=True, slots=True)
class StepSoFar:
    """One step of the way down as it stands."""

    peep_cmh2o: float
    readings: int  # settled readings of compliance that it rests on
    passed: float | None  # probability, from this step and all before it, that closing has been passed
    fall: float = 0.0  # of its middle compliance below the highest of the steps so far, as a share; 0 where unknown


def fell_suddenly(step: StepSoFar) -> bool:
    """Whether compliance lies so far below its highest that PEEP is not lowered past it unlooked at; our choice."""
    return step.fall >= SUDDEN_FALL


def closing_called(steps: Sequence[StepSoFar], rule: CallRule = DEFAULT_CALL_RULE) -> bool:
    """Whether closing may be called at the latest of these steps, highest PEEP first. Source: this project's choice."""
    if len(steps) < max(rule.fewest_steps, rule.steps_in_a_row):
        return False
    passed = [step.passed or 0.0 for step in steps]
    return readings_of_the_fall(steps, rule) >= rule.fewest_readings and should_stop_lowering(
        passed, limit=rule.call_at, in_a_row=rule.steps_in_a_row
    )


def readings_of_the_fall(steps: Sequence[StepSoFar], rule: CallRule = DEFAULT_CALL_RULE) -> int:
    """How many readings a fall rests on: those of the latest step, and of the steps above at which it was as sure."""
    above = takewhile(lambda step: (step.passed or 0.0) >= rule.call_at, reversed(steps[:-1]))
    return steps[-1].readings + sum(step.readings for step in above)


@dataclass(frozen=True, slots=True)
class RunningTrial:
    """A trial as it stands."""

    steps: tuple[StepSoFar, ...]  # of the way down so far, highest PEEP first; empty while PEEP has not been lowered
    trial: Trial | None  # the limb that the steps were read from; None where it has too few
    began_s: float  # when PEEP was first moved for this way down, a rise before it included
    first_moved_s: float  # when PEEP was first moved for the trial, ways down before a rescue included
    now_since_s: float
    now_cmh2o: float | None
    falling: bool  # whether the latest change of PEEP was a step down, not longer ago than the longest step


@dataclass(frozen=True, slots=True)
class RunningContext:
    """All that is known at the moment of the question."""

    running: RunningTrial
    readings: Sequence[Reading]
    doubts: Sequence[UnusableReading]
    stops: StopAnswer
    limits: StopLimits
    since_s: float
    at_s: float
    protocol: Protocol
    rhythms: Rhythms = NO_RHYTHM
    acknowledged: Collection[str] = ()
    conditions: Sequence[KnownCondition] = ()
    curve: Sequence[Finding] = ()  # what the checks of a titration find along this way down

    def latest(self, quantity: Quantity, from_s: float = -inf) -> Reading | None:
        """The latest reading of a quantity since a moment."""
        return latest(self.readings, quantity, from_s)


class Consequence(Enum):
    """What a finding asks for, gravest first."""

    LOOK_UNLIKE_CLOSING = "look-unlike-closing"  # and closing is not called either
    LOOK = "look"
    MEASURE = "measure"
    READ_AGAIN = "read-again"
    TELL = "tell"
    TELL_LAST = "tell-last"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class Concern:
    """What one check found."""

    slug: str  # which; the sentence for it stands in `words/next_step.py`
    values: Mapping[str, Any] = field(default_factory=dict)
    name: str = ""  # word by which a clinician acknowledges it; empty where nobody can
