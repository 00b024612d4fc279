"""Which run of set PEEP is the decremental limb, and when did each of its steps begin and end?"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.steps import NoTrial, NoTrialReason, Observed
from ebbmark.physiology.wording import level

__all__ = ["Plateau", "find_limb", "peep_plateaus"]

SAME_PEEP_CMH2O = 0.25
"""Set PEEP that differs by no more than this is the same step: a conversion from mbar moves it by 0.2 at most."""

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
    tolerance = SAME_MEASURED_PEEP_CMH2O if measured else SAME_PEEP_CMH2O
    groups: list[list[Reading]] = []
    for reading in peeps:
        if groups and abs(reading.value - groups[-1][0].value) <= tolerance:
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


def find_limb(
    plateaus: Sequence[Plateau], last_reading_s: Sequence[float], protocol: Protocol
) -> tuple[tuple[int, int], tuple[Observed, ...]] | NoTrial:
    """Pick the latest run of falling PEEP that has enough steps.

    Args:
        plateaus: stretches of unchanged PEEP in order of time.
        last_reading_s: for each stretch, the time of its last reading of any kind.
        protocol: how many steps are needed, and how large or long a step may be.

    Returns:
        First and last index of the run (inclusive) and what was seen; or why there is none.
    """
    if not plateaus:
        return NoTrial(NoTrialReason.NO_PEEP, "no PEEP reading", "a PEEP setting for each step")
    if len(plateaus) == 1:
        return NoTrial(
            NoTrialReason.ALL_PEEP_EQUAL,
            f"every PEEP reading is {level(plateaus[0].peep_cmh2o)} cmH2O",
            f"PEEP lowered over at least {protocol.minimum_steps} steps",
        )
    runs, drops = _falling_runs(plateaus, last_reading_s, protocol)
    long_enough = [run for run in runs if run[1] - run[0] + 1 >= protocol.minimum_steps]
    if not long_enough:
        return _no_limb(plateaus, runs, protocol)
    first, last = long_enough[-1]
    seen = [
        Observed(
            "earlier-limb",
            f"An earlier run of falling PEEP ({level(plateaus[a].peep_cmh2o)} to {level(plateaus[b].peep_cmh2o)} "
            f"cmH2O, {b - a + 1} steps) was seen; the latest run is the one read here.",
            plateaus[a].start_s,
            plateaus[a].peep_cmh2o,
        )
        for a, b in long_enough[:-1]
    ]
    if last + 1 in drops:
        seen.append(
            Observed(
                "large-drop",
                f"After the step at {level(plateaus[last].peep_cmh2o)} cmH2O the PEEP fell to "
                f"{level(plateaus[last + 1].peep_cmh2o)} cmH2O at once; that is not a step of a trial, so the limb "
                "ends there.",
                plateaus[last + 1].start_s,
                plateaus[last + 1].peep_cmh2o,
            )
        )
    return (first, last), tuple(seen)


def _falling_runs(
    plateaus: Sequence[Plateau], last_reading_s: Sequence[float], protocol: Protocol
) -> tuple[list[tuple[int, int]], set[int]]:
    """All maximal runs of falling PEEP, and the indices that a too large drop led to."""
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


def _no_limb(plateaus: Sequence[Plateau], runs: Sequence[tuple[int, int]], protocol: Protocol) -> NoTrial:
    """Say why no run of falling PEEP was long enough."""
    wanted = (
        f"at least {protocol.minimum_steps} steps of falling PEEP, each lower by at most "
        f"{protocol.largest_decrement_cmh2o:g} cmH2O and within {protocol.longest_step_s / 60:g} minutes of the last"
    )
    levels = ", ".join(f"{level(plateau.peep_cmh2o)}" for plateau in plateaus[:12])
    if all(b.peep_cmh2o > a.peep_cmh2o for a, b in itertools.pairwise(plateaus)):
        return NoTrial(NoTrialReason.PEEP_ONLY_RISING, f"PEEP only rises ({levels} cmH2O)", wanted)
    longest = max((last - first + 1 for first, last in runs), default=1)
    return NoTrial(
        NoTrialReason.TOO_FEW_STEPS,
        f"the longest run of falling PEEP has {longest} step{'s' if longest > 1 else ''} "
        f"(PEEP in order of time: {levels} cmH2O)",
        wanted,
    )


def _middle(group: Sequence[Reading]) -> float:
    """Middle value of the group, to half a cmH2O."""
    values = sorted(reading.value for reading in group)
    return round(2 * values[len(values) // 2]) / 2
