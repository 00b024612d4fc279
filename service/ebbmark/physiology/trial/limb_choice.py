"""Which run of falling PEEP is the decremental limb of the trial, and what must be said of the choice?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from statistics import median

from ebbmark.physiology.message import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.artefacts import OPEN_CIRCUIT_PEEP_CMH2O
from ebbmark.physiology.trial.limb import PeepLevel, falling_runs
from ebbmark.physiology.trial.steps import NoTrial, NoTrialReason, Observed

__all__ = ["fewest_steps", "find_limb"]

Run = tuple[int, int]
"""First and last index of a run, inclusive."""

SAME_SITTING = 2.0
"""Runs that follow one another within this many longest steps belong to one sitting. This project's choice."""

FEWEST_STEPS = 3
"""No run is read with fewer: a maximum, a fall, and that it lasts. This project's choice."""

FINE = 1.5
"""A later run is a trial of its own where its steps are at most this many times as wide as those of the one before: a
descent to a setting takes wide ones. This project's choice."""

DEEP = 2.5
"""And where it goes down to within this many of those steps of the lowest one before. This project's choice."""

SAME_TOP_CMH2O = 2.0
"""And where it starts this near to the top of the one before, or above it. This project's choice."""


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
    fewest = fewest_steps(protocol)
    long_enough = [run for run in runs if _steps(run) >= protocol.minimum_steps]
    if not long_enough:
        long_enough = [run for run in runs if _steps(run) >= fewest]
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
    seen = [
        *(_other(levels, run, chosen) for run in long_enough if run != chosen),
        *_short(levels, chosen, protocol),
        *_open_circuit_before(levels, chosen[0]),
        *(_large_drop(levels, chosen[1], last_reading_s, protocol) if chosen[1] + 1 in drops else ()),
    ]
    return chosen, tuple(seen)


def _steps(run: Run) -> int:
    return run[1] - run[0] + 1


def _span(levels: Sequence[PeepLevel], run: Run) -> Message:
    first, last = (round(levels[index].peep_cmh2o, 1) for index in run)
    return message("observed.limb", first_cmh2o=first, last_cmh2o=last, count=_steps(run))


def fewest_steps(protocol: Protocol) -> int:
    """One step fewer than the protocol asks for is read, and named, where no run has as many as it asks for.

    Args:
        protocol: the rules.

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
    began = datetime.fromtimestamp(levels[run[0]].start_s, UTC)
    named = message("observed.limb-begun", limb=_span(levels, run), began=f"{began:%Y-%m-%d %H:%M}")
    if run < chosen:
        slug, sentence = "earlier-trial", message("observed.earlier-trial", limb=named)
    else:
        slug = "other-limb"
        sentence = message("observed.other-limb", limb=named, chosen=_span(levels, chosen))
    return Observed(slug, sentence, levels[run[0]].start_s, levels[run[0]].peep_cmh2o)


def _short(levels: Sequence[PeepLevel], run: Run, protocol: Protocol) -> Iterator[Observed]:
    if _steps(run) < protocol.minimum_steps:
        yield Observed(
            "short-trial",
            message("observed.short-trial", count=_steps(run), asked_for=protocol.minimum_steps),
            levels[run[0]].start_s,
            levels[run[0]].peep_cmh2o,
        )


def _open_circuit_before(levels: Sequence[PeepLevel], first: int) -> Iterator[Observed]:
    """A level near zero that broke into falling PEEP: what follows is a limb without the opening before it."""
    if first < 2:
        return
    before, opened, after = levels[first - 2 : first + 1]
    if opened.peep_cmh2o <= OPEN_CIRCUIT_PEEP_CMH2O and before.peep_cmh2o >= after.peep_cmh2o:
        yield Observed(
            "disconnection",
            message(
                "observed.opened-between",
                before_cmh2o=round(before.peep_cmh2o, 1),
                after_cmh2o=round(after.peep_cmh2o, 1),
                opened_cmh2o=round(opened.peep_cmh2o, 1),
            ),
            opened.start_s,
            after.peep_cmh2o,
        )


def _large_drop(
    levels: Sequence[PeepLevel], last: int, last_reading_s: Sequence[float], protocol: Protocol
) -> Iterator[Observed]:
    after = levels[last + 1]
    at_once = after.start_s - last_reading_s[last] <= protocol.longest_step_s
    shown = {"peep_cmh2o": round(levels[last].peep_cmh2o, 1), "after_cmh2o": round(after.peep_cmh2o, 1)}
    if at_once and after.peep_cmh2o <= OPEN_CIRCUIT_PEEP_CMH2O:
        opened = message("observed.opened-after", **shown)
        yield Observed("disconnection", opened, after.start_s, levels[last].peep_cmh2o)
        return
    yield Observed("large-drop", message("observed.large-drop", **shown), after.start_s, after.peep_cmh2o)


def _no_limb(levels: Sequence[PeepLevel], runs: Sequence[tuple[int, int]], protocol: Protocol) -> NoTrial:
    """Say why no run of falling PEEP was long enough."""
    wanted = message(
        "no-trial.limb-needed",
        least=protocol.minimum_steps,
        largest_cmh2o=protocol.largest_decrement_cmh2o,
        minutes=protocol.longest_step_s / 60,
    )
    shown = joined("commas", [round(one.peep_cmh2o, 1) for one in levels[:12]])
    if all(b.peep_cmh2o > a.peep_cmh2o for a, b in pairwise(levels)):
        found = message("no-trial.only-rising", peeps_cmh2o=shown)
        return NoTrial(NoTrialReason.PEEP_ONLY_RISING, found, wanted)
    longest = max((last - first + 1 for first, last in runs), default=1)
    how = "several" if longest > 1 else "one"
    found = message(f"no-trial.too-few-steps-{how}", count=longest, peeps_cmh2o=shown)
    return NoTrial(NoTrialReason.TOO_FEW_STEPS, found, wanted)
