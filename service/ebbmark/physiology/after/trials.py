"""The trials of one record, when PEEP was set after each, and what changed between them by more than noise.

Two trials are compared through their whole estimates, not their best guesses: the probability that the later closing
pressure lies above, at or below the earlier one. Trials whose compliances are of different kinds (static, dynamic) are
not compared in compliance.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import sqrt
from typing import Final, NamedTuple

from ebbmark.physiology.after.comparison import ASSUMED_NOISE, TWO_SIDED_95, Measure, Noise
from ebbmark.physiology.closing.result import Closing, StepEstimate, Verdict
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import peep_levels_of, same_setting
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import ComplianceKind, NoTrialReason, Trial

MOST_TRIALS: Final = 30  # trials read from one record, the latest ones; this project's choice

WINDOW: Final = 300
"""Stretches of PEEP that are looked at together: no way down has half as many. This project's choice."""

BESIDE: Final = 30  # stretches that are looked at after a way down, for what they say of it; this project's choice

LOOKS: Final = (50_000, 4)
"""Readings looked at in all windows together: so many, or so many times those of the record. This project's choice."""

HOLD: Final = (Quantity.TIDAL_VOLUME_SET, Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.RESPIRATORY_RATE_SET)
"""Settings that hold until they are changed, however long ago they were made."""

KEPT_S: Final = 900.0
"""A level of PEEP that was kept for so long is a setting, not a step of a manoeuvre. This project's choice."""


class TrialsOfRecord(NamedTuple):
    """The trials of a record."""

    trials: tuple[Trial, ...]  # oldest first
    unread_before_s: float | None  # readings before this were not looked at [s since 1970]; None where all were


