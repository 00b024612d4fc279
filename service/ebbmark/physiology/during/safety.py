"""Has a stop criterion been met, by which reading, and what could not be checked?

One reading beyond a limit is enough to be named: a false stop costs a trial, a missed one may cost more. Whether it
is an artefact is for the person at the bedside. A criterion counts as not met only where its latest reading is recent
enough to say so. Rhythm and anything seen or heard are not among the readings, and the answer says so each time.
"""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.physiology.during.ages import age, clock
from ebbmark.physiology.during.doubts import Doubt, not_usable
from ebbmark.physiology.during.rhythm import check_rhythm
from ebbmark.physiology.during.rhythm_codes import RHYTHM_AS_CHARTED, Rhythm
from ebbmark.physiology.during.stop_answer import Held, Met, NotChecked, StopAnswer, Why
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

__all__ = ["NOT_AMONG_THE_READINGS", "StopAnswer", "StopCriterion", "check_stop", "stop_words"]


UNSIGNED_SHOWS = {
    StopCriterion.MEAN_ARTERIAL_PRESSURE: (Quantity.MEAN_ARTERIAL_PRESSURE, "mean arterial pressure", "mmHg"),
    StopCriterion.SYSTOLIC_PRESSURE: (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "systolic arterial pressure", "mmHg"),
    StopCriterion.HEART_RATE_LOW: (Quantity.HEART_RATE, "heart rate", "/min"),
    StopCriterion.HEART_RATE_HIGH: (Quantity.HEART_RATE, "heart rate", "/min"),
}
"""What is shown where a criterion cannot be judged for want of a signed limit: quantity, words, unit."""

_HELD_WORDS = {
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: "mean arterial pressure",
    StopCriterion.HEART_RATE_LOW: "heart rate",
    StopCriterion.HEART_RATE_HIGH: "heart rate",
    StopCriterion.VOLUME_LOST: "expired volume",
    StopCriterion.AIR_LEAK: "",
}


def check_stop(
    readings: Sequence[Reading],
    limits: StopLimits,
    *,
    since_s: float,
    at_s: float,
    doubts: Sequence[Doubt] = (),
    rhythms: Sequence[Rhythm] = (),
) -> StopAnswer:
    """Check every reading since the start of the trial against the limits.

    Args:
        readings: of one patient, in any order; those before `since_s` serve as the level before the trial.
        limits: the site's signed limits, or the defaults.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now, from which ages are counted [s since 1970-01-01T00:00:00Z].
        doubts: what was sent and cannot be used, so that it is not said to be missing.
        rhythms: as they were charted, in order of time.

    Returns:
        Criteria met, held and not checked.

    Source: each limit's own, see `stop_limits`.
    """
    ordered = sorted(readings, key=lambda reading: (reading.start_s, reading.source))
    during = [reading for reading in ordered if reading.at_s >= since_s]
    before = [reading for reading in ordered if reading.at_s < since_s]
    met: list[Met] = []
    held: list[Held] = []
    not_checked: list[NotChecked] = []
    unjudged: set[str] = set()
    for criterion, (name, judge) in CRITERIA.items():
        limit: Limit | None = getattr(limits, name)
        if limit is None:
            read = _latest_words(criterion, during, at_s)
            sentence = f"No limit for {WORDS[criterion]} has been signed: not checked{read}."
            not_checked.append(NotChecked(criterion, Why.NO_LIMIT, sentence))
            unjudged |= {read} - {""}
            continue
        judged = judge(during, before, limit.value)
        if isinstance(judged, str):
            unusable = not_usable(doubts, _OF[criterion], since_s=since_s, at_s=at_s) if criterion in _OF else ""
            not_checked.append(NotChecked(criterion, Why.NOT_SENT, f"{unusable} Not checked." if unusable else judged))
        elif any(one.beyond > 0 for one in judged):
            met.append(_met(criterion, judged, limit, at_s))
        elif (old := _too_old(criterion, judged[-1], limits, at_s)) is not None:
            not_checked.append(old)
        else:
            held.append(_held(criterion, judged[-1], at_s))
    of_rhythm = check_rhythm(rhythms, limits, since_s=since_s, at_s=at_s)
    if isinstance(of_rhythm, Met):
        met.append(of_rhythm)
    elif isinstance(of_rhythm, Held):
        held.append(of_rhythm)
    else:
        not_checked.append(of_rhythm)
    charted = any(one.at_s >= since_s for one in rhythms)
    sentence = _answer(met, held, not_checked, RHYTHM_AS_CHARTED if charted else NOT_AMONG_THE_READINGS)
    if unjudged:
        listed = " and ".join(sorted(one.removeprefix("; ") for one in unjudged))
        sentence += f" No limit is signed to judge these by, so they are for the person at the bedside: {listed}."
    return StopAnswer(tuple(met), tuple(held), tuple(not_checked), limits.signature, sentence)


