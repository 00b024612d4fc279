"""The value and the time of an Observation or a component: a number in our unit and when, or why there is none.

A coded sex counts, a free text is never interpreted. The time is of effectiveDateTime, effectiveInstant,
effectivePeriod or an effectiveTiming of one event.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from ebbmark.fhir.model import Coding, Component, Observation, Period, QuantityValue
from ebbmark.fhir.problems import Problem, ProblemKind, Reason, Source, word_shown
from ebbmark.fhir.reading.codes import (
    CodedSex,
    HeightKind,
    PlainRule,
    SexKind,
    Unusable,
    ValueRule,
    WeightKind,
    coded_sex,
    meaning_of,
    value_rule,
    with_category,
)
from ebbmark.fhir.reading.request import (
    BodyMeasure,
    Collected,
    Context,
    Moment,
    Received,
    SexStatement,
    left_out,
)
from ebbmark.fhir.reading.units import UCUM, UNITS, UnitFault, UnitProblem
from ebbmark.fhir.times import TimeFault, seconds
from ebbmark.physiology.readings import Quantity, Reading

_TABLE_HELPS = " The site's charting table (EBBMARK_CHARTING) can name the unit of numbers under this code."
_BOUNDS = frozenset({"<", "<=", ">=", ">"})
_ABSENT = frozenset(
    {
        *("unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable"),
        *("unsupported", "as-text", "error", "not-a-number", "negative-infinity", "positive-infinity"),
        *("not-performed", "not-permitted"),
    }
)
"""Codes of http://terminology.hl7.org/CodeSystem/data-absent-reason."""

_OTHER_VALUES = (
    "valueCodeableConcept",
    "valueString",
    "valueBoolean",
    "valueInteger",
    "valueRange",
    "valueRatio",
    "valueSampledData",
    "valueTime",
    "valueDateTime",
    "valuePeriod",
)


class _Place(NamedTuple):
    """Where a value stands: an Observation or one of its components, and the FHIRPath below the Observation."""

    item: Received[Observation]
    holder: Observation | Component
    part: str

    @property
    def path(self) -> str:
        return self.item.path + self.part


def read_value(
    item: Received[Observation],
    holder: Observation | Component,
    part: str,
    moment: Moment | Unusable,
    category: str,
    context: Context,
    collected: Collected,
) -> str:
    """Read one value; returns its canonical text, or nothing where it is no reading."""
    place, codings = _Place(item, holder, part), holder.code.coding
    meaning = meaning_of(codings, context.code_map.table)
    if not isinstance(meaning, Unusable):
        meaning = with_category(meaning, category)
    elif len(codings) == 1:
        collected.unusable[codings[0].system, codings[0].code] = meaning
    if isinstance(meaning, Unusable):
        words = " Its value is words, and words alone are not read." if isinstance(holder.valueString, str) else ""
        collected.ignored.append(left_out(item, meaning.reason, f"{meaning.sentence}{words}", part))
        return ""
    at_s, when = (moment.end_s, moment.text) if isinstance(moment, Moment) else (None, "|")
    if isinstance(meaning.quantity, SexKind):
        said = _sex_at(place, moment, collected)
        if isinstance(said, Unusable):
            collected.ignored.append(left_out(item, *said, part=part))
        elif said is not None:
            source = Source(item.path, item.reference, f"{meaning.quantity.value}|{said.value}||{when}")
            collected.sexes.append(SexStatement(said.sex, said.value, meaning.quantity, at_s, item, part, source))
        return ""
    fault = _no_one_value(place, collected) or _no_number(holder)
    if fault is not None:
        collected.ignored.append(left_out(item, *fault, part=part))
        return ""
    quantity = holder.valueQuantity
    if quantity is None or quantity.value is None:
        return ""
    is_height = isinstance(meaning.quantity, HeightKind)
    if isinstance(moment, Unusable) and not (is_height and moment.reason not in _AT_NO_TIME):
        if not part:
            collected.ignored.append(left_out(item, *moment))
        return ""
    rule = value_rule(meaning.quantity, meaning, quantity, context.code_map.units)
    if isinstance(rule, UnitProblem):
        _refuse_unit(place, rule, quantity.value, meaning.quantity, collected)
        return ""
    collected.notes.update(dict.fromkeys(rule.notes))
    ours = quantity.value * rule.multiply / rule.divide
    if not rule.low <= ours <= rule.high:
        _refuse_size(place, rule, ours, collected)
        return ""
    text = f"{rule.slug}|{ours!r}|{rule.unit}|{when}"
    if isinstance(meaning.quantity, HeightKind):
        source = Source(item.path, item.reference, text)
        collected.heights.append(BodyMeasure(ours, meaning.quantity, at_s, item, part, source))
        return ""
    if isinstance(moment, Unusable):
        return ""
    if isinstance(meaning.quantity, WeightKind):
        source = Source(item.path, item.reference, text)
        collected.weights.append(BodyMeasure(ours, meaning.quantity, at_s, item, part, source))
        return ""
    if not category:
        if meaning.ambiguous:
            collected.notes[_AMBIGUOUS_NOTE] = None
        odd = bool(meaning.ambiguous or rule.notes)
        _keep_rule(codings, quantity, (meaning.quantity, *rule[1:8]), odd, context, collected)
    number = len(collected.readings)
    if rule.variant:
        collected.variants[number] = rule.variant
    if part:
        collected.parts[number] = part
    collected.readings.append(Reading(meaning.quantity, ours, moment.start_s, moment.end_s, len(collected.sources)))
    return text