def trials_of_record(readings: Sequence[Reading], protocol: Protocol, *, most: int = MOST_TRIALS) -> TrialsOfRecord:
    """Every decremental limb with enough steps, from the latest back.

    The latest is read among all readings; each earlier one in a window of those before it, so that the work grows with
    the readings and not with their square.

    Source: this project's choice; each limb is read as `read_trial` reads the latest one.
    """
    latest = read_trial(readings, protocol)
    if not isinstance(latest, Trial) and latest.reason is not NoTrialReason.NO_COMPLIANCE:
        return TrialsOfRecord((), None)
    record = _Record(sorted(readings, key=_start))
    looks = max(LOOKS[0], LOOKS[1] * len(readings)) - len(readings)
    found: list[Trial] = []
    short: Trial | None = None
    if isinstance(latest, Trial):
        found.append(latest)
        until_s = latest.steps[0].start_s
    else:
        # A limb that cannot be read must not hide an earlier one that can.
        until_s = record.starts[-1]
    while levels := record.levels_before(until_s):
        if len(found) == most or looks <= 0:
            break
        first = max(0, levels - WINDOW)
        window = record.between(first, until_s)
        looks -= len(window)
        trial = read_trial(window, protocol)
        if isinstance(trial, Trial):
            top, lowest = (record.level_at(step.samples[0].at_s) for step in (trial.steps[0], trial.steps[-1]))
            if first and top - first < WINDOW // 2 and lowest + BESIDE < levels:
                # It may have begun before this window: it is read in one that ends with it.
                until_s = record.starts[lowest + BESIDE]
                continue
            # Where a record holds none that is whole, its latest short one counts.
            if len(trial.steps) >= protocol.minimum_steps or not (found or _is_short(trial)):
                found.append(trial)
            else:
                short = short or trial
            until_s = trial.steps[0].start_s
        elif trial.reason is NoTrialReason.NO_COMPLIANCE:
            until_s = record.starts[levels - 1]
        elif first:
            until_s = record.starts[first + WINDOW // 2]
        else:
            until_s = record.starts[0]
    if not found and short is not None:
        found.append(short)
    return TrialsOfRecord(tuple(reversed(found)), until_s if levels else None)


class _Record:
    """The readings in order of time, with the stretches of PEEP among them."""

    def __init__(self, readings: Sequence[Reading]) -> None:
        self.readings = readings
        self.times = [reading.start_s for reading in readings]
        self.holding = [[reading for reading in readings if reading.quantity is quantity] for quantity in HOLD]
        self._look(len(readings))

    def _look(self, count: int) -> None:
        self.starts = [level.start_s for level in peep_levels_of(self.readings[:count])]

    def levels_before(self, until_s: float) -> int:
        """How many stretches begin before; where no setting does, the measured ones count from there on."""
        if not bisect_left(self.starts, until_s):
            self._look(bisect_left(self.times, until_s))
        return bisect_left(self.starts, until_s)

    def level_at(self, at_s: float) -> int:
        return max(0, bisect_right(self.starts, at_s) - 1)

    def between(self, first: int, until_s: float) -> list[Reading]:
        """Readings from a stretch on, after the settings that held when it began."""
        from_s = self.starts[first] if first else float("-inf")
        held = [group[place - 1] for group in self.holding if (place := bisect_left(group, from_s, key=_start))]
        return [*held, *self.readings[bisect_left(self.times, from_s) : bisect_left(self.times, until_s)]]


def _is_short(trial: Trial) -> bool:
    return any(one.slug == "short-trial" for one in trial.observed)


def _start(reading: Reading) -> float:
    return reading.start_s


def set_after(readings: Sequence[Reading], trial: Trial) -> float | None:
    """When PEEP was set after the trial [s since 1970-01-01T00:00:00Z]; None where it has not been set since.

    The first level above the lowest step that was kept for a quarter of an hour, or else the latest; where there is
    none, the lowest step itself or a level below it that was kept so long: whoever asks has to hear that PEEP stands
    there.
    """
    lowest = trial.steps[-1]
    levels = peep_levels_of(readings)
    since = [level for level in levels if level.start_s > lowest.start_s]
    # The last level has no end yet: it was kept for as long as something was read.
    latest_s = max(reading.end_s for reading in readings)
    kept = [
        level
        for level in levels
        if min(level.until_s, latest_s) - level.start_s >= KEPT_S and level.until_s > lowest.end_s
    ]
    above = [one for one in since if one.peep_cmh2o > lowest.peep_cmh2o]
    if not above:
        return next((one.start_s for one in kept if one.start_s >= trial.steps[-2].end_s), None)
    return next((one.start_s for one in kept if one in above), above[-1].start_s)


@dataclass(frozen=True, slots=True)
class PastTrial:
    """One trial as it was estimated."""

    at_s: float
    closing: Closing
    kind: ComplianceKind
    suggested_peep_cmh2o: float | None

    @property
    def at_suggestion(self) -> StepEstimate | None:
        """The tested step at the suggested PEEP; None where that lies between steps or was not given."""
        peep = self.suggested_peep_cmh2o
        steps = () if peep is None else self.closing.steps
        return next((step for step in steps if peep is not None and abs(step.peep_cmh2o - peep) < 0.25), None)


SURE_ENOUGH: Final = 0.9  # probability at or above which a shift of closing is stated; this project's choice

_TWO_SIDED_90: Final = 1.6448536269514722


class Shift(Enum):
    """What may be said of the later trial against the earlier."""

    HIGHER = "higher"
    LOWER = "lower"
    WITHIN_NOISE = "within-noise"
    NOT_COMPARABLE = "not-comparable"


@dataclass(frozen=True, slots=True)
class TrialChange:
    """One trial against the one before it.

    The later closing pressure lies above, at or below the earlier with these probabilities [1]; they sum to one, or are
    all zero where the two cannot be compared.
    """

    from_s: float
    to_s: float
    closing: Shift
    higher: float
    same: float
    lower: float
    compliance: Shift


@dataclass(frozen=True, slots=True)
class TrialsOverTime:
    """All trials of one patient, oldest first."""

    trials: tuple[PastTrial, ...]
    changes: tuple[TrialChange, ...]


def follow_trials(trials: Sequence[PastTrial], *, noise: Noise = ASSUMED_NOISE[Measure.COMPLIANCE]) -> TrialsOverTime:
    """Lay several trials of one patient side by side; the noise is that of one compliance between two days.

    Source: this project's choice.
    """
    ordered = sorted(trials, key=lambda trial: trial.at_s)
    changes = [_change(first, second, noise) for first, second in pairwise(ordered)]
    return TrialsOverTime(tuple(ordered), tuple(changes))


def _change(first: PastTrial, second: PastTrial, noise: Noise) -> TrialChange:
    shifts, compliance = _shifts(first.closing, second.closing), _compliance_shift(first, second, noise)
    return TrialChange(first.at_s, second.at_s, _closing_shift(*shifts), *shifts, compliance)


def _shifts(first: Closing, second: Closing) -> tuple[float, float, float]:
    """Probabilities of a higher, equal and lower closing pressure, given that both trials found one."""
    if first.verdict is not Verdict.FOUND or second.verdict is not Verdict.FOUND:
        return 0.0, 0.0, 0.0
    higher = same = lower = 0.0
    for early in first.steps:
        for late in second.steps:
            weight = early.probability * late.probability
            if same_setting(late.peep_cmh2o, early.peep_cmh2o):
                same += weight
            elif late.peep_cmh2o > early.peep_cmh2o:
                higher += weight
            else:
                lower += weight
    total = higher + same + lower
    return (higher / total, same / total, lower / total) if total > 0 else (0.0, 0.0, 0.0)


def _closing_shift(higher: float, same: float, lower: float) -> Shift:
    if higher + same + lower == 0.0:
        return Shift.NOT_COMPARABLE
    if higher >= SURE_ENOUGH:
        return Shift.HIGHER
    return Shift.LOWER if lower >= SURE_ENOUGH else Shift.WITHIN_NOISE


def _compliance_shift(first: PastTrial, second: PastTrial, noise: Noise) -> Shift:
    """Both estimates' own bands, and the noise of one reading for what differs between two days at one bedside."""
    one, two = first.at_suggestion, second.at_suggestion
    if one is None or two is None or first.kind.static != second.kind.static:
        return Shift.NOT_COMPARABLE
    bands = ((at.fitted_low_ml_per_cmh2o, at.fitted_high_ml_per_cmh2o) for at in (one, two))
    variances = [((high - low) / (2 * _TWO_SIDED_90)) ** 2 for low, high in bands]
    before, after = one.fitted_ml_per_cmh2o, two.fitted_ml_per_cmh2o
    level = 0.5 * (before + after)
    between_days = 2 * ((noise.relative * level) ** 2 + noise.absolute**2)
    band = TWO_SIDED_95 * sqrt(sum(variances) + between_days)
    if abs(after - before) <= band:
        return Shift.WITHIN_NOISE
    return Shift.HIGHER if after > before else Shift.LOWER
