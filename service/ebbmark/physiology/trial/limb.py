"""The decremental limb: stretches of unchanged PEEP, runs of falling PEEP, and which run is that of the trial."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from itertools import pairwise
from math import inf
from operator import itemgetter
from statistics import median

from ebbmark.physiology.findings import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import NoTrial, NoTrialReason, Observed, Trial, observed

_MBAR_PER_CMH2O = 0.980665  # by the definitions of both units (BIPM, SI brochure: standard gravity 9.80665 m/s2)

# Which PEEP is the same; each is this project's choice.
SAME_PEEP_CMH2O = 0.5  # below the smallest decrement in use (1 cmH2O); where the numbers that were charted do not tell
SAME_MEASURED_PEEP_CMH2O = 0.9  # measured PEEP wanders around its setting
NEAR_SETTING_CMH2O = 1.5  # measured PEEP this near to a setting bears it out; further away it speaks against it
OPEN_CIRCUIT_PEEP_CMH2O = 2.0  # PEEP at or below this between higher levels: the circuit was open
# So near to a whole number a setting was charted as one: a converted value may have been rounded to 0.01 cmH2O, and
# half a cmH2O is never taken for a whole mbar below 50 cmH2O.
_WHOLE = 0.006

# Which run of falling PEEP is the trial; each is this project's choice.
FEWEST_STEPS = 3  # no run is read with fewer: a maximum, a fall, and that it lasts
SAME_SITTING = 2.0  # runs that follow one another within this many longest steps belong to one sitting
# A later run is a trial of its own where it goes from the top, in narrow steps (a descent to a setting takes wide
# ones), as deep as the one before:
SAME_TOP_CMH2O = 2.0  # it starts this near to the top of the one before, or above it,
FINE = 1.5  # its steps are at most this many times as wide,
DEEP = 2.5  # and it goes down to within this many of those steps of the lowest one before

Run = tuple[int, int]
"""First and last index of a run, inclusive."""


@dataclass(frozen=True, slots=True)
class PeepLevel:
    """A stretch of unchanged PEEP.

    Attributes:
        peep_cmh2o: set PEEP, or the middle of the measured values.
        start_s: first PEEP reading of the stretch.
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
    same = _same_measured if measured else same_setting
    groups: list[list[Reading]] = []
    for reading in peeps:
        if groups and same(reading.value, groups[-1][0].value):
            groups[-1].append(reading)
        else:
            groups.append([reading])
    starts = [group[0].start_s for group in groups]
    return tuple(
        PeepLevel(_middle(group) if measured else group[0].value, start, until, tuple(group))
        for group, start, until in zip(groups, starts, [*starts[1:], inf], strict=True)
    )


def contradicted_settings(peeps: Sequence[Reading], measured: Sequence[Reading]) -> tuple[Reading, ...]:
    """Single settings that the rows before and after, and the measured PEEP of their own row, speak against.

    Args:
        peeps: set PEEP, sorted by time.

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

    Source: this project's choice.
    """
    if one_cmh2o == other_cmh2o:
        return True
    one, other = _charted_as(one_cmh2o), _charted_as(other_cmh2o)
    return bool(one & other) if one and other else abs(one_cmh2o - other_cmh2o) < SAME_PEEP_CMH2O


def peep_levels_of(readings: Sequence[Reading]) -> tuple[PeepLevel, ...]:
    """Stretches of unchanged PEEP: of the settings where there are any, else of the measured values."""
    settings = [reading for reading in readings if reading.quantity is Quantity.PEEP_SET]
    peeps = settings or [reading for reading in readings if reading.quantity is Quantity.PEEP_MEASURED]
    return peep_levels(sorted(peeps, key=itemgetter(2, 1)))


def began_at(levels: Sequence[PeepLevel], first: int, protocol: Protocol) -> float:
    """When PEEP was first moved for the trial whose way down begins at this stretch.

    Where PEEP was raised before, that is the first raised level; else the first lowered one.

    Args:
        levels: stretches of unchanged PEEP, in order of time.
        first: index of the highest step of the way down.
    """
    raised = first
    while (
        raised > 0
        and levels[raised - 1].peep_cmh2o < levels[raised].peep_cmh2o
        and (raised == first or levels[raised + 1].start_s - levels[raised].start_s <= protocol.longest_step_s)
    ):
        raised -= 1
    return levels[min(raised + 1, len(levels) - 1)].start_s