_OF = {
    StopCriterion.SATURATION: Quantity.SPO2,
    StopCriterion.MEAN_ARTERIAL_PRESSURE: Quantity.MEAN_ARTERIAL_PRESSURE,
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: Quantity.MEAN_ARTERIAL_PRESSURE,
    StopCriterion.SYSTOLIC_PRESSURE: Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
    StopCriterion.HEART_RATE_LOW: Quantity.HEART_RATE,
    StopCriterion.HEART_RATE_HIGH: Quantity.HEART_RATE,
    StopCriterion.PEAK_PRESSURE: Quantity.PEAK_PRESSURE,
    StopCriterion.VOLUME_LOST: Quantity.TIDAL_VOLUME_EXPIRED,
}
"""What a criterion cannot be checked without."""


def _latest_words(criterion: StopCriterion, during: Sequence[Reading], at_s: float) -> str:
    """The latest reading that a criterion without a limit would judge, to be shown; empty where there is none."""
    judges = UNSIGNED_SHOWS.get(criterion)
    readings = [one for one in during if judges is not None and one.quantity is judges[0]]
    if not judges or not readings:
        return ""
    latest = readings[-1]
    return f"; the latest {judges[1]} is {latest.value:.0f} {judges[2]} ({age(at_s - latest.at_s)})"


def _held(criterion: StopCriterion, latest: Judged, at_s: float) -> Held:
    old_s = at_s - latest.reading.at_s
    words = _HELD_WORDS.get(criterion, WORDS[criterion])
    return Held(criterion, latest.reading.source, old_s, f"{words} {latest.shown}, {age(old_s)}".lstrip())


def _too_old(criterion: StopCriterion, latest: Judged, limits: StopLimits, at_s: float) -> NotChecked | None:
    """What is said where the latest reading does not show that the criterion is not met now."""
    old_s = at_s - latest.reading.at_s
    oldest = limits.oldest_reading_min
    if old_s <= 60.0 * oldest.value:
        return None
    words = WORDS[criterion][0].upper() + WORDS[criterion][1:]
    sentence = (
        f"{words}: not checked, since the last reading ({latest.shown}) is {age(old_s)}; one older than "
        f"{oldest.value:g} min does not show that it is not met ({oldest.source})."
    )
    return NotChecked(criterion, Why.OLD, sentence)


def _met(criterion: StopCriterion, judged: Sequence[Judged], limit: Limit, at_s: float) -> Met:
    beyond = [one for one in judged if one.beyond > 0]
    worst = max(beyond, key=lambda one: one.beyond)
    still = judged[-1].beyond > 0
    times = "once" if len(beyond) == 1 else f"{len(beyond)} times"
    read_s = worst.reading.at_s
    sentence = (
        f"Stop criterion met {times}: {WORDS[criterion]} {worst.shown} at {clock(read_s)} ({age(at_s - read_s)}), "
        f"limit {shown_limit(criterion, limit.value)} ({limit.source}). {_since(judged, worst, at_s)}"
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


def _since(judged: Sequence[Judged], worst: Judged, at_s: float) -> str:
    """How it stands since the reading that is shown; a reading is not held against itself."""
    latest = judged[-1]
    if len(judged) == 1:
        return ""
    if latest is worst:
        return "That is the latest reading."
    still = latest.beyond > 0
    shown = f"({latest.shown}, {age(at_s - latest.reading.at_s)})"
    return f"The latest reading {shown} meets it too." if still else f"The latest reading {shown} no longer does."


def _answer(met: Sequence[Met], held: Sequence[Held], not_checked: Sequence[NotChecked], unseen: str) -> str:
    if met:
        first = " ".join(one.sentence for one in met)
        return f"{first} Look at the patient now; the limits ask for the trial to stop."
    if not held:
        return f"None of the {len(not_checked)} stop criteria could be checked. {unseen}"
    shown = "; ".join(dict.fromkeys(one.sentence for one in held))
    count = "one" if len(held) == 1 else f"{len(held)}"
    return (
        f"No stop criterion met among the {count} that could be checked ({shown}); {len(not_checked)} could not be. "
        f"{unseen}"
    )
