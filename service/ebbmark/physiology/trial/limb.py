"""When did each stretch of unchanged PEEP begin and end, and in which runs did PEEP fall?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Trial

__all__ = [
    "SAME_PEEP_CMH2O",
    "PeepLevel",
    "began_at",
    "contradicted_settings",
    "falling_runs",
    "peep_levels",
    "peep_levels_of",
    "same_setting",
]

SAME_PEEP_CMH2O = 0.5
"""Set PEEP that differs by less than this is the same step, where the numbers that were charted do not tell; the
smallest decrement in use is 1 cmH2O. This project's choice."""

_MBAR_PER_CMH2O = 0.980665
"""By the definitions of both units (BIPM, SI brochure: standard gravity 9.80665 m/s2)."""

_WHOLE = 0.006
"""So near to a whole number a setting was charted as one: a converted value may have been rounded to 0.01 cmH2O, and
half a cmH2O is never taken for a whole mbar below 50 cmH2O. This project's choice."""

NEAR_SETTING_CMH2O = 1.5
"""Measured PEEP this near to a setting bears it out; further away it speaks against it. This project's choice."""

SAME_MEASURED_PEEP_CMH2O = 0.9
"""Measured PEEP wanders around its setting; the smallest decrement in use is 1 cmH2O."""


@dataclass(frozen=True, slots=True)
class PeepLevel:
    """A stretch of unchanged PEEP.

    Attributes:
        peep_cmh2o: set PEEP, or the middle of the measured values.
        start_s: first PEEP reading of the stretch [s since 1970-01-01T00:00:00Z].
        until_s: first PEEP reading of the next stretch; infinite for the last.
        readings: the PEEP readings, in order of time.
    """

    peep_cmh2o: float
    start_s: float
    until_s: float
    readings: tuple[Reading, ...]


def peep_levels(peeps: Sequence[Reading]) -> tuple[PeepLevel, ...]:
    """Group PEEP readings, sorted by time and all of one quantity, into stretches of unchanged PEEP.

    Measured PEEP is rounded to half a cmH2O after taking the middle value, since it wanders within a step.
    """
    if not peeps:
        return ()
    measured = peeps[0].quantity is not Quantity.PEEP_SET
    groups: list[list[Reading]] = []
    for reading in peeps:
        if groups and _same(reading, groups[-1][0], measured=measured):
            groups[-1].append(reading)
        else:
            groups.append([reading])
    starts = [group[0].start_s for group in groups]
    return tuple(
        PeepLevel(
            peep_cmh2o=_middle(group) if measured else group[0].value,
            start_s=start,
            until_s=until,
            readings=tuple(group),
        )
        for group, start, until in zip(groups, starts, [*starts[1:], float("inf")], strict=True)
    )


def contradicted_settings(peeps: Sequence[Reading], measured: Sequence[Reading]) -> tuple[Reading, ...]:
    """Single settings that the rows before and after, and the measured PEEP of their own row, speak against.

    Args:
        peeps: set PEEP, sorted by time.
        measured: measured PEEP.

    Source: this project's choice.
    """
    seen = {one.source: one.value for one in measured}
    return tuple(
        odd
        for before, odd, after in zip(peeps, peeps[1:], peeps[2:], strict=False)
        if same_setting(before.value, after.value)
        and not same_setting(before.value, odd.value)
        and odd.source in seen
        and abs(seen[odd.source] - before.value) <= NEAR_SETTING_CMH2O < abs(seen[odd.source] - odd.value)
    )


def same_setting(one_cmh2o: float, other_cmh2o: float) -> bool:
    """Whether two set PEEP values are one setting.

    A setting is a whole number on the ventilator, which one device or row charts as mbar and another as cmH2O. The
    same number in both units lies 2 % apart, which is 0.5 cmH2O from 25 on, as near as the next step of 1 cmH2O in the
    other unit. So the numbers are compared, not their distance: 26 mbar and 26 cmH2O are one setting, 25 mbar and
    26 cmH2O are two. Where a value is a whole number in neither unit, the distance decides. A number that was converted
    and then rounded to a whole one can be taken for its neighbour, and nothing in it could tell.

    Args:
        one_cmh2o: after conversion [cmH2O].
        other_cmh2o: after conversion [cmH2O].

    Source: this project's choice.
    """
    if one_cmh2o == other_cmh2o:
        return True
    one, other = _charted_as(one_cmh2o), _charted_as(other_cmh2o)
    return bool(one & other) if one and other else abs(one_cmh2o - other_cmh2o) < SAME_PEEP_CMH2O