def began_of(
    readings: Sequence[Reading], trial: Trial, protocol: Protocol, levels: Sequence[PeepLevel] | None = None
) -> float:
    """When PEEP was first moved for this trial; `levels` are those of the readings, where they are known already."""
    levels = peep_levels_of(readings) if levels is None else levels
    top_s = trial.steps[0].samples[0].at_s
    first = max((index for index, one in enumerate(levels) if one.start_s <= top_s), default=0)
    return began_at(levels, first, protocol)


def falling_runs(
    levels: Sequence[PeepLevel], last_reading_s: Sequence[float], protocol: Protocol
) -> tuple[list[Run], set[int]]:
    """All maximal runs of falling PEEP.

    Args:
        levels: stretches of unchanged PEEP in order of time.
        last_reading_s: for each stretch, the time of its last reading of any kind.

    Returns:
        First and last index of each run (inclusive), and the indices that a too large drop led to.
    """
    runs: list[Run] = []
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


def _same_measured(one_cmh2o: float, other_cmh2o: float) -> bool:
    return abs(one_cmh2o - other_cmh2o) <= SAME_MEASURED_PEEP_CMH2O


@lru_cache(maxsize=512)  # a record holds few distinct settings, each compared many times
def _charted_as(value_cmh2o: float) -> frozenset[int]:
    """The whole numbers, of cmH2O or of mbar, that this value may have been charted as."""
    numbers = (value_cmh2o, value_cmh2o * _MBAR_PER_CMH2O)
    return frozenset(round(number) for number in numbers if abs(number - round(number)) <= _WHOLE)


