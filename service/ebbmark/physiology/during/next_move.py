"""The next move during a trial: go on, read once more, look first, or stop.

A stop criterion comes before everything. Closing is called by the rule of `CallRule`; where one more reading at the
same PEEP could settle it, that reading is asked for before PEEP is lowered. Then the ordered checks say whether anybody
may be sent on at all. The way back, the settings before the trial as charted, is named wherever a trial stops. Nothing
here asks anyone to raise pressure; the sentences stand in `words/next_step.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise
from math import isfinite
from typing import Final

from ebbmark.physiology.during.checks import circulation_alarms, concerns_of
from ebbmark.physiology.during.context import (
    DEFAULT_CALL_RULE,
    CallRule,
    Concern,
    Consequence,
    RunningContext,
    StepSoFar,
    closing_called,
    fell_suddenly,
    readings_of_the_fall,
)
from ebbmark.physiology.readings import Quantity, Reading, latest
from ebbmark.physiology.stop.criteria import CRITERIA, StopAnswer
from ebbmark.physiology.trial.limb import SAME_PEEP_CMH2O, peep_levels_of

HOLDS_S: Final = 12 * 3600.0
"""A setting charted longer before the trial than this is not taken as in force [s]. This project's choice."""

_PEEPS: Final = (Quantity.PEEP_SET, Quantity.PEEP_MEASURED)


@dataclass(frozen=True, slots=True)
class SettingsBefore:
    """What held just before PEEP was first moved; None where the chart does not show it."""

    peep: Reading | None  # set PEEP, else measured [cmH2O]
    tidal_volume: Reading | None  # set, else expired [mL]
    pressure_above_peep: Reading | None
    fio2: Reading | None


def _settings_before(context: RunningContext) -> SettingsBefore | None:
    """The settings that held before the trial.

    Returns:
        None where PEEP before the trial is not known to have been lower than its top: then the chart begins within the
        trial, and its first level is no way back.
    """
    since_s = context.since_s
    before = [reading for reading in context.readings if since_s - HOLDS_S <= reading.at_s < since_s]
    top = max(
        (reading.value for reading in context.readings if reading.quantity in _PEEPS and reading.at_s >= since_s),
        default=0.0,
    )
    peep = latest(before, Quantity.PEEP_SET) or latest(before, Quantity.PEEP_MEASURED)
    if peep is None or peep.value >= top:
        return None
    return SettingsBefore(
        peep,
        latest(before, Quantity.TIDAL_VOLUME_SET) or latest(before, Quantity.TIDAL_VOLUME_EXPIRED),
        latest(before, Quantity.PRESSURE_ABOVE_PEEP_SET),
        latest(before, Quantity.FIO2_SET),
    )


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
    ENDED = "trial-ended"


class Reason(Enum):
    """Which rule led to a move."""

    STOP_MET = "stop-met"
    NO_STEP = "no-step"
    ENDED = "ended"  # a whole trial was read, and PEEP is no longer on its way down
    CALLED = "called"
    CALLED_BEFORE = "called-before"  # closing had been called before PEEP was raised again
    NOT_READ = "not-read"
    THIN = "thin"
    SUDDEN = "sudden"
    LOWEST = "lowest"
    TOO_FEW = "too-few"
    PROBABLE = "probable"
    POSSIBLE = "possible"
    OPEN = "open"
    UNCLEAR = "unclear"  # called step by step, while the whole curve gives no statement
    LOOK = "look"  # overruled: something asks for a look first


@dataclass(frozen=True, slots=True)
class Move:
    """The next move."""

    action: Action
    next_peep_cmh2o: float | None  # the next level of the staircase, or the present one to read again
    lowering_is_useful: bool  # whether a lower step could still tell something about closing
    passed: float | None
    reason: Reason
    latest: StepSoFar | None  # that it rests on: the latest, or the one at which closing had been called
    below_cmh2o: float | None
    stops: StopAnswer | None
    rule: CallRule


_JUST_BEFORE_S: Final = 3600.0
"""A reading longer before the trial than this shows nothing of a level of PEEP [s]; this project's choice."""


@dataclass(frozen=True, slots=True)
class WayBack:
    """The settings before the trial, named wherever it does not simply go on."""

    before: SettingsBefore | None
    now_cmh2o: float | None
    circulation: bool
    held: tuple[float, Reading] | None = None  # last PEEP [cmH2O] at which the gravest criterion was not met

    @property
    def already(self) -> bool:
        """Whether PEEP is as it was before the trial, so that going back to it changes nothing."""
        peep = None if self.before is None else self.before.peep
        return peep is not None and self.now_cmh2o is not None and abs(peep.value - self.now_cmh2o) < SAME_PEEP_CMH2O


@dataclass(frozen=True, slots=True)
class Decision:
    """The move after every check, and what is said with it."""

    move: Move  # the move; its reason is that of the way down, which the concerns may have overruled
    looked_at: tuple[Concern, ...] = ()
    measured: tuple[Concern, ...] = ()
    again: tuple[Concern, ...] = ()
    remarks: tuple[tuple[Concern, ...], tuple[Concern, ...]] = ((), ())  # before and after the reason
    way_back: WayBack | None = None


