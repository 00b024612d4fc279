"""During the trial: go on, read once more, or stop lowering?

A stop criterion comes before everything. Closing is called by the rule of `call_rule`; where one more reading at the
same PEEP could settle it, that reading is asked for before PEEP is lowered. Nothing here asks anyone to raise pressure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import isfinite

from ebbmark.physiology.during.call_rule import (
    DEFAULT_CALL_RULE,
    CallRule,
    StepSoFar,
    closing_called,
    fell_suddenly,
    steps_so_far,
)
from ebbmark.physiology.during.safety import StopAnswer
from ebbmark.physiology.wording import level, percent

__all__ = [
    "DEFAULT_CALL_RULE",
    "Action",
    "CallRule",
    "Move",
    "StepSoFar",
    "closing_called",
    "next_move",
    "steps_so_far",
]


class Action(Enum):
    """What the readings so far allow to be said."""

    STOP = "stop-criterion-met"
    READ_AGAIN = "read-again"
    LOWER = "lower"
    LOOK_FIRST = "look-first"
    MEASURE_FIRST = "measure-first"
    CLOSING_PASSED = "closing-passed"
    LOWEST_REACHED = "lowest-reached"
    NOT_STARTED = "not-started"


@dataclass(frozen=True, slots=True)
class Move:
    """The next move.

    Attributes:
        action: which.
        next_peep_cmh2o: the next level of the staircase, or the present one to read again; None otherwise.
        lowering_is_useful: whether a lower step could still tell something about closing.
        passed: probability that closing has been passed, as given for the latest step; None where not known.
        reason: the rule that led here, in one or two plain sentences.
        stops: the stop answer that was given, or None where nobody looked.
        rule: the rule applied.
    """

    action: Action
    next_peep_cmh2o: float | None
    lowering_is_useful: bool
    passed: float | None
    reason: str
    stops: StopAnswer | None
    rule: CallRule


def next_move(
    steps: Sequence[StepSoFar],
    *,
    decrement_cmh2o: float,
    lowest_cmh2o: float,
    stops: StopAnswer | None,
    rule: CallRule = DEFAULT_CALL_RULE,
) -> Move:
    """Say what the trial so far allows.

    A stop criterion that has been met comes before everything else, even where the latest reading is back within its
    limit: whether that was an artefact is for the person at the bedside.

    Args:
        steps: of the way down so far, highest PEEP first; empty before it began.
        decrement_cmh2o: of the staircase [cmH2O].
        lowest_cmh2o: of the staircase [cmH2O].
        stops: what `check_stop` said; None where it was not asked.
        rule: the documented trade-off.

    Returns:
        The move with its reason.

    Raises:
        ValueError: a decrement not above zero, a probability outside 0 to 1, or steps that do not fall.

    Source: this project's choice, see the module.
    """
    _refuse_nonsense(steps, decrement_cmh2o)
    latest = steps[-1] if steps else None
    passed = latest.passed if latest else None
    action, peep, useful, reason = _decide(steps, decrement_cmh2o, lowest_cmh2o, stops, rule)
    if stops is None:
        reason += " Stop criteria were not checked."
    return Move(action, peep, useful, passed, reason, stops, rule)


def _decide(
    steps: Sequence[StepSoFar], decrement: float, lowest: float, stops: StopAnswer | None, rule: CallRule
) -> tuple[Action, float | None, bool, str]:
    if stops is not None and stops.met:
        return Action.STOP, None, False, stops.sentence
    if not steps:
        return Action.NOT_STARTED, None, True, "No step of falling PEEP has a settled reading yet."
    latest = steps[-1]
    here = f"{level(latest.peep_cmh2o)} cmH2O"
    if closing_called(steps, rule):
        return Action.CLOSING_PASSED, None, False, _called(steps, rule)
    below = latest.peep_cmh2o - decrement
    another = below >= lowest - 1e-9
    doubtful = latest.passed is not None and latest.passed >= rule.doubt_at and len(steps) >= rule.fewest_steps
    sudden = fell_suddenly(latest)
    if latest.readings < 1 or ((doubtful or sudden) and latest.readings < rule.fewest_readings):
        return Action.READ_AGAIN, latest.peep_cmh2o, another, _thin(latest, here)
    if sudden:
        return Action.LOOK_FIRST, None, False, _sudden(latest, here)
    if not another:
        reason = (
            f"{here} is the lowest step of this staircase and closing cannot be called there{_chance(latest)}. "
            "Whether to test lower is for the clinician and local protocol."
        )
        return Action.LOWEST_REACHED, None, False, reason
    if latest.passed is None or len(steps) < rule.fewest_steps:
        reason = (
            f"Too few steps to say anything about closing yet; the next step of the staircase is {level(below)} cmH2O."
        )
    elif latest.passed >= rule.call_at:
        reason = (
            f"Closing has probably been passed{_chance(latest)}; the rule asks for {rule.steps_in_a_row} steps in a "
            f"row before it is called, and the next step is {level(below)} cmH2O."
        )
    elif doubtful:
        reason = (
            f"Closing may have been passed{_chance(latest)}, but that is short of the {100 * rule.call_at:.0f} % at "
            f"which it is called; the next step, {level(below)} cmH2O, would show whether the fall lasts."
        )
    else:
        reason = (
            f"The probability that closing has been passed at {here} is {percent(latest.passed)}; the next step of the "
            f"staircase is {level(below)} cmH2O."
        )
    return Action.LOWER, below, True, reason


def _called(steps: Sequence[StepSoFar], rule: CallRule) -> str:
    latest = steps[-1]
    held = f" at each of the last {rule.steps_in_a_row} steps" if rule.steps_in_a_row > 1 else ""
    return (
        f"Closing has been passed by {level(latest.peep_cmh2o)} cmH2O{_chance(latest)}, on {latest.readings} readings "
        f"at this step{held}. Lower steps would add little about closing and cost lung volume."
    )


def _sudden(latest: StepSoFar, here: str) -> str:
    return (
        f"Compliance at {here} lies {100 * latest.fall:.0f} % below its highest so far, on {latest.readings} readings. "
        "That may be closing, and it may be secretions, a displaced or kinked tube, a leak or a pneumothorax: the "
        "patient and the circuit come first, and PEEP is not to be lowered past it unexplained."
    )


def _thin(latest: StepSoFar, here: str) -> str:
    if latest.readings < 1:
        return f"The step at {here} has no settled reading yet."
    count = "a single reading" if latest.readings == 1 else f"{latest.readings} readings"
    return (
        f"The fall at {here} rests on {count}{_chance(latest)}; one more reading at this PEEP would settle more than "
        "a lower step."
    )


def _chance(step: StepSoFar) -> str:
    return "" if step.passed is None else f" (probability {percent(step.passed)})"


def _refuse_nonsense(steps: Sequence[StepSoFar], decrement: float) -> None:
    if not (isfinite(decrement) and decrement > 0.0):
        raise ValueError(f"a decrement must be a finite number above zero, got {decrement}")
    if any(step.passed is not None and not 0.0 <= step.passed <= 1.0 for step in steps):
        raise ValueError("a probability must lie between 0 and 1")
    if any(lower.peep_cmh2o >= higher.peep_cmh2o for higher, lower in pairwise(steps)):
        raise ValueError("PEEP must fall from each step to the next")