def _middle(group: Sequence[Reading]) -> float:
    """Middle value of the group, to half a cmH2O."""
    values = sorted(reading.value for reading in group)
    return round(2 * values[len(values) // 2]) / 2


def find_limb(
    levels: Sequence[PeepLevel], last_reading_s: Sequence[float], protocol: Protocol
) -> tuple[Run, tuple[Observed, ...]] | NoTrial:
    """Pick the limb: the latest complete trial.

    A circuit that was opened, a new recruitment or a start from the top again begins another trial, however short. A
    descent to the final PEEP after re-opening follows its trial within minutes, with wider steps that end higher up; it
    must not take the trial's place.

    Args:
        levels: stretches of unchanged PEEP in order of time.
        last_reading_s: for each stretch, the time of its last reading of any kind.
        protocol: how many steps are needed, and how large or long a step may be.

    Returns:
        First and last index of the run (inclusive) and what was seen; or why there is none.
    """
    if not levels:
        return NoTrial(NoTrialReason.NO_PEEP, message("no-trial.no-peep"), message("no-trial.peep-needed"))
    if len(levels) == 1:
        return NoTrial(
            NoTrialReason.ALL_PEEP_EQUAL,
            message("no-trial.all-peep-equal", peep_cmh2o=round(levels[0].peep_cmh2o, 1)),
            message("no-trial.steps-needed", least=protocol.minimum_steps),
        )
    runs, drops = falling_runs(levels, last_reading_s, protocol)
    long_enough = [run for run in runs if _steps(run) >= protocol.minimum_steps]
    if not long_enough:
        long_enough = [run for run in runs if _steps(run) >= fewest_steps(protocol)]
    if not long_enough:
        return _no_limb(levels, runs, protocol)
    sitting = [long_enough[-1]]
    for run in reversed(long_enough[:-1]):
        if levels[sitting[0][0]].start_s - last_reading_s[run[1]] > SAME_SITTING * protocol.longest_step_s:
            break
        sitting.insert(0, run)
    chosen = sitting[0]
    for run in sitting[1:]:
        if _begins_another(levels, chosen, run) or _steps(run) >= _steps(chosen):
            chosen = run
    seen = [_other(levels, run, chosen) for run in long_enough if run != chosen]
    (first, last), top, count = chosen, levels[chosen[0]], _steps(chosen)
    if count < protocol.minimum_steps:
        asked_for = protocol.minimum_steps
        seen.append(observed("short-trial", top.start_s, top.peep_cmh2o, count=count, asked_for=asked_for))
    seen += _open_circuit_before(levels, first)
    if last + 1 in drops:
        seen.append(_large_drop(levels[last], levels[last + 1], last_reading_s[last], protocol))
    return chosen, tuple(seen)


def _steps(run: Run) -> int:
    return run[1] - run[0] + 1


def _span(levels: Sequence[PeepLevel], run: Run) -> Message:
    first, last = (round(levels[index].peep_cmh2o, 1) for index in run)
    return message("observed.limb", first_cmh2o=first, last_cmh2o=last, count=_steps(run))


def fewest_steps(protocol: Protocol) -> int:
    """One step fewer than the protocol asks for is read, and named, where no run has as many as it asks for.

    Source: this project's choice.
    """
    return min(protocol.minimum_steps, max(FEWEST_STEPS, protocol.minimum_steps - 1))


def _begins_another(levels: Sequence[PeepLevel], before: Run, run: Run) -> bool:
    """Whether a run that follows another one is a trial of its own and no descent to a setting after it."""
    width, lowest, top = _width(levels, before), levels[before[1]].peep_cmh2o, levels[before[0]].peep_cmh2o
    last_drop = levels[before[1] - 1].peep_cmh2o - lowest
    between = levels[before[1] + (last_drop <= FINE * width) : run[0]]
    if any(one.peep_cmh2o <= OPEN_CIRCUIT_PEEP_CMH2O for one in between):
        return True
    from_the_top = levels[run[0]].peep_cmh2o >= top - SAME_TOP_CMH2O
    deep = levels[run[1]].peep_cmh2o <= lowest + DEEP * width
    return from_the_top and deep and _width(levels, run) <= FINE * width


def _width(levels: Sequence[PeepLevel], run: Run) -> float:
    """Middle distance of the steps of a run [cmH2O]."""
    return median(one.peep_cmh2o - next_.peep_cmh2o for one, next_ in pairwise(levels[run[0] : run[1] + 1]))


def _other(levels: Sequence[PeepLevel], run: Run, chosen: Run) -> Observed:
    top = levels[run[0]]
    began = f"{datetime.fromtimestamp(top.start_s, UTC):%Y-%m-%d %H:%M}"
    named = message("observed.limb-begun", limb=_span(levels, run), began=began)
    if run < chosen:
        return observed("earlier-trial", top.start_s, top.peep_cmh2o, limb=named)
    return observed("other-limb", top.start_s, top.peep_cmh2o, limb=named, chosen=_span(levels, chosen))


def _open_circuit_before(levels: Sequence[PeepLevel], first: int) -> Iterator[Observed]:
    """A level near zero that broke into falling PEEP: what follows is a limb without the opening before it."""
    if first < 2:
        return
    before, opened, after = levels[first - 2 : first + 1]
    if opened.peep_cmh2o <= OPEN_CIRCUIT_PEEP_CMH2O and before.peep_cmh2o >= after.peep_cmh2o:
        shown = {
            "before_cmh2o": round(before.peep_cmh2o, 1),
            "after_cmh2o": round(after.peep_cmh2o, 1),
            "opened_cmh2o": round(opened.peep_cmh2o, 1),
        }
        sentence = message("observed.opened-between", **shown)
        yield Observed("disconnection", sentence, opened.start_s, after.peep_cmh2o)


def _large_drop(last: PeepLevel, after: PeepLevel, last_s: float, protocol: Protocol) -> Observed:
    shown = {"peep_cmh2o": round(last.peep_cmh2o, 1), "after_cmh2o": round(after.peep_cmh2o, 1)}
    at_once = after.start_s - last_s <= protocol.longest_step_s
    if at_once and after.peep_cmh2o <= OPEN_CIRCUIT_PEEP_CMH2O:
        return Observed("disconnection", message("observed.opened-after", **shown), after.start_s, last.peep_cmh2o)
    return observed("large-drop", after.start_s, after.peep_cmh2o, **shown)


def _no_limb(levels: Sequence[PeepLevel], runs: Sequence[Run], protocol: Protocol) -> NoTrial:
    """Say why no run of falling PEEP was long enough."""
    wanted = message(
        "no-trial.limb-needed",
        least=protocol.minimum_steps,
        largest_cmh2o=protocol.largest_decrement_cmh2o,
        minutes=protocol.longest_step_s / 60,
    )
    shown = joined("commas", [round(level.peep_cmh2o, 1) for level in levels[:12]])
    if all(b.peep_cmh2o > a.peep_cmh2o for a, b in pairwise(levels)):
        found = message("no-trial.only-rising", peeps_cmh2o=shown)
        return NoTrial(NoTrialReason.PEEP_ONLY_RISING, found, wanted)
    longest = max((last - first + 1 for first, last in runs), default=1)
    how = "several" if longest > 1 else "one"
    found = message(f"no-trial.too-few-steps-{how}", count=longest, peeps_cmh2o=shown)
    return NoTrial(NoTrialReason.TOO_FEW_STEPS, found, wanted)