def next_move(
    steps: Sequence[StepSoFar],
    *,
    decrement_cmh2o: float,
    lowest_cmh2o: float,
    stops: StopAnswer | None,
    rule: CallRule = DEFAULT_CALL_RULE,
) -> Move:
    """Say what the way down so far allows.

    A stop criterion that has been met in the last half hour comes before everything else, even where the latest reading
    is back within its limit: whether that was an artefact is for the person at the bedside.

    Args:
        steps: of the way down so far, highest PEEP first; empty before it began.

    Raises:
        ValueError: a decrement not above zero, a probability outside 0 to 1, or steps that do not fall.
    """
    _refuse_nonsense(steps, decrement_cmh2o)
    latest = steps[-1] if steps else None
    below = latest.peep_cmh2o - decrement_cmh2o if latest is not None else None
    another = below is not None and below >= lowest_cmh2o - 1e-9
    action, reason = _decide(steps, another, stops, rule)
    peep = None
    if latest is not None and action in (Action.LOWER, Action.READ_AGAIN):
        peep = below if action is Action.LOWER else latest.peep_cmh2o
    useful = action in (Action.LOWER, Action.NOT_STARTED) or (action is Action.READ_AGAIN and another)
    return Move(action, peep, useful, latest.passed if latest else None, reason, latest, below, stops, rule)


def _decide(
    steps: Sequence[StepSoFar], another: bool, stops: StopAnswer | None, rule: CallRule
) -> tuple[Action, Reason]:
    if stops is not None and stops.pressing:
        return Action.STOP, Reason.STOP_MET
    if not steps:
        return Action.NOT_STARTED, Reason.NO_STEP
    latest = steps[-1]
    if closing_called(steps, rule):
        return Action.CLOSING_PASSED, Reason.CALLED
    enough = len(steps) >= rule.fewest_steps
    doubtful = latest.passed is not None and latest.passed >= rule.doubt_at and enough
    sudden = fell_suddenly(latest)
    if latest.readings < 1:
        return Action.READ_AGAIN, Reason.NOT_READ
    if (doubtful or sudden) and readings_of_the_fall(steps, rule) < rule.fewest_readings:
        return Action.READ_AGAIN, Reason.THIN
    if sudden:
        return Action.LOOK_FIRST, Reason.SUDDEN
    if not another:
        return Action.LOWEST_REACHED, Reason.LOWEST
    if latest.passed is None or not enough:
        return Action.LOWER, Reason.TOO_FEW
    if latest.passed >= rule.call_at:
        return Action.LOWER, Reason.PROBABLE
    return Action.LOWER, Reason.POSSIBLE if doubtful else Reason.OPEN


def decide(move: Move, context: RunningContext) -> Decision:
    """The move, or what comes before it. Source: this project's choice, see `checks`."""
    unlike = concerns_of(context, Consequence.LOOK_UNLIKE_CLOSING)
    looks = [*unlike, *concerns_of(context, Consequence.LOOK)]
    tells = tuple(concerns_of(context, Consequence.TELL)), tuple(concerns_of(context, Consequence.TELL_LAST))
    plateau = (tuple(one for one in tells[0] if one.slug == "plateau-above-limit"), ())
    now_cmh2o, alarms = context.running.now_cmh2o, circulation_alarms(context)
    back = WayBack(_settings_before(context), now_cmh2o, alarms, _held_last(context))
    if move.action is Action.STOP:
        rhythm = [look for look in looks if look.slug.startswith("rhythm-")]
        return Decision(move, (*rhythm, *unlike), way_back=back)
    named_back = back if move.action is Action.LOWEST_REACHED or back.circulation else None
    goes_on = move.action in (Action.LOWER, Action.READ_AGAIN)
    if move.action not in (Action.NOT_STARTED, Action.ENDED) and (unlike or (goes_on and looks)):
        look = replace(_not_on(move, Action.LOOK_FIRST), reason=Reason.LOOK)
        return Decision(look, tuple(looks), way_back=back if back.circulation else None)
    if not goes_on:
        return Decision(move, tuple(looks), remarks=plateau, way_back=named_back)
    missing = tuple(concerns_of(context, Consequence.MEASURE))
    if move.action is Action.READ_AGAIN:
        return Decision(move, measured=missing)
    again = tuple(concerns_of(context, Consequence.READ_AGAIN))
    if missing:
        return Decision(_not_on(move, Action.MEASURE_FIRST), measured=missing, again=again, remarks=plateau)
    if again:
        here = context.running.steps[-1].peep_cmh2o
        return Decision(replace(move, action=Action.READ_AGAIN, next_peep_cmh2o=here), again=again, remarks=plateau)
    return Decision(move, remarks=tells)


def _not_on(move: Move, action: Action) -> Move:
    return replace(move, action=action, next_peep_cmh2o=None, lowering_is_useful=False)


def _held_last(context: RunningContext) -> tuple[float, Reading] | None:
    """The last level of PEEP before the gravest stop criterion was met at which every reading kept its limit."""
    met = next(iter(context.stops.pressing), None)
    if met is None or met.limit is None or met.worst.against is not None:
        return None
    row, limit, quantity = CRITERIA[met.criterion], met.limit.value, met.worst.reading.quantity
    if quantity is not row.quantity:
        return None
    of_it = [
        reading
        for reading in context.readings
        if reading.quantity is quantity and reading.at_s >= context.since_s - _JUST_BEFORE_S
    ]
    for level in reversed(peep_levels_of(context.readings)):
        there = [one for one in of_it if level.start_s <= one.at_s < level.until_s]
        kept = there and all(row.passed_by(one.value, limit) <= 0 for one in there)
        if kept and level.until_s <= met.worst.reading.at_s:
            return level.peep_cmh2o, max(there, key=lambda one: one.at_s)
    return None


def _refuse_nonsense(steps: Sequence[StepSoFar], decrement: float) -> None:
    if not (isfinite(decrement) and decrement > 0.0):
        raise ValueError(f"a decrement must be a finite number above zero, got {decrement}")
    if any(step.passed is not None and not 0.0 <= step.passed <= 1.0 for step in steps):
        raise ValueError("a probability must lie between 0 and 1")
    if any(lower.peep_cmh2o >= higher.peep_cmh2o for higher, lower in pairwise(steps)):
        raise ValueError("PEEP must fall from each step to the next")
