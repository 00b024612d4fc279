"""Admission of one Observation of any shape: whether it counts, what it says, what can be told if not.

Its time is of effectiveDateTime, effectiveInstant or effectivePeriod, or why none will do.

Of readings that were sent and cannot be used, doubts are told none the less, but for those that were replaced, taken
back, or are none of our quantities: of them nothing is left to ask. Where a unit is missing or not known the number is
taken as if it had ours, and an SpO2 of up to 1 as a fraction: this is only ever used to say that somebody should look.
An SpO2 of up to 1 per cent may be a fraction or anything else: it is taken as a bound, below which the true one may
lie.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

from ebbmark.fhir.model import Coding, Component, Observation, Period, QuantityValue
from ebbmark.fhir.naming import CODE_SYSTEM, RESOURCE_TYPES, RESULT_SYSTEM, tail_of
from ebbmark.fhir.problems import Ignored, Problem, ProblemKind, Reason, Source, word_shown
from ebbmark.fhir.reading.codes import CodeRow, Unusable
from ebbmark.fhir.reading.request import USABLE_STATUSES, Collected, Context, Moment, Received, left_out, not_a_patient
from ebbmark.fhir.reading.units import to_canonical
from ebbmark.fhir.reading.values import other_values, read_value
from ebbmark.fhir.times import TimeFault, seconds
from ebbmark.physiology.readings import Quantity, UnusableReading

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


_STATUS_REASONS: dict[str, tuple[Reason, str]] = {
    "preliminary": (Reason.PRELIMINARY, "Its status is preliminary, and the request does not accept those."),
    "registered": (Reason.REGISTERED, "It is registered only: there is no result yet."),
    "cancelled": (Reason.CANCELLED, "It was cancelled."),
    "entered-in-error": (Reason.ENTERED_IN_ERROR, "It was entered in error."),
    "unknown": (Reason.STATUS_UNKNOWN, "Its status is unknown."),
}


def admit(item: Received[Observation], context: Context, collected: Collected) -> None:
    """Read one Observation of any shape."""
    observation = item.resource
    refusal = _not_admissible(item, context, collected)
    if refusal is not None:
        collected.ignored.append(left_out(item, *refusal))
        return
    _list_contained(item, collected)
    moment = moment_of(item, context, collected)
    category = _category(observation, context, collected)
    parts: list[tuple[Observation | Component, str]] = []
    if not observation.component or observation.valueQuantity is not None or other_values(observation):
        parts.append((observation, ""))
    parts += [(component, f".component[{number}]") for number, component in enumerate(observation.component)]
    if isinstance(moment, Unusable) and observation.component:
        collected.ignored.append(left_out(item, *moment))
    first, personal = len(collected.readings), _personal(collected)
    texts = [
        text for holder, part in parts if (text := read_value(item, holder, part, moment, category, context, collected))
    ]
    found = len(collected.readings) > first or _personal(collected) > personal
    if observation.subject is None and found:
        collected.without_subject += 1
    if len(collected.readings) > first:
        collected.sources.append(Source(item.path, item.reference, ";".join(texts)))
        collected.used.append(item)
        collected.encounters.add(observation.encounter.reference if observation.encounter else "")


def _personal(collected: Collected) -> int:
    return len(collected.heights) + len(collected.sexes) + len(collected.weights)


def _list_contained(item: Received[Observation], collected: Collected) -> None:
    """Name what an Observation carries within itself and nobody reads; a device only tells setting from measurement."""
    contained = item.resource.contained
    for number, resource in enumerate(contained if isinstance(contained, list) else ()):
        kind = (
            word_shown(str(resource.get("resourceType", "")), RESOURCE_TYPES, "") if isinstance(resource, dict) else ""
        )
        if kind not in ("Device", "DeviceMetric", "Observation"):
            sentence = f"A contained {kind or 'resource'} is not read."
            path = f"{item.path}.contained[{number}]"
            collected.ignored.append(Ignored(path, item.reference, Reason.NOT_USED.slug, sentence))


def is_own_result(observation: Observation) -> bool:
    """Whether this service made it: an answer that came back must not become an input, signed or not."""
    return any(coding.system == CODE_SYSTEM for coding in observation.code.coding) or any(
        identifier.system == RESULT_SYSTEM for identifier in observation.identifier
    )


def _not_admissible(item: Received[Observation], context: Context, collected: Collected) -> Unusable | None:
    """What keeps the whole Observation out, value aside."""
    observation = item.resource
    if is_own_result(observation):  # whatever became of it since
        return Unusable(Reason.OWN_RESULT, "It is an earlier result of this service, not a reading.")
    status = observation.status
    if status in context.statuses:
        pass
    elif status in _STATUS_REASONS:
        return Unusable(*_STATUS_REASONS[status])
    else:
        sentence = "Its status is not one that FHIR R4 knows for an Observation."
        accepted = ", ".join([*sorted(USABLE_STATUSES), *_STATUS_REASONS])
        collected.problems.append(
            Problem(ProblemKind.INVALID_CODE, f"{item.path}.status", "another status", accepted, sentence)
        )
        return Unusable(Reason.STATUS_UNKNOWN, sentence)
    if observation.implicitRules:
        return Unusable(Reason.IMPLICIT_RULES, "It was made under implicit rules that are not known here.")
    if observation.modifierExtension:
        return Unusable(Reason.MODIFIER_EXTENSION, "It carries a modifier extension that is not known here.")
    subject = observation.subject
    kind = not_a_patient(observation)
    if kind:
        return Unusable(Reason.OTHER_SUBJECT, f"It is about a {kind}, not about a patient.")
    if subject is None:
        return None
    _note_subject(item, collected)
    return None


def note_subject(item: Received[Observation], collected: Collected) -> None:
    """Hold an Observation that is no reading, such as a rhythm, to the one patient of the request, too."""
    _note_subject(item, collected)
    collected.without_subject += item.resource.subject is None


def _note_subject(item: Received[Observation], collected: Collected) -> None:
    subject = item.resource.subject
    if subject is None:
        return
    if subject.reference:
        collected.subjects.setdefault(subject.reference, item.path)
    elif subject.identifier is not None:
        collected.identified_subjects.setdefault((subject.identifier.system, subject.identifier.value), item.path)


def _category(observation: Observation, context: Context, collected: Collected) -> str:
    """DeviceMetric.category of the Observation's device, or empty where it cannot be found."""
    if observation.device is None:
        return ""
    reference = observation.device.reference
    if reference.startswith("#"):
        contained = observation.contained if isinstance(observation.contained, list) else []
        for resource in contained:
            if isinstance(resource, dict) and resource.get("id") == reference[1:]:
                category = resource.get("category")
                return category if isinstance(category, str) else ""
        return ""
    category = context.categories.get(reference) or context.categories.get(tail_of(reference)) or ""
    if category:
        collected.asked_devices.update((reference, tail_of(reference)))
    else:
        collected.plain_devices.add(reference)
    return category