def _keep_rule(
    codings: Sequence[Coding], quantity: QuantityValue, rule: PlainRule, odd: bool, context: Context, into: Collected
) -> None:
    """Spare the next value of the same code and unit the whole way; a remark is due once per request."""
    first = codings[0]
    if len(codings) > 1:
        into.many_rules[many_key(codings, quantity)] = rule
    elif odd or quantity.system != UCUM or quantity.code not in UNITS:
        into.odd_rules[first.system, first.code, quantity.system, quantity.code, quantity.unit] = rule
    else:
        context.code_map.rules[first.system, first.code, quantity.code] = rule


def many_key(codings: Sequence[Coding], quantity: QuantityValue) -> tuple[str, ...]:
    """What a rule depends on where a concept has several codings."""
    parts = [part for coding in codings for part in (coding.system, coding.code)]
    return (*parts, quantity.system, quantity.code, quantity.unit)


_AMBIGUOUS_NOTE = (
    "PEEP under a code that is in use for settings and for measurements was read as measured, since no "
    "DeviceMetric says otherwise."
)


def _no_one_value(place: _Place, collected: Collected) -> Unusable | None:
    """Why there is no single value to read, if so."""
    holder = place.holder
    others, quantity = other_values(holder), holder.valueQuantity
    if holder.modifierExtension:
        return Unusable(Reason.MODIFIER_EXTENSION, "It carries a modifier extension that is not known here.")
    if len(others) + (quantity is not None) > 1:
        found = ", ".join([*(["valueQuantity"] if quantity is not None else []), *others])
        sentence = f"An Observation has one value; found {found}."
        collected.problems.append(Problem(ProblemKind.TWO_VALUES, place.path, found, "one value", sentence))
        return Unusable(Reason.NOT_A_QUANTITY, sentence)
    if holder.dataAbsentReason is not None:
        sent = [word_shown(coding.code, _ABSENT, "another code") for coding in holder.dataAbsentReason.coding[:4]]
        codes = ", ".join(sent) or "no code"
        both = " It has a value none the less, which FHIR forbids." if quantity is not None or others else ""
        return Unusable(Reason.DATA_ABSENT, f"Its value is said to be absent ({codes}).{both}")
    return None


def _no_number(holder: Observation | Component) -> Unusable | None:
    """Why the single value is no number, if so."""
    others, quantity = other_values(holder), holder.valueQuantity
    if others:
        helps = _TABLE_HELPS if others[0] in ("valueInteger", "valueString") else ""
        needed = f"It has {others[0]}; a number with a unit (valueQuantity) is needed."
        return Unusable(Reason.NOT_A_QUANTITY, f"{needed}{helps}")
    if quantity is None or quantity.value is None:
        if isinstance(holder, Observation) and holder.hasMember:
            return Unusable(Reason.GROUP, "It groups other Observations and has no value of its own.")
        return Unusable(Reason.NO_VALUE, "It has no value.")
    if quantity.comparator:
        bound = word_shown(quantity.comparator, _BOUNDS, "of another kind")
        return Unusable(Reason.COMPARATOR, f"Its value is a bound ({bound}), not a number.")
    return None


