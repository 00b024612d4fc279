"""When an Observation holds: effectiveDateTime, effectiveInstant or effectivePeriod, or why none will do."""

from __future__ import annotations

from ebbmark.fhir.model import Period
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.coding import Unusable
from ebbmark.fhir.reading.collected import Collected, Context, Moment
from ebbmark.fhir.reading.versions import Received
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.times import TimeFault, seconds

__all__ = ["CLOCK_SKEW_S", "moment_of", "moment_of_period", "moment_of_text"]

CLOCK_SKEW_S = 300.0
"""Clocks of devices and servers may differ by this much before a time counts as in the future [s]; our choice."""

_TIME_SENTENCES: dict[TimeFault, tuple[Reason, str]] = {
    TimeFault.DATE_ONLY: (Reason.DATE_ONLY, "It has a date without a time, which cannot be placed in a trial."),
    TimeFault.NO_ZONE: (
        Reason.NO_ZONE,
        "Its time has no zone; FHIR asks for one, as in 2026-03-01T10:00:00+01:00. "
        "The site's charting table (EBBMARK_CHARTING) can name it.",
    ),
    TimeFault.INVALID: (Reason.INVALID_TIME, "Its time is not a FHIR dateTime."),
}


def moment_of(item: Received, context: Context, collected: Collected) -> Moment | Unusable:
    """When the Observation holds, or why that cannot be said."""
    observation = item.observation
    period = observation.effectivePeriod
    given = [observation.effectiveDateTime, observation.effectiveInstant, period, observation.effectiveTiming]
    if sum(bool(one) for one in given) > 1:
        sentence = "An Observation has one effective time; found several."
        collected.problems.append(Problem(ProblemKind.TWO_VALUES, item.path, "several times", "one", sentence))
        return Unusable(Reason.INVALID_TIME, sentence)
    event = _one_event(observation.effectiveTiming) if observation.effectiveTiming else ""
    if observation.effectiveTiming and not event:
        return Unusable(Reason.TIMING, "It has an effectiveTiming of more than one event, which is not one moment.")
    if period is not None:
        return _period(period.start, period.end, context)
    text = observation.effectiveDateTime or observation.effectiveInstant or event
    if not text:
        return Unusable(Reason.NO_TIME, "It has no effective time.")
    return moment_of_text(text, context, collected) or _between(text, text, context)


def _one_event(timing: object) -> str:
    """The one event of a Timing that says nothing else (R4 datatypes.html#Timing); empty where it says more."""
    events = timing.get("event") if isinstance(timing, dict) and timing.keys() <= {"event", "id"} else None
    return events[0] if isinstance(events, list) and len(events) == 1 and isinstance(events[0], str) else ""


def moment_of_text(text: str, context: Context, collected: Collected) -> Moment | None:
    """A dateTime or instant that can be used, kept for the next Observation of the same time; else None."""
    at_s = seconds(text)
    if not isinstance(at_s, float) or at_s > context.now_s + CLOCK_SKEW_S:
        return None
    written = repr(at_s)
    found = tuple.__new__(Moment, (at_s, at_s, f"{written}|{written}"))  # Moment(...) takes twice as long
    collected.times[text] = found
    return found


def moment_of_period(period: Period, context: Context, collected: Collected) -> Moment | None:
    """A period that can be used, from instants that may have come up before; else None."""
    start, end = period.start, period.end or period.start
    times = collected.times
    first = times.get(start) or moment_of_text(start, context, collected)
    last = times.get(end) or moment_of_text(end, context, collected)
    if first is None or last is None or last.end_s < first.start_s:
        return None
    return Moment(first.start_s, last.end_s, f"{first.start_s!r}|{last.end_s!r}")


def _period(start: str, end: str, context: Context) -> Moment | Unusable:
    if not start:
        return Unusable(Reason.PERIOD, "Its period has no start.")
    # A period that is still open says only when it began.
    found = _between(start, end or start, context)
    if isinstance(found, Moment) and found.end_s < found.start_s:
        return Unusable(Reason.PERIOD, "Its period ends before it starts.")
    return found


def _between(start: str, end: str, context: Context) -> Moment | Unusable:
    start_s = seconds(start)
    end_s = seconds(end)
    if isinstance(start_s, TimeFault):
        return Unusable(*_TIME_SENTENCES[start_s])
    if isinstance(end_s, TimeFault):
        return Unusable(*_TIME_SENTENCES[end_s])
    if end_s > context.now_s + CLOCK_SKEW_S:
        return Unusable(Reason.FUTURE, "Its time is after the instant that counts as now.")
    return Moment(start_s, end_s, f"{start_s!r}|{end_s!r}")
