"""Sentences about stop criteria: what was met, held or not checked, and what the limits are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.readings import Quantity, Reading, UnusableReading
from ebbmark.physiology.stop.criteria import (
    CRITERIA,
    CriterionMet,
    CriterionNotMet,
    JudgedReading,
    NotChecked,
    NotCheckedReason,
    StopAnswer,
    StopCriterion,
    bounds_of,
)
from ebbmark.physiology.stop.limits import RhythmState, StopLimits
from ebbmark.words.messages import age, capital, clock, listed, say, section, spell

_say = section("stop")

NOT_AMONG_THE_READINGS: Final = "stop.not-among-the-readings"
RHYTHM_AS_CHARTED: Final = "stop.rhythm-as-charted"
_NOT_SENT: Final = {
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: ("stop.not-sent-fall"),
    StopCriterion.VOLUME_LOST: ("stop.not-sent-volume"),
    StopCriterion.AIR_LEAK: ("stop.not-sent-leak"),
    StopCriterion.RHYTHM: "stop.not-sent-rhythm",
}


def criterion_words(criterion: StopCriterion) -> str:
    """The criterion in words."""
    return _say("new-heart-rhythm") if criterion is StopCriterion.RHYTHM else CRITERIA[criterion].words


def quantity_words(quantity: Quantity) -> str:
    """A quantity that a criterion looks at, in words."""
    of_it = (row.reading_words for row in CRITERIA.values() if row.quantity is quantity and row.sign)
    return next(of_it, quantity.slug.replace("-", " "))


def stop_words(limits: StopLimits) -> tuple[str, ...]:
    """The stop criteria in words, for a plan, each with the source of its limit; what has no number says so."""
    lines = []
    for row in CRITERIA.values():
        limit, words = row.limit_of(limits), capital(row.words)
        if limit is None:
            lines.append(_say("no-limit-signed", words=words))
        else:
            lines.append(f"{words} {row.shown_limit(limit.value)} ({limit.source}).")
    stopping = limits.rhythms_that_stop
    if stopping is None:
        lines.append(_say("new-heart-rhythm-no"))
    else:
        named = ", ".join(code.display for code in stopping.codes)
        lines.append(_say("new-heart-rhythm-among", named=named, source=stopping.source))
    return (*lines, say(NOT_AMONG_THE_READINGS))


def oldest_words(limits: StopLimits) -> str:
    """How old a reading may be to show that a criterion is not met, in words, with the limit's source."""
    oldest = limits.oldest_reading_min
    return _say("criterion-counts-not", value=f"{oldest.value:g}", source=oldest.source)


def stop_answer_words(stops: StopAnswer) -> str:
    """The answer in one to three plain sentences; never says that a trial is safe."""
    unjudged = {
        latest
        for one in stops.not_checked
        if one.why is NotCheckedReason.NO_LIMIT and (latest := _latest(one, stops)) and not one.rhythm
    }
    sentence = _answer(stops)
    if unjudged:
        sentence += _say("no-limit-signed-judge", listed=" and ".join(sorted(unjudged)))
    return sentence


def _answer(stops: StopAnswer) -> str:
    if stops.pressing:
        first = " ".join(met_words(one, stops) for one in stops.pressing)
        return _say("look-patient-now", first=first)
    unseen = unseen_words(stops)
    unchecked = len(stops.not_checked)
    if not stops.not_met:
        return _say("none-stop-criteria", unchecked=unchecked, all_old=_all_old(stops), unseen=unseen)
    shown = "; ".join(dict.fromkeys(held_words(within_limit, stops) for within_limit in within_limits(stops)))
    among = f" ({shown})" if shown else ""
    count = _say("one") if len(stops.not_met) == 1 else f"{len(stops.not_met)}"
    met = _say("met-now") if stops.not_pressing else _say("met")
    return _say("no-stop-criterion", met=met, count=count, among=among, unchecked=unchecked, unseen=unseen)


def unseen_words(stops: StopAnswer) -> str:
    """What nothing here looks for."""
    return say(RHYTHM_AS_CHARTED if stops.rhythm_charted else NOT_AMONG_THE_READINGS)


