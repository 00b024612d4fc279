"""Which trials does a record hold, and when was PEEP set after one of them?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrialReason, Trial

__all__ = ["MOST_TRIALS", "set_after", "trials_of_record"]

MOST_TRIALS: Final = 30
"""Trials read from one record, the latest ones; this project's choice."""

TRIES: Final = 2
"""So many times as often is a record read for a further trial, so that none takes long."""

KEPT_S: Final = 900.0
"""A level of PEEP that was kept for so long is a setting, not a step of a manoeuvre. This project's choice."""


def trials_of_record(readings: Sequence[Reading], protocol: Protocol, *, most: int = MOST_TRIALS) -> tuple[Trial, ...]:
    """Every decremental limb with enough steps, oldest first.

    Args:
        readings: of one patient, in any order.
        protocol: what counts as a step, and how many are needed.
        most: trials, the latest ones.

    Source: this project's choice; each limb is read as `read_trial` reads the latest one.
    """
    found: list[Trial] = []
    left = list(readings)
    for _ in range(TRIES * most):
        trial = read_trial(left, protocol)
        if isinstance(trial, Trial):
            if found and len(trial.steps) < protocol.minimum_steps:
                break
            found.append(trial)
            until_s = trial.steps[0].start_s
        elif trial.reason is NoTrialReason.NO_COMPLIANCE:
            # A limb that cannot be read must not hide an earlier one that can.
            until_s = peep_levels_of(left)[-1].start_s
        else:
            break
        if len(found) == most:
            break
        left = [reading for reading in left if reading.start_s < until_s]
    return tuple(reversed(found))


def set_after(readings: Sequence[Reading], trial: Trial) -> float | None:
    """When PEEP was set after the trial [s since 1970-01-01T00:00:00Z]; None where it has not been set since.

    The first level above the lowest step that was kept for a quarter of an hour, or else the latest; where there is
    none, the lowest step itself or a level below it that was kept so long: whoever asks has to hear that PEEP stands
    there.

    Args:
        readings: of one patient, in any order.
        trial: the limb.
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