def other_values(holder: Observation | Component) -> list[str]:
    """Names of the values other than valueQuantity that are there."""
    return [name for name in _OTHER_VALUES if getattr(holder, name) is not None]


def _refuse_unit(
    place: _Place, fault: UnitProblem, value: float, quantity: Quantity | HeightKind | WeightKind, collected: Collected
) -> None:
    path = f"{place.path}.valueQuantity"
    if fault.fault is UnitFault.WRONG_DIMENSION and not isinstance(quantity, WeightKind):
        kind = ProblemKind.WRONG_DIMENSION
        collected.problems.append(Problem(kind, path, fault.found, fault.accepted, fault.sentence))
    elif isinstance(quantity, HeightKind):
        found = f"{value:g} with {fault.found}" if fault.fault is UnitFault.MISSING else fault.found
        sentence = f"The unit of the height decides and is not guessed: found {found}; accepted: {fault.accepted}."
        collected.problems.append(Problem(ProblemKind.HEIGHT_UNIT, path, found, fault.accepted, sentence))
    else:
        reason = Reason.UNIT_MISSING if fault.fault is UnitFault.MISSING else Reason.UNIT_UNKNOWN
        collected.ignored.append(left_out(place.item, reason, fault.sentence, place.part))


def _refuse_size(place: _Place, rule: ValueRule, ours: float, collected: Collected) -> None:
    unit = "" if rule.unit == "1" else f" {rule.unit}"
    accepted = f"{rule.low:g} to {rule.high:g}{unit}"
    if isinstance(rule.quantity, HeightKind):
        sentence = f"A height of {ours:g} cm is outside what is computed for adults ({accepted}); see value and unit."
        path = f"{place.path}.valueQuantity"
        collected.problems.append(Problem(ProblemKind.HEIGHT_RANGE, path, f"{ours:g} cm", accepted, sentence))
        return
    sentence = f"{rule.slug} of {ours:g}{unit} is outside the range {accepted}."
    collected.ignored.append(left_out(place.item, Reason.OUT_OF_RANGE, sentence, place.part))


_AT_NO_TIME = frozenset({Reason.FUTURE, Reason.INVALID_TIME})
"""A height counts without a time of day or any time, but not where what stands there cannot be one."""


def _sex_at(place: _Place, moment: Moment | Unusable, collected: Collected) -> CodedSex | Unusable | None:
    """What is said of the sex, which holds at any time that has come; None where that is listed already."""
    fault = _no_one_value(place, collected)
    if fault is None and isinstance(moment, Unusable) and moment.reason is Reason.FUTURE:
        return None if place.part else moment  # of a panel, listed once for the whole
    return fault or coded_sex(place.holder, other_values(place.holder))


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
_EARLIEST_YEAR = "1900"
EARLIEST_S = datetime(int(_EARLIEST_YEAR), 1, 1, tzinfo=UTC).timestamp()
"""Nobody was measured before who is alive; this project's choice."""
_EASTERNMOST_S = 14 * 3600.0
_AHEAD = Unusable(Reason.FUTURE, "Its time is after the instant that counts as now.")
_TOO_EARLY = Unusable(Reason.INVALID_TIME, f"Its time is before the year {_EARLIEST_YEAR}.")


def moment_of(item: Received[Observation], context: Context, collected: Collected) -> Moment | Unusable:
    """When the Observation holds, or why that cannot be said."""
    observation = item.resource
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
    if not isinstance(at_s, float) or not EARLIEST_S <= at_s <= context.now_s + CLOCK_SKEW_S:
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
        return _no_moment(start, start_s, context)
    if isinstance(end_s, TimeFault):
        return _no_moment(end, end_s, context)
    if end_s > context.now_s + CLOCK_SKEW_S:
        return _AHEAD
    return _TOO_EARLY if start_s < EARLIEST_S else Moment(start_s, end_s, f"{start_s!r}|{end_s!r}")


def _no_moment(text: str, fault: TimeFault, context: Context) -> Unusable:
    """Why a time is no moment; of a date without a time also that it lies ahead, anywhere on earth, or too far back."""
    if fault is TimeFault.DATE_ONLY:
        latest = datetime.fromtimestamp(context.now_s + _EASTERNMOST_S, UTC).date().isoformat()
        if text > latest[: len(text)]:
            return _AHEAD
        if text < _EARLIEST_YEAR:
            return _TOO_EARLY
    return Unusable(*_TIME_SENTENCES[fault])
