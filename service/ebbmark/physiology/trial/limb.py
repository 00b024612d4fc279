"""When did each stretch of unchanged PEEP begin and end, and in which runs did PEEP fall?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading

__all__ = ["SAME_PEEP_CMH2O", "Plateau", "falling_runs", "peep_plateaus"]

SAME_PEEP_CMH2O = 0.5
"""Set PEEP that differs by less than this is the same step: a setting that is charted in mbar here and in cmH2O there
differs by 2 %, 0.49 cmH2O at 25; the smallest decrement in use is 1 cmH2O. This project's choice."""

SAME_MEASURED_PEEP_CMH2O = 0.9
"""Measured PEEP wanders around its setting; the smallest decrement in use is 1 cmH2O."""


@dataclass(frozen=True, slots=True)
class Plateau:
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


def peep_plateaus(peeps: Sequence[Reading]) -> tuple[Plateau, ...]:
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
        Plateau(
            peep_cmh2o=_middle(group) if measured else group[0].value,
            start_s=start,
            until_s=until,
            readings=tuple(group),
        )
        for group, start, until in zip(groups, starts, [*starts[1:], float("inf")], strict=True)
    )


def falling_runs(
    plateaus: Sequence[Plateau], last_reading_s: Sequence[float], protocol: Protocol
) -> tuple[list[tuple[int, int]], set[int]]:
    """All maximal runs of falling PEEP.

    Args:
        plateaus: stretches of unchanged PEEP in order of time.
        last_reading_s: for each stretch, the time of its last reading of any kind.
        protocol: how large or long a step may be.

    Returns:
        First and last index of each run (inclusive), and the indices that a too large drop led to.
    """
    runs: list[tuple[int, int]] = []
    drops: set[int] = set()
    first = 0
    for index in range(1, len(plateaus) + 1):
        if index < len(plateaus):
            fall = plateaus[index - 1].peep_cmh2o - plateaus[index].peep_cmh2o
            waited_s = plateaus[index].start_s - last_reading_s[index - 1]
            lasted_s = plateaus[index].start_s - plateaus[index - 1].start_s
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
    apart = abs(one.value - other.value)
    return apart <= SAME_MEASURED_PEEP_CMH2O if measured else apart < SAME_PEEP_CMH2O


def _middle(group: Sequence[Reading]) -> float:
    """Middle value of the group, to half a cmH2O."""
    values = sorted(reading.value for reading in group)
    return round(2 * values[len(values) // 2]) / 2