_SETTLED = frozenset(
    one.slug
    for one in (
        Reason.SUPERSEDED,
        Reason.DUPLICATE,
        Reason.ENTERED_IN_ERROR,
        Reason.CANCELLED,
        Reason.REGISTERED,
        Reason.OWN_RESULT,
        Reason.OTHER_SUBJECT,
        Reason.UNKNOWN_CODE,
        Reason.NOT_USED,
        Reason.GROUP,
        Reason.HEIGHT_NOT_CHOSEN,
        Reason.SEX_NOT_CHOSEN,
    )
)
_SIDES = {"<": "below", "<=": "below", ">": "above", ">=": "above"}
_NUMBER = re.compile(r"(<=|>=|<|>)? {0,3}(\d{1,4}(?:[.,]\d{1,3})?) {0,3}(\S{0,8})")
_LONGEST = 40
"""Longest text in which a number is looked for."""
_LARGEST = 10_000
"""Whole numbers from here on are none of a patient's."""

Table = Mapping[tuple[str, str], CodeRow]


def doubts_of(
    items: Sequence[Received[Observation]], ignored: Iterable[Ignored], table: Table
) -> tuple[UnusableReading, ...]:
    """Tell what was sent and cannot be used, in an order that does not depend on the order received.

    Args:
        ignored: what does not count, by FHIRPath of the Observation or of its part.
        table: the codes that are understood, a site's own among them.
    """
    reasons = {one.path: one for one in ignored if one.code not in _SETTLED}
    if not reasons:
        return ()
    found: set[UnusableReading] = set()
    for item in items:
        observation = item.resource
        whole = reasons.get(item.path)
        parts: list[tuple[Observation | Component, str]] = [(observation, "")]
        parts += [(component, f".component[{number}]") for number, component in enumerate(observation.component)]
        at_s = _moment(observation)
        for holder, part in parts:
            reason = reasons.get(item.path + part) if part else whole
            reason = reason or whole
            if reason is not None:
                quantities = _quantities(holder.code.coding, table)
                found.update(_doubt(one, holder, at_s, reason.reason) for one in quantities)
    return tuple(sorted(found, key=lambda one: (one.at_s or 0.0, one.quantity.slug, one.shown, one.why)))


def _quantities(codings: Sequence[Coding], table: Table) -> set[Quantity]:
    """All that its codings may mean; where they disagree, each of them."""
    rows = [table.get((coding.system, coding.code)) for coding in codings]
    return {row.meaning for row in rows if row is not None and isinstance(row.meaning, Quantity)}


def _doubt(quantity: Quantity, holder: Observation | Component, at_s: float | None, why: str) -> UnusableReading:
    number, comparator, unit = _number(holder)
    if number is None:
        return UnusableReading(quantity, None, "", at_s, "", why)
    value = _in_our_unit(quantity, number, holder.valueQuantity)
    side = _SIDES.get(comparator, "")
    if quantity is Quantity.SPO2 and number <= 1.0 and unit.strip() == "%":
        side = "below"
    shown = f"'{comparator}{number:g}{' ' + unit if unit else ''}'"
    return UnusableReading(quantity, value, side, at_s, shown, why)


def _number(holder: Observation | Component) -> tuple[float | None, str, str]:
    """Value, comparator and unit, however they were sent."""
    quantity = holder.valueQuantity
    if quantity is not None and quantity.value is not None:
        return quantity.value, quantity.comparator[:2], (quantity.unit or quantity.code)[:12]
    whole, text = holder.valueInteger, holder.valueString
    if isinstance(whole, int) and not isinstance(whole, bool) and abs(whole) < _LARGEST:
        return float(whole), "", ""
    text = text.strip() if isinstance(text, str) and len(text) <= _LONGEST else ""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None, "", ""
    return float(match[2].replace(",", ".")), match[1] or "", match[3]


def _in_our_unit(quantity: Quantity, number: float, sent: QuantityValue | None) -> float:
    found = to_canonical(number, sent.code, sent.unit, sent.system, quantity.unit) if sent is not None else number
    value = found if isinstance(found, float) else number
    return 100.0 * value if quantity is Quantity.SPO2 and value <= 1.0 else value


def _moment(observation: Observation) -> float | None:
    period = observation.effectivePeriod
    text = observation.effectiveDateTime or observation.effectiveInstant or (period.start if period is not None else "")
    found = seconds(text) if text else None
    return found if isinstance(found, float) else None