def told_words(stops: StopAnswer) -> str:
    """What met a criterion and asks for no stop any more: long past, or a value that no patient has."""
    return " ".join(_told(one, stops) for one in stops.not_pressing)


def _told(one: CriterionMet, stops: StopAnswer) -> str:
    if not one.doubtful:
        return _say("past-find-out", met=met_words(one, stops))
    worst = one.worst.reading
    return _say(
        "within-limit-just",
        quantity=capital(quantity_words(worst.quantity)),
        value=f"{worst.value:.0f}",
        time=clock(worst.at_s),
        age=age(stops.at_s - worst.at_s),
    )


def _all_old(stops: StopAnswer) -> str:
    """How old the newest reading is, where what was sent is too old to judge by."""
    ages = [
        stops.at_s - one.latest.reading.at_s
        for one in stops.not_checked
        if one.why is NotCheckedReason.OLD and isinstance(one.latest, JudgedReading)
    ]
    if not ages:
        return ""
    oldest = stops.limits.oldest_reading_min.value
    return _say("newest-their-readings", age=age(min(ages)), oldest=f"{oldest:g}")


def met_words(met: CriterionMet, stops: StopAnswer) -> str:
    """A criterion that was met: by which reading, which limit, and how it stands since."""
    if met.rhythm is not None:
        return _new_rhythm(met.rhythm, stops.at_s)
    row, worst, limit = CRITERIA[met.criterion], met.worst, met.limit
    times = "once" if met.readings == 1 else _say("times", readings=met.readings)
    read_s = worst.reading.at_s
    named = "" if limit is None else _say("limit", shown_limit=row.shown_limit(limit.value), source=limit.source)
    return (
        _say(
            "stop-criterion-met",
            times=times,
            words=row.words,
            shown=_shown(met.criterion, worst),
            time=clock(read_s),
            age=age(stops.at_s - read_s),
            named=named,
            since=_since(met, stops.at_s),
        )
    ).rstrip()


def _since(met: CriterionMet, at_s: float) -> str:
    """How it stands since the reading that is shown; a reading is not held against itself."""
    latest = met.latest
    if latest is None or met.judged == 1:
        return ""
    if latest is met.worst:
        return _say("latest-reading")
    shown = f"({_shown(met.criterion, latest)}, {age(at_s - latest.reading.at_s)})"
    return _say("latest-reading-meets", shown=shown) if met.still else _say("latest-reading-no", shown=shown)


def within_limits(stops: StopAnswer) -> tuple[CriterionNotMet, ...]:
    """Criteria not met whose quantity lies beyond no other limit of its own, signed or not, and asks for no stop."""
    pressing = {one.worst.reading.quantity for one in stops.pressing if one.beyond}

    def within(one: CriterionNotMet) -> bool:
        if one.latest is None:
            return True
        reading = one.latest.reading
        bounds = [bound for bound in bounds_of(stops.limits) if bound.row.quantity is reading.quantity]
        return reading.quantity not in pressing and all(bound.passed_by(reading.value) <= 0 for bound in bounds)

    return tuple(one for one in stops.not_met if within(one))


def held_words(held: CriterionNotMet, stops: StopAnswer) -> str:
    """A criterion that was checked and not met, as a phrase."""
    old = age(held.age_s)
    if held.rhythm is not None and held.rhythm.last is not None:
        return _say("heart-rhythm", words=spell(held.rhythm.last.words), old=old)
    shown = "" if held.latest is None else _shown(held.criterion, held.latest)
    return f"{CRITERIA[held.criterion].reading_words} {shown}, {old}".lstrip()


def not_checked_words(one: NotChecked, stops: StopAnswer) -> str:
    """A criterion that could not be checked, and why."""
    words = criterion_words(one.criterion)
    if one.why is NotCheckedReason.NO_LIMIT:
        latest = _latest(one, stops)
        what = _say("no-list-heart") if one.criterion is StopCriterion.RHYTHM else _say("no-limit", words=words)
        return _say("has-been-signed", what=what, latest=f"; {latest}" if latest else "")
    if one.why is NotCheckedReason.OLD:
        return _say("not-checked-since", words=capital(words), last=_last(one, stops.at_s))
    if one.doubt is not None:
        return _say("not-checked", unusable=unusable_words(one.doubt, at_s=stops.at_s))
    if one.criterion in _NOT_SENT:
        return say(_NOT_SENT[one.criterion])
    row = CRITERIA[one.criterion]
    stand_in = one.criterion is StopCriterion.PEAK_PRESSURE and one.stand_in
    no_stand_in = _say("plateau-pressure-does") if stand_in else ""
    return _say("no-sent-since", quantity=quantity_words(row.quantity), no_stand_in=no_stand_in)


