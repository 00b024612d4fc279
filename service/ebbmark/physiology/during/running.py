"""Reading of a trial in progress: since when it runs, its steps so far, and what its curve shows.

A trial is running downwards while the latest change of PEEP was a step down. The newest level may have no reading yet;
it then stands there as a step without one, so that nobody is told to go where PEEP already is.

Two trials, devices or patients may be charted into one another, so that none can be followed. Three signs, all this
project's choice: PEEP goes up and down in turns by whole steps; PEEP comes back three times within minutes to the level
that it had just left, as where the rows of two staircases alternate; compliance jumps to and fro from reading to
reading, or lies far apart within each of the latest steps, as where two lungs take turns under one falling PEEP. A
rescue (PEEP raised, then lowered again) comes back once or twice and is none of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median
from typing import Final

from ebbmark.physiology.closing.estimator import closing_of, curve_of, passed_along
from ebbmark.physiology.closing.result import CurveStep, Verdict
from ebbmark.physiology.during.context import DEFAULT_CALL_RULE, CallRule, RunningTrial, StepSoFar, closing_called
from ebbmark.physiology.findings import Finding, Message, message
from ebbmark.physiology.patient.context import PatientContext
from ebbmark.physiology.patient.titration import CURVE_CHECKS
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import PeepLevel, began_at, peep_levels_of, same_setting
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial


def steps_so_far(curve: Sequence[CurveStep], passed: Sequence[float | None]) -> tuple[StepSoFar, ...]:
    """Join what is known of each step, highest PEEP first: readings, fall, and whether closing has been passed."""
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


_FEWEST_TO_FOLLOW: Final = 2  # a trial that is still running is read from its second step on


MOVED_CMH2O: Final = 1.5  # a change of measured PEEP that is more than wandering; this project's choice

LONGEST_TRIAL_S: Final = 4 * 3600.0  # no trial is followed further back than this [s]; this project's choice


_IN_FORCE: Final = frozenset(
    {Quantity.TIDAL_VOLUME_SET, Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.RESPIRATORY_RATE_SET}
)
"""Settings that hold until they are changed, so that an earlier one still counts."""


def running_trial(
    readings: Sequence[Reading],
    protocol: Protocol,
    *,
    at_s: float = float("-inf"),
    rule: CallRule = DEFAULT_CALL_RULE,
) -> RunningTrial:
    """Read a trial that may have only begun.

    A level that has been kept for longer than the longest step is a setting, whatever led to it. The rule says whether
    closing had been called before the newest level, which has no reading yet.
    """
    levels = peep_levels_of(readings)
    if not levels:
        nothing = float("-inf")
        return RunningTrial((), None, nothing, nothing, nothing, None, False)
    now, now_since_s = levels[-1].peep_cmh2o, levels[-1].start_s
    first = _first_of_fall(levels, protocol)
    began_s = began_at(levels, first, protocol)
    moved_s = min(began_s, _first_moved(levels, protocol))
    if first == len(levels) - 1 or at_s - now_since_s > protocol.longest_step_s:
        return RunningTrial((), None, began_s, moved_s, now_since_s, now, False)
    found = _limb_since(levels[first].start_s, readings, replace(protocol, minimum_steps=_FEWEST_TO_FOLLOW))
    if found is None:
        return RunningTrial((StepSoFar(now, 0, None),), None, began_s, moved_s, now_since_s, now, True)
    steps = steps_so_far(curve_of(found), passed_along(found, protocol))
    if now < steps[-1].peep_cmh2o - 0.1 and not closing_called(steps, rule):
        steps = (*steps, StepSoFar(now, 0, steps[-1].passed))
    return RunningTrial(steps, found, began_s, moved_s, now_since_s, now, True)


def _limb_since(from_s: float, readings: Sequence[Reading], protocol: Protocol) -> Trial | None:
    """The way down that began then; an earlier one with more steps, as before a rescue, must not stand for it."""
    found = read_trial(readings, protocol)
    if not isinstance(found, Trial) or found.steps[0].start_s < from_s:
        found = read_trial(
            [reading for reading in readings if reading.at_s >= from_s or reading.quantity in _IN_FORCE], protocol
        )
    return found if isinstance(found, Trial) and found.steps[0].start_s >= from_s else None


def closed_before(
    readings: Sequence[Reading],
    running: RunningTrial,
    protocol: Protocol,
    *,
    since_s: float,
    rule: CallRule = DEFAULT_CALL_RULE,
) -> StepSoFar | None:
    """The step at which closing had been called on a way down of the same trial, before PEEP was raised again.

    What is set after such a trial is a setting and no step of it, so that nobody may be sent further down from there.

    Source: this project's choice.
    """
    before = [reading for reading in readings if reading.at_s < running.began_s]
    found = read_trial(before, replace(protocol, minimum_steps=_FEWEST_TO_FOLLOW))
    if not isinstance(found, Trial) or found.steps[-1].start_s < max(since_s, running.first_moved_s):
        return None
    steps = steps_so_far(curve_of(found), passed_along(found, protocol))
    return next((steps[count - 1] for count in range(1, len(steps) + 1) if closing_called(steps[:count], rule)), None)


def _first_moved(levels: Sequence[PeepLevel], protocol: Protocol) -> float:
    """When PEEP was first moved for the earliest way down of this trial.

    A rescue and the way down before it belong to the same trial, as long as PEEP was moved again within the longest
    step. Where only measured PEEP is known, what it wanders by itself is no move.
    """
    moves = [
        (number, after.start_s, after.peep_cmh2o < before.peep_cmh2o)
        for number, (before, after) in enumerate(pairwise(levels))
        if after.readings[0].quantity is Quantity.PEEP_SET or abs(after.peep_cmh2o - before.peep_cmh2o) >= MOVED_CMH2O
    ]
    first = last_s = None
    for number, at_s, falling in reversed(moves):
        if last_s is not None and (last_s - at_s > protocol.longest_step_s or moves[-1][1] - at_s > LONGEST_TRIAL_S):
            break
        last_s = at_s
        first = number if falling else first
    return float("inf") if first is None else began_at(levels, first, protocol)


def _first_of_fall(levels: Sequence[PeepLevel], protocol: Protocol) -> int:
    """Index of the highest step of the fall that ends at the latest stretch; the latest itself where there is none."""
    first = len(levels) - 1
    while (
        first > 0
        and 0 < levels[first - 1].peep_cmh2o - levels[first].peep_cmh2o <= protocol.largest_decrement_cmh2o
        and (first == len(levels) - 1 or levels[first + 1].start_s - levels[first].start_s <= protocol.longest_step_s)
    ):
        first -= 1
    return first


_LOOKED_AT: Final = 10
"""Stretches of PEEP, the latest ones; an older muddle does not keep the present trial from being read."""

_RETURNS: Final = 3
_QUICK_S: Final = 600.0

_SWINGS: Final = 5
_SWING: Final = 0.12  # relative difference between one reading and the next that is far beyond what readings wander

_SPLIT_STEPS: Final = 3
_SPLIT: Final = 0.15  # relative difference within a step, the same as a sudden fall between two


def interleaved(levels: Sequence[PeepLevel], steps: Sequence[Sequence[float]], protocol: Protocol) -> Message | None:
    """By which sign two records lie in one another, as a clause; None where nothing shows it.

    The steps are those of the way down, each with its compliances in order of time [mL/cmH2O].
    """
    latest = levels[-_LOOKED_AT:]
    changes = [after.peep_cmh2o - before.peep_cmh2o for before, after in pairwise(latest[-5:])]
    leaps = [change for change in changes if abs(change) >= protocol.largest_decrement_cmh2o]
    if _alternate(changes, 4) or _alternate(leaps, 3):
        return message("mixed-records.turns")
    returns = sum(_comes_back(first, third) for first, third in zip(latest, latest[2:], strict=False))
    if returns >= _RETURNS:
        return message("mixed-records.returns", count=returns)
    compliances = [one for step in steps for one in step]
    swings = [(after - before) / max(after, before) for before, after in pairwise(compliances)]
    tail = swings[-_SWINGS:]
    if _alternate(tail, _SWINGS) and min(map(abs, tail)) >= _SWING:
        return message("mixed-records.swings", percent=round(100 * min(map(abs, tail))))
    split = [step for step in steps[-_SPLIT_STEPS:] if len(step) > 1 and min(step) <= (1.0 - _SPLIT) * max(step)]
    if len(split) == _SPLIT_STEPS:
        return message("mixed-records.split", percent=round(100 * _SPLIT), count=_SPLIT_STEPS)
    return None


def _comes_back(first: PeepLevel, third: PeepLevel) -> bool:
    return same_setting(first.peep_cmh2o, third.peep_cmh2o) and third.start_s - first.start_s <= _QUICK_S


def _alternate(changes: Sequence[float], fewest: int) -> bool:
    return len(changes) >= fewest and all(before * after < 0 for before, after in pairwise(changes))


def findings_along(
    running: RunningTrial, readings: Sequence[Reading], protocol: Protocol, patient: PatientContext
) -> tuple[Finding, ...]:
    """What the checks of a titration find along the way down so far; nothing where PEEP does not fall.

    Source: see `patient.checks`.
    """
    trial = running.trial
    if trial is None or not running.falling:
        return ()
    # Without a closing pressure a fall at the last step is looked at like any other.
    nothing_read = replace(closing_of(trial, protocol), verdict=Verdict.NOT_REACHED, peep_cmh2o=None)
    of_trial = patient.of_trial(trial, nothing_read, readings, protocol)
    return tuple(found for check in CURVE_CHECKS for found in check(of_trial))
