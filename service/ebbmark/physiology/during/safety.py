"""Has a stop criterion been met, by which reading, and what could not be checked?

One reading beyond a limit is enough to be named: a false stop costs a trial, a missed one may cost more. Whether it
is an artefact is for the person at the bedside. Rhythm, systolic pressure and anything seen or heard are not among
the readings, and the answer says so each time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.physiology.during.stop_criteria import (
    CRITERIA,
    NOT_AMONG_THE_READINGS,
    WORDS,
    Judged,
    StopCriterion,
    shown_limit,
    stop_words,
)
from ebbmark.physiology.during.stop_limits import Limit, StopLimits
from ebbmark.physiology.readings import Quantity, Reading

__all__ = ["NOT_AMONG_THE_READINGS", "Met", "NotChecked", "StopAnswer", "StopCriterion", "check_stop", "stop_words"]


UNSIGNED_SHOWS = {
    StopCriterion.MEAN_ARTERIAL_PRESSURE: (Quantity.MEAN_ARTERIAL_PRESSURE, "mean arterial pressure", "mmHg"),
    StopCriterion.HEART_RATE_LOW: (Quantity.HEART_RATE, "heart rate", "/min"),
    StopCriterion.HEART_RATE_HIGH: (Quantity.HEART_RATE, "heart rate", "/min"),
}
"""What is shown where a criterion cannot be judged for want of a signed limit: quantity, words, unit."""


@dataclass(frozen=True, slots=True)
class Met:
    """One criterion that was met, with the first reading that met it and the last.

    Attributes:
        criterion: which one.
        readings: how many readings met it.
        value: of the reading furthest beyond the limit [unit of its quantity; a share for volumes].
        limit: the number and its source.
        source: index of the input of that reading.
        first_s, last_s: first and last time that it was met [s since 1970-01-01T00:00:00Z].
        still: whether the latest reading of that quantity meets it too.
        sentence: one or two plain sentences.
    """

    criterion: StopCriterion
    readings: int
    value: float
    limit: Limit
    source: int
    first_s: float
    last_s: float
    still: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class NotChecked:
    """One criterion that could not be checked, and why, in a plain sentence."""

    criterion: StopCriterion
    sentence: str


@dataclass(frozen=True, slots=True)
class StopAnswer:
    """What the readings say about stopping.

    Attributes:
        met: criteria met, in a fixed order; those that still hold are marked.
        held: criteria checked and not met.
        not_checked: criteria that could not be checked, each with its reason.
        signature: who answers for the limits.
        sentence: the answer in one to three plain sentences; never says that a trial is safe.
    """

    met: tuple[Met, ...]
    held: tuple[StopCriterion, ...]
    not_checked: tuple[NotChecked, ...]
    signature: str
    sentence: str


def check_stop(readings: Sequence[Reading], limits: StopLimits, *, since_s: float) -> StopAnswer:
    """Check every reading since the start of the trial against the limits.

    Args:
        readings: of one patient, in any order; those before `since_s` serve as the level before the trial.
        limits: the site's signed limits, or the defaults.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].

    Returns:
        Criteria met, held and not checked.

    Source: each limit's own, see `stop_limits`.
    """
    ordered = sorted(readings, key=lambda reading: (reading.start_s, reading.source))
    during = [reading for reading in ordered if reading.at_s >= since_s]
    before = [reading for reading in ordered if reading.at_s < since_s]
    met: list[Met] = []
    held: list[StopCriterion] = []
    not_checked: list[NotChecked] = []
    unjudged: set[str] = set()
    for criterion, (name, judge) in CRITERIA.items():
        limit: Limit | None = getattr(limits, name)
        if limit is None:
            read = _latest_words(criterion, during)
            not_checked.append(
                NotChecked(criterion, f"No limit for {WORDS[criterion]} has been signed: not checked{read}.")
            )
            unjudged |= {read} - {""}
            continue
        judged = judge(during, before, limit.value)
        if isinstance(judged, str):
            not_checked.append(NotChecked(criterion, judged))
        elif any(one.beyond > 0 for one in judged):
            met.append(_met(criterion, judged, limit))
        else:
            held.append(criterion)
    sentence = _answer(met, held, not_checked)
    if unjudged:
        listed = " and ".join(sorted(one.removeprefix("; ") for one in unjudged))
        sentence += f" No limit is signed to judge these by, so they are for the person at the bedside: {listed}."
    return StopAnswer(tuple(met), tuple(held), tuple(not_checked), limits.signature, sentence)


def _latest_words(criterion: StopCriterion, during: Sequence[Reading]) -> str:
    """The latest reading that a criterion without a limit would judge, to be shown; empty where there is none."""
    judges = UNSIGNED_SHOWS.get(criterion)
    readings = [one for one in during if judges is not None and one.quantity is judges[0]]
    return f"; the latest {judges[1]} is {readings[-1].value:.0f} {judges[2]}" if judges and readings else ""


def _met(criterion: StopCriterion, judged: Sequence[Judged], limit: Limit) -> Met:
    beyond = [one for one in judged if one.beyond > 0]
    worst = max(beyond, key=lambda one: one.beyond)
    still = judged[-1].beyond > 0
    times = "once" if len(beyond) == 1 else f"{len(beyond)} times"
    now = "The latest reading meets it too." if still else "The latest reading no longer does."
    sentence = (
        f"Stop criterion met {times}: {WORDS[criterion]} {worst.shown}, limit "
        f"{shown_limit(criterion, limit.value)} ({limit.source}). {now if len(judged) > 1 else ''}"
    ).rstrip()
    return Met(
        criterion=criterion,
        readings=len(beyond),
        value=worst.value,
        limit=limit,
        source=worst.reading.source,
        first_s=beyond[0].reading.at_s,
        last_s=beyond[-1].reading.at_s,
        still=still,
        sentence=sentence,
    )


def _answer(met: Sequence[Met], held: Sequence[StopCriterion], not_checked: Sequence[NotChecked]) -> str:
    if met:
        first = " ".join(one.sentence for one in met)
        return f"{first} Look at the patient now; the limits ask for the trial to stop."
    if not held:
        return f"None of the {len(not_checked)} stop criteria could be checked. {NOT_AMONG_THE_READINGS}"
    return (
        f"No stop criterion met among the {len(held)} that could be checked; {len(not_checked)} could not be. "
        f"{NOT_AMONG_THE_READINGS}"
    )