def _latest(one: NotChecked, stops: StopAnswer) -> str:
    """The latest reading that a criterion without a limit would judge; empty where there is none."""
    if one.rhythm is not None:
        last = one.rhythm.last
        return (
            ""
            if last is None
            else _say("latest-heart-rhythm", words=spell(last.words), age=age(stops.at_s - last.at_s))
        )
    if not isinstance(one.latest, Reading):
        return ""
    row, old = CRITERIA[one.criterion], age(stops.at_s - one.latest.at_s)
    return _say("latest", reading_words=row.reading_words, value=f"{one.latest.value:.0f}", unit=row.unit, old=old)


def _last(one: NotChecked, at_s: float) -> str:
    if one.rhythm is not None and one.rhythm.last is not None:
        return _say("last-one", words=spell(one.rhythm.last.words), age=age(at_s - one.rhythm.last.at_s))
    if not isinstance(one.latest, JudgedReading):
        return _say("last-reading-not")
    return _say("last-reading", shown=_shown(one.criterion, one.latest), age=age(at_s - one.latest.reading.at_s))


def _shown(criterion: StopCriterion, judged: JudgedReading) -> str:
    """A reading as it is printed, with what it was held against."""
    value, against = judged.reading.value, judged.against
    if criterion is StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL and against is not None:
        return _say("from-to", against=f"{round(against, 1):g}", value=f"{round(value, 1):g}")
    if criterion is StopCriterion.VOLUME_LOST:
        return _say("after", value=f"{value:.0f}", against=f"{against:.0f}")
    if criterion is StopCriterion.AIR_LEAK:
        return _say("expired-inspired", value=f"{value:.0f}", against=f"{against:.0f}")
    if judged.reading.quantity is Quantity.PLATEAU_PRESSURE:
        return _say("least-plateau-pressure", value=f"{value:g}")
    return f"{round(value, 1):g} {CRITERIA[criterion].unit}"


def _new_rhythm(state: RhythmState, at_s: float) -> str:
    first, last, stopping = state.new[0], state.last, state.stopping
    if last is None or stopping is None:
        raise TypeError("a new rhythm stops a trial only where a list is signed")
    was = (
        _say("after-before-trial", words=spell(state.before.words))
        if state.before is not None
        else _say("none-charted-before")
    )
    one = state.charted == 1 or last is first
    since = "" if one else _say("latest-rhythm-since", words=spell(last.words), age=age(at_s - last.at_s))
    return _say(
        "stop-criterion-met-new",
        named=spell(stopping.named(first)),
        time=clock(first.at_s),
        age=age(at_s - first.at_s),
        was=was,
        source=stopping.source,
        since=since,
    )


def unusable_words(doubt: UnusableReading, *, at_s: float) -> str:
    """A reading that was sent and cannot be used, and why."""
    return _say(
        "sent-but-not", quantity=capital(quantity_words(doubt.quantity)), sent=sent_words(doubt, at_s), why=why(doubt)
    )


def sent_words(doubt: UnusableReading, at_s: float) -> str:
    """As what and when it was sent."""
    shown = _say("as", shown=doubt.shown) if doubt.shown else ""
    return shown + ("" if doubt.at_s is None else _say("at", time=clock(doubt.at_s), age=age(at_s - doubt.at_s)))


def why(doubt: UnusableReading) -> str:
    """Why it cannot be used, as a clause; a name in its first word keeps its capital."""
    first, _, rest = doubt.why.partition(" ")
    return f"{first.lower() if first in ('It', 'Its', 'No', 'Two', 'The', 'A', 'An') else first} {rest}"


def signed_words(criteria: Sequence[StopCriterion]) -> str:
    """Criteria as a sentence lists them."""
    return listed([criterion_words(criterion) for criterion in criteria])
