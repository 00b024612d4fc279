"""Which trials does a record hold, and when was PEEP set after one of them?"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Final, NamedTuple

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrialReason, Trial

MOST_TRIALS: Final = 30
"""Trials read from one record, the latest ones; this project's choice."""

WINDOW: Final = 300
"""Stretches of PEEP that are looked at together: no way down has half as many. This project's choice."""

BESIDE: Final = 30
"""Stretches that are looked at after a way down, for what they say of it. This project's choice."""

LOOKS: Final = (50_000, 4)
"""Readings looked at in all windows together: so many, or so many times those of the record. This project's choice."""

HOLD: Final = (Quantity.TIDAL_VOLUME_SET, Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.RESPIRATORY_RATE_SET)
"""Settings that hold until they are changed, however long ago they were made."""

KEPT_S: Final = 900.0
"""A level of PEEP that was kept for so long is a setting, not a step of a manoeuvre. This project's choice."""


class TrialsOfRecord(NamedTuple):
    """The trials of a record.

    Attributes:
        trials: oldest first.
        unread_before_s: readings before this moment were not looked at [s since 1970-01-01T00:00:00Z]; None where all
            were.
    """

    trials: tuple[Trial, ...]
    unread_before_s: float | None


def trials_of_record(readings: Sequence[Reading], protocol: Protocol, *, most: int = MOST_TRIALS) -> TrialsOfRecord:
    """Every decremental limb with enough steps, from the latest back.

    The latest is read among all readings; each earlier one in a window of those before it, so that the work grows with
    the readings and not with their square.

    Args:
        readings: of one patient, in any order.
        protocol: what counts as a step, and how many are needed.

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
        self.times = [one.start_s for one in readings]
        self.holding = [[one for one in readings if one.quantity is quantity] for quantity in HOLD]
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

    Args:
        readings: of one patient, in any order.
    """
    lowest = trial.steps[-1]
    levels = peep_levels_of(readings)
    since = [one for one in levels if one.start_s > lowest.start_s]
    # The last level has no end yet: it was kept for as long as something was read.
    latest_s = max(one.end_s for one in readings)
    kept = [one for one in levels if min(one.until_s, latest_s) - one.start_s >= KEPT_S and one.until_s > lowest.end_s]
    above = [one for one in since if one.peep_cmh2o > lowest.peep_cmh2o]
    if not above:
        return next((one.start_s for one in kept if one.start_s >= trial.steps[-2].end_s), None)
    return next((one.start_s for one in kept if one in above), above[-1].start_s)
