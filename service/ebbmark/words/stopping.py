"""Sentences about stop criteria: what was met, held or not checked, and what the limits are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.during.checks import bounds_of
from ebbmark.physiology.readings import Doubt, Quantity, Reading
from ebbmark.physiology.stop.criteria import (
    CRITERIA,
    Held,
    Judged,
    Met,
    NotChecked,
    StopAnswer,
    StopCriterion,
    Why,
)
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.stop.rhythm import RhythmState
from ebbmark.words.ages import age, capital, clock
from ebbmark.words.messages import spell
from ebbmark.words.numbers import listed

__all__ = [
    "NOT_AMONG_THE_READINGS",
    "RHYTHM_AS_CHARTED",
    "criterion_words",
    "held_words",
    "met_words",
    "not_checked_words",
    "oldest_words",
    "quantity_words",
    "sent_words",
    "signed_words",
    "stop_answer_words",
    "stop_words",
    "told_words",
    "unseen_words",
    "unusable_words",
    "why",
    "within_limits",
]

NOT_AMONG_THE_READINGS: Final = (
    "These readings do not show a new arrhythmia or signs of a pneumothorax: watch for them at the bedside, and stop "
    "the trial if they appear."
)
RHYTHM_AS_CHARTED: Final = (
    "A new arrhythmia shows here only once it is charted, and signs of a pneumothorax not at all: watch for both at "
    "the bedside, and stop the trial if they appear."
)
_NOT_SENT: Final = {
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: (
        "Mean arterial pressure was not sent both before and since the trial began: its fall is not checked."
    ),
    StopCriterion.VOLUME_LOST: (
        "Fewer than three expired volumes were sent at unchanged settings: a loss of volume is not checked."
    ),
    StopCriterion.AIR_LEAK: (
        "Inspired and expired volume were not sent together: a leak would not show and is not checked."
    ),
    StopCriterion.RHYTHM: "No coded heart rhythm was sent since the trial began: not checked.",
}


def criterion_words(criterion: StopCriterion) -> str:
    """The criterion in words."""
    return "new heart rhythm" if criterion is StopCriterion.RHYTHM else CRITERIA[criterion].words


def quantity_words(quantity: Quantity) -> str:
    """A quantity that a criterion looks at, in words."""
    of_it = (row.reading_words for row in CRITERIA.values() if row.quantity is quantity and row.sign)
    return next(of_it, quantity.slug.replace("-", " "))


def stop_words(limits: StopLimits) -> tuple[str, ...]:
    """The stop criteria in words, for a plan; what has no number says so.

    Args:
        limits: the site's signed limits, or the defaults.

    Source: each limit's own, see `physiology.stop.limits`.
    """
    lines = []
    for row in CRITERIA.values():
        limit, words = row.limit_of(limits), capital(row.words)
        if limit is None:
            lines.append(f"{words}: no limit signed; the clinician at the bedside decides.")
        else:
            lines.append(f"{words} {row.shown_limit(limit.value)} ({limit.source}).")
    stopping = limits.rhythms_that_stop
    if stopping is None:
        lines.append("New heart rhythm: no list of rhythms signed; the clinician at the bedside decides.")
    else:
        named = ", ".join(one.display for one in stopping.codes)
        lines.append(f"New heart rhythm among these, where it is charted as a code: {named} ({stopping.source}).")
    return (*lines, NOT_AMONG_THE_READINGS)


def oldest_words(limits: StopLimits) -> str:
    """How old a reading may be to show that a criterion is not met, in words.

    Args:
        limits: the site's signed limits, or the defaults.

    Source: the limit's own.
    """
    oldest = limits.oldest_reading_min
    return f"A criterion counts as not met on a reading of the last {oldest.value:g} min ({oldest.source})."


def stop_answer_words(stops: StopAnswer) -> str:
    """The answer in one to three plain sentences; never says that a trial is safe.

    Args:
        stops: what was checked.
    """
    unjudged = {
        latest
        for one in stops.not_checked
        if one.why is Why.NO_LIMIT and (latest := _latest(one, stops)) and not one.rhythm
    }
    sentence = _answer(stops)
    if unjudged:
        sentence += (
            " No limit is signed to judge these by, so they are for the person at the bedside: "
            f"{' and '.join(sorted(unjudged))}."
        )
    return sentence


def _answer(stops: StopAnswer) -> str:
    if stops.pressing:
        first = " ".join(met_words(one, stops) for one in stops.pressing)
        return f"{first} Look at the patient now; the limits ask for the trial to stop."
    unseen = unseen_words(stops)
    unchecked = len(stops.not_checked)
    if not stops.held:
        return f"None of the {unchecked} stop criteria could be checked{_all_old(stops)}. {unseen}"
    shown = "; ".join(dict.fromkeys(held_words(one, stops) for one in within_limits(stops)))
    among = f" ({shown})" if shown else ""
    count = "one" if len(stops.held) == 1 else f"{len(stops.held)}"
    met = "is met now" if stops.told else "met"
    return f"No stop criterion {met} among the {count} that could be checked{among}; {unchecked} could not be. {unseen}"


def unseen_words(stops: StopAnswer) -> str:
    """What nothing here looks for.

    Args:
        stops: what was checked.
    """
    return RHYTHM_AS_CHARTED if stops.rhythm_charted else NOT_AMONG_THE_READINGS


def told_words(stops: StopAnswer) -> str:
    """What met a criterion and asks for no stop any more: long past, or a value that no patient has.

    Args:
        stops: what was checked.
    """
    return " ".join(_told(one, stops) for one in stops.told)


def _told(one: Met, stops: StopAnswer) -> str:
    if not one.doubtful:
        return f"{met_words(one, stops)} That is past; find out what it was before PEEP is changed."
    worst = one.worst.reading
    return (
        f"{capital(quantity_words(worst.quantity))} was {worst.value:.0f} mmHg at {clock(worst.at_s)} "
        f"({age(stops.at_s - worst.at_s)}) and within the limit just before and after: that is doubtful (a transducer, "
        "a flush, a blood sample)."
    )


def _all_old(stops: StopAnswer) -> str:
    """How old the newest reading is, where what was sent is too old to judge by."""
    ages = [
        stops.at_s - one.latest.reading.at_s
        for one in stops.not_checked
        if one.why is Why.OLD and isinstance(one.latest, Judged)
    ]
    if not ages:
        return ""
    oldest = stops.limits.oldest_reading_min.value
    return f": the newest of their readings is {age(min(ages))}, and one older than {oldest:g} min says nothing of now"


def met_words(met: Met, stops: StopAnswer) -> str:
    """A criterion that was met: by which reading, which limit, and how it stands since.

    Args:
        met: which.
        stops: what was checked.
    """
    if met.rhythm is not None:
        return _new_rhythm(met.rhythm, stops.at_s)
    row, worst, limit = CRITERIA[met.criterion], met.worst, met.limit
    times = "once" if met.readings == 1 else f"{met.readings} times"
    read_s = worst.reading.at_s
    named = "" if limit is None else f", limit {row.shown_limit(limit.value)} ({limit.source})"
    return (
        f"Stop criterion met {times}: {row.words} {_shown(met.criterion, worst)} at {clock(read_s)} "
        f"({age(stops.at_s - read_s)}){named}. {_since(met, stops.at_s)}"
    ).rstrip()


def _since(met: Met, at_s: float) -> str:
    """How it stands since the reading that is shown; a reading is not held against itself."""
    latest = met.latest
    if latest is None or met.judged == 1:
        return ""
    if latest is met.worst:
        return "That is the latest reading."
    shown = f"({_shown(met.criterion, latest)}, {age(at_s - latest.reading.at_s)})"
    return f"The latest reading {shown} meets it too." if met.still else f"The latest reading {shown} no longer does."


def within_limits(stops: StopAnswer) -> tuple[Held, ...]:
    """Criteria not met whose quantity lies beyond no other limit of its own, signed or not, and asks for no stop.

    Args:
        stops: what was checked.
    """
    pressing = {one.worst.reading.quantity for one in stops.pressing if one.beyond}

    def within(one: Held) -> bool:
        if one.latest is None:
            return True
        reading = one.latest.reading
        bounds = [bound for bound in bounds_of(stops.limits) if bound.quantity is reading.quantity]
        return reading.quantity not in pressing and all(bound.passed_by(reading.value) <= 0 for bound in bounds)

    return tuple(one for one in stops.held if within(one))


def held_words(held: Held, stops: StopAnswer) -> str:
    """A criterion that was checked and not met, as a phrase.

    Args:
        held: which.
        stops: what was checked.
    """
    old = age(held.age_s)
    if held.rhythm is not None and held.rhythm.last is not None:
        return f"heart rhythm {spell(held.rhythm.last.words)}, {old}"
    shown = "" if held.latest is None else _shown(held.criterion, held.latest)
    return f"{CRITERIA[held.criterion].reading_words} {shown}, {old}".lstrip()


def not_checked_words(one: NotChecked, stops: StopAnswer) -> str:
    """A criterion that could not be checked, and why.

    Args:
        one: which.
        stops: what was checked.
    """
    words = criterion_words(one.criterion)
    if one.why is Why.NO_LIMIT:
        latest = _latest(one, stops)
        what = "No list of heart rhythms" if one.criterion is StopCriterion.RHYTHM else f"No limit for {words}"
        return f"{what} has been signed: not checked{f'; {latest}' if latest else ''}."
    if one.why is Why.OLD:
        return f"{capital(words)}: not checked, since {_last(one, stops.at_s)}."
    if one.doubt is not None:
        return f"{unusable_words(one.doubt, at_s=stops.at_s)} Not checked."
    if one.criterion in _NOT_SENT:
        return _NOT_SENT[one.criterion]
    row = CRITERIA[one.criterion]
    stand_in = one.criterion is StopCriterion.PEAK_PRESSURE and one.stand_in
    no_stand_in = " A plateau pressure does not replace it." if stand_in else ""
    return f"No {quantity_words(row.quantity)} was sent since the trial began: not checked.{no_stand_in}"


def _latest(one: NotChecked, stops: StopAnswer) -> str:
    """The latest reading that a criterion without a limit would judge; empty where there is none."""
    if one.rhythm is not None:
        last = one.rhythm.last
        return "" if last is None else f"the latest heart rhythm is {spell(last.words)} ({age(stops.at_s - last.at_s)})"
    if not isinstance(one.latest, Reading):
        return ""
    row, old = CRITERIA[one.criterion], age(stops.at_s - one.latest.at_s)
    return f"the latest {row.reading_words} is {one.latest.value:.0f} {row.unit} ({old})"


def _last(one: NotChecked, at_s: float) -> str:
    if one.rhythm is not None and one.rhythm.last is not None:
        return f"the last one ({spell(one.rhythm.last.words)}) is {age(at_s - one.rhythm.last.at_s)}"
    if not isinstance(one.latest, Judged):
        return "the last reading is not known"
    return f"the last reading ({_shown(one.criterion, one.latest)}) is {age(at_s - one.latest.reading.at_s)}"


def _shown(criterion: StopCriterion, judged: Judged) -> str:
    """A reading as it is printed, with what it was held against."""
    value, against = judged.reading.value, judged.against
    if criterion is StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL and against is not None:
        return f"from {round(against, 1):g} to {round(value, 1):g} mmHg"
    if criterion is StopCriterion.VOLUME_LOST:
        return f"{value:.0f} mL after {against:.0f} mL"
    if criterion is StopCriterion.AIR_LEAK:
        return f"{value:.0f} mL expired of {against:.0f} mL inspired"
    if judged.reading.quantity is Quantity.PLATEAU_PRESSURE:
        return f"at least {value:g} cmH2O, the plateau pressure"
    return f"{round(value, 1):g} {CRITERIA[criterion].unit}"


def _new_rhythm(state: RhythmState, at_s: float) -> str:
    first, last, stopping = state.new[0], state.last, state.stopping
    if last is None or stopping is None:
        raise TypeError("a new rhythm stops a trial only where a list is signed")
    was = (
        f"after {spell(state.before.words)} before the trial"
        if state.before is not None
        else "none was charted before the trial, so it counts as new"
    )
    one = state.charted == 1 or last is first
    since = "" if one else f" The latest is {spell(last.words)} ({age(at_s - last.at_s)})."
    return (
        f"Stop criterion met: new heart rhythm {spell(stopping.named(first))} at {clock(first.at_s)} "
        f"({age(at_s - first.at_s)}), {was}; it is among the rhythms signed to stop at ({stopping.source}).{since}"
    )


def unusable_words(doubt: Doubt, *, at_s: float) -> str:
    """A reading that was sent and cannot be used, and why.

    Args:
        doubt: which.
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    return (
        f"{capital(quantity_words(doubt.quantity))} was sent{sent_words(doubt, at_s)} but is not usable: {why(doubt)}"
    )


def sent_words(doubt: Doubt, at_s: float) -> str:
    """As what and when it was sent."""
    shown = f" as {doubt.shown}" if doubt.shown else ""
    return shown + ("" if doubt.at_s is None else f" at {clock(doubt.at_s)} ({age(at_s - doubt.at_s)})")


def why(doubt: Doubt) -> str:
    """Why it cannot be used, as a clause; a name in its first word keeps its capital."""
    first, _, rest = doubt.why.partition(" ")
    return f"{first.lower() if first in ('It', 'Its', 'No', 'Two', 'The', 'A', 'An') else first} {rest}"


def signed_words(criteria: Sequence[StopCriterion]) -> str:
    """Criteria as a sentence lists them."""
    return listed([criterion_words(one) for one in criteria])