def peep_levels_of(readings: Sequence[Reading]) -> tuple[PeepLevel, ...]:
    """Stretches of unchanged PEEP: of the settings where there are any, else of the measured values.

    Args:
        readings: of one patient, in any order.
    """
    settings = [reading for reading in readings if reading.quantity is Quantity.PEEP_SET]
    peeps = settings or [reading for reading in readings if reading.quantity is Quantity.PEEP_MEASURED]
    return peep_levels(sorted(peeps, key=itemgetter(2, 1)))


def began_at(levels: Sequence[PeepLevel], first: int, protocol: Protocol) -> float:
    """When PEEP was first moved for the trial whose way down begins at this stretch [s since 1970-01-01T00:00:00Z].

    Where PEEP was raised before, that is the first raised level; else the first lowered one.

    Args:
        levels: stretches of unchanged PEEP, in order of time.
        first: index of the highest step of the way down.
        protocol: how far apart steps of one trial may be.
    """
    raised = first
    while (
        raised > 0
        and levels[raised - 1].peep_cmh2o < levels[raised].peep_cmh2o
        and (raised == first or levels[raised + 1].start_s - levels[raised].start_s <= protocol.longest_step_s)
    ):
        raised -= 1
    return levels[min(raised + 1, len(levels) - 1)].start_s


def began_of(readings: Sequence[Reading], trial: Trial, protocol: Protocol) -> float:
    """When PEEP was first moved for this trial [s since 1970-01-01T00:00:00Z].

    Args:
        readings: of one patient, in any order.
        trial: the limb.
        protocol: how far apart steps of one trial may be.
    """
    levels = peep_levels_of(readings)
    top_s = trial.steps[0].samples[0].at_s
    first = max((index for index, one in enumerate(levels) if one.start_s <= top_s), default=0)
    return began_at(levels, first, protocol)


def falling_runs(
    levels: Sequence[PeepLevel], last_reading_s: Sequence[float], protocol: Protocol
) -> tuple[list[tuple[int, int]], set[int]]:
    """All maximal runs of falling PEEP.

    Args:
        levels: stretches of unchanged PEEP in order of time.
        last_reading_s: for each stretch, the time of its last reading of any kind.
        protocol: how large or long a step may be.

    Returns:
        First and last index of each run (inclusive), and the indices that a too large drop led to.
    """
    runs: list[tuple[int, int]] = []
    drops: set[int] = set()
    first = 0
    for index in range(1, len(levels) + 1):
        if index < len(levels):
            fall = levels[index - 1].peep_cmh2o - levels[index].peep_cmh2o
            waited_s = levels[index].start_s - last_reading_s[index - 1]
            lasted_s = levels[index].start_s - levels[index - 1].start_s
            if fall > protocol.largest_decrement_cmh2o:
                drops.add(index)
            # The first step may be the level that the patient had been on for long: only the wait counts there.
            on_time = waited_s <= protocol.longest_step_s and (
                index - 1 == first or lasted_s <= protocol.longest_step_s
            )
            if 0 < fall <= protocol.largest_decrement_cmh2o and on_time:
                continue
        if index - 1 > first:
            runs.append((first, index - 1))
        first = index
    return runs, drops


def _same(one: Reading, other: Reading, *, measured: bool) -> bool:
    if measured:
        return abs(one.value - other.value) <= SAME_MEASURED_PEEP_CMH2O
    return same_setting(one.value, other.value)


@lru_cache(maxsize=512)  # a record holds few distinct settings, each compared many times
def _charted_as(value_cmh2o: float) -> frozenset[int]:
    """The whole numbers, of cmH2O or of mbar, that this value may have been charted as."""
    numbers = (value_cmh2o, value_cmh2o * _MBAR_PER_CMH2O)
    return frozenset(round(number) for number in numbers if abs(number - round(number)) <= _WHOLE)


def _middle(group: Sequence[Reading]) -> float:
    """Middle value of the group, to half a cmH2O."""
    values = sorted(reading.value for reading in group)
    return round(2 * values[len(values) // 2]) / 2
