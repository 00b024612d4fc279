"""The number that an Observation or a component holds, in our unit, or why it holds none.

A coded sex counts where two official sources name the code alike; a free text is never interpreted.

Sources: SNOMED CT, US Core 6.0.0-ballot (value set us-core-sex-for-clinical-use, its mapping to SNOMED CT) and WHO,
Global Digital Health Certification Network (ConceptMap ICVP.Core); v3 AdministrativeGender, FHIR R4 4.0.1
(/v3/AdministrativeGender/vs.html) and HL7 C-CDA 5.0.0 (Birth Sex Observation); FHIR AdministrativeGender, FHIR R4 4.0.1
(/valueset-administrative-gender.html) and the same ConceptMap. UNK, ASKU: US Core, value set birthsex.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import msgspec

from ebbmark.fhir.model import Codeable, Coding, Component, Observation, QuantityValue
from ebbmark.fhir.naming import SNOMED
from ebbmark.fhir.problems import Problem, ProblemKind, Reason, Source, word_shown
from ebbmark.fhir.reading.codes import (
    HeightKind,
    PlainRule,
    SexKind,
    Unusable,
    ValueRule,
    WeightKind,
    code_shown,
    meaning_of,
    value_rule,
    with_category,
)
from ebbmark.fhir.reading.request import (
    BodyWeight,
    Collected,
    Context,
    Height,
    Moment,
    Received,
    SexStatement,
    left_out,
)
from ebbmark.fhir.reading.units import UCUM, UNITS, UnitFault, UnitProblem
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.readings import Quantity, Reading

_V3_GENDER = "http://terminology.hl7.org/CodeSystem/v3-AdministrativeGender"
_V3_NULL = "http://terminology.hl7.org/CodeSystem/v3-NullFlavor"
_GENDER = "http://hl7.org/fhir/administrative-gender"

_SEXES = {
    (SNOMED, "248152002"): Sex.FEMALE,
    (SNOMED, "248153007"): Sex.MALE,
    (_V3_GENDER, "F"): Sex.FEMALE,
    (_V3_GENDER, "M"): Sex.MALE,
    (_GENDER, "female"): Sex.FEMALE,
    (_GENDER, "male"): Sex.MALE,
}
_NOT_KNOWN = frozenset({(SNOMED, "184115007"), (_V3_NULL, "UNK"), (_V3_NULL, "ASKU"), (_GENDER, "unknown")})
_NEITHER = frozenset({(_V3_GENDER, "UN"), (_GENDER, "other")})
_MOST_NAMED = 4


def _shown(coding: Coding) -> str:
    pair = (coding.system, coding.code)
    known = pair in _NEITHER or pair in _NOT_KNOWN or pair in _SEXES
    return f"{coding.system}|{coding.code}" if known else code_shown(coding)


def sexes_of(codes: Iterable[tuple[str, str]]) -> set[Sex]:
    """The sexes that these codes (system, code) say; more than one where they contradict one another."""
    return {_SEXES[pair] for pair in codes if pair in _SEXES}


class CodedSex(NamedTuple):
    """What is said: a sex, or None with the codes that say neither."""

    sex: Sex | None
    value: str


def coded_sex(holder: Observation | Component, others: list[str]) -> CodedSex | Unusable:
    """Read valueCodeableConcept.

    Codes that are not known here may stand beside one that is; two that are known and contradict each other say
    neither.

    Args:
        holder: the Observation or its component.
        others: names of the values that are there, but for a Quantity.
    """
    if holder.valueCodeableConcept is None:
        found = others[0] if others else "valueQuantity" if holder.valueQuantity is not None else ""
        if not found:
            return Unusable(Reason.NO_VALUE, "It has no value.")
        return Unusable(Reason.NOT_CODED, f"It has {found}; a sex is read from valueCodeableConcept only.")
    try:
        concept = msgspec.convert(holder.valueCodeableConcept, Codeable)
    except msgspec.ValidationError:
        return Unusable(Reason.NOT_CODED, "Its value does not have the shape of a CodeableConcept.")
    pairs = [(coding.system, coding.code) for coding in concept.coding if coding.code]
    if not pairs:
        return Unusable(Reason.NOT_CODED, "Its value has no code; the sex is not read from a text.")
    sexes = sexes_of(pairs)
    if len(sexes) == 1:
        sex = sexes.pop()
        return CodedSex(sex, sex.value)
    listed = ", ".join([_shown(coding) for coding in concept.coding if coding.code][:_MOST_NAMED])
    if not sexes and _NOT_KNOWN.intersection(pairs):
        return Unusable(Reason.DATA_ABSENT, f"It says that the sex is not known ({listed}).")
    return CodedSex(None, listed)


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
    codings = holder.code.coding
    meaning = meaning_of(codings, context.code_map.table)
    if not isinstance(meaning, Unusable):
        meaning = with_category(meaning, category)
    elif len(codings) == 1:
        collected.unusable[codings[0].system, codings[0].code] = meaning
    if isinstance(meaning, Unusable):
        words = " Its value is words, and words alone are not read." if isinstance(holder.valueString, str) else ""
        collected.ignored.append(left_out(item, meaning.reason, f"{meaning.sentence}{words}", part))
        return ""
    if isinstance(meaning.quantity, SexKind):
        _keep_sex(item, holder, part, meaning.quantity, moment, collected)
        return ""
    fault = _no_one_value(item, holder, part, collected) or _no_number(holder)
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
        _refuse_unit(item, part, rule, quantity.value, meaning.quantity, collected)
        return ""
    collected.notes.update(dict.fromkeys(rule.notes))
    ours = quantity.value * rule.multiply / rule.divide
    if not rule.low <= ours <= rule.high:
        _refuse_size(item, part, rule, ours, collected)
        return ""
    if isinstance(meaning.quantity, HeightKind):
        _keep_height(item, part, meaning.quantity, ours, moment, collected)
        return ""
    if isinstance(moment, Unusable):
        return ""
    if isinstance(meaning.quantity, WeightKind):
        source = Source(item.path, item.reference, f"{rule.slug}|{ours!r}|{rule.unit}|{moment.text}")
        collected.weights.append(BodyWeight(ours, moment.end_s, item, part, source))
        return ""
    if meaning.ambiguous and not category:
        collected.notes[_AMBIGUOUS_NOTE] = None
    if not category:
        _keep_rule(
            holder.code.coding,
            quantity,
            (meaning.quantity, *rule[1:8]),
            meaning.ambiguous or rule.notes,
            context,
            collected,
        )
    number = len(collected.readings)
    if rule.variant:
        collected.variants[number] = rule.variant
    if part:
        collected.parts[number] = part
    collected.readings.append(Reading(meaning.quantity, ours, moment.start_s, moment.end_s, len(collected.sources)))
    return f"{rule.slug}|{ours!r}|{rule.unit}|{moment.text}"


def _keep_rule(
    codings: Sequence[Coding],
    quantity: QuantityValue,
    rule: PlainRule,
    odd: object,
    context: Context,
    collected: Collected,
) -> None:
    """Spare the next value of the same code and unit the whole way; a remark is due once per request."""
    first = codings[0]
    if len(codings) > 1:
        collected.many_rules[many_key(codings, quantity)] = rule
    elif odd or quantity.system != UCUM or quantity.code not in UNITS:
        key = (first.system, first.code, quantity.system, quantity.code, quantity.unit)
        collected.odd_rules[key] = rule
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


def _no_one_value(
    item: Received[Observation], holder: Observation | Component, part: str, collected: Collected
) -> Unusable | None:
    """Why there is no single value to read, if so."""
    others = other_values(holder)
    quantity = holder.valueQuantity
    if holder.modifierExtension:
        return Unusable(Reason.MODIFIER_EXTENSION, "It carries a modifier extension that is not known here.")
    if len(others) + (quantity is not None) > 1:
        found = ", ".join([*(["valueQuantity"] if quantity is not None else []), *others])
        sentence = f"An Observation has one value; found {found}."
        collected.problems.append(Problem(ProblemKind.TWO_VALUES, item.path + part, found, "one value", sentence))
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
        return Unusable(
            Reason.COMPARATOR,
            f"Its value is a bound ({word_shown(quantity.comparator, _BOUNDS, 'of another kind')}), not a number.",
        )
    return None


def other_values(holder: Observation | Component) -> list[str]:
    """Names of the values other than valueQuantity that are there."""
    return [name for name in _OTHER_VALUES if getattr(holder, name) is not None]


def _refuse_unit(
    item: Received[Observation],
    part: str,
    fault: UnitProblem,
    value: float,
    quantity: Quantity | HeightKind | WeightKind,
    collected: Collected,
) -> None:
    path = f"{item.path}{part}.valueQuantity"
    if fault.fault is UnitFault.WRONG_DIMENSION and not isinstance(quantity, WeightKind):
        kind = ProblemKind.WRONG_DIMENSION
        collected.problems.append(Problem(kind, path, fault.found, fault.accepted, fault.sentence))
    elif isinstance(quantity, HeightKind):
        found = f"{value:g} with {fault.found}" if fault.fault is UnitFault.MISSING else fault.found
        sentence = f"The unit of the height decides and is not guessed: found {found}; accepted: {fault.accepted}."
        collected.problems.append(Problem(ProblemKind.HEIGHT_UNIT, path, found, fault.accepted, sentence))
    else:
        reason = Reason.UNIT_MISSING if fault.fault is UnitFault.MISSING else Reason.UNIT_UNKNOWN
        collected.ignored.append(left_out(item, reason, fault.sentence, part))


def _refuse_size(item: Received[Observation], part: str, rule: ValueRule, ours: float, collected: Collected) -> None:
    unit = "" if rule.unit == "1" else f" {rule.unit}"
    accepted = f"{rule.low:g} to {rule.high:g}{unit}"
    if isinstance(rule.quantity, HeightKind):
        sentence = f"A height of {ours:g} cm is outside what is computed for adults ({accepted}); see value and unit."
        path = f"{item.path}{part}.valueQuantity"
        collected.problems.append(Problem(ProblemKind.HEIGHT_RANGE, path, f"{ours:g} cm", accepted, sentence))
        return
    sentence = f"{rule.slug} of {ours:g}{unit} is outside the range {accepted}."
    collected.ignored.append(left_out(item, Reason.OUT_OF_RANGE, sentence, part))


_AT_NO_TIME = frozenset({Reason.FUTURE, Reason.INVALID_TIME})
"""A height counts without a time of day or any time, but not where what stands there cannot be one."""


def _keep_height(
    item: Received[Observation], part: str, kind: HeightKind, cm: float, moment: Moment | Unusable, collected: Collected
) -> None:
    at_s, when = (moment.end_s, moment.text) if isinstance(moment, Moment) else (None, "|")
    source = Source(item.path, item.reference, f"height|{cm!r}|cm|{when}")
    collected.heights.append(Height(cm, kind, at_s, item, part, source))


def _keep_sex(
    item: Received[Observation],
    holder: Observation | Component,
    part: str,
    kind: SexKind,
    moment: Moment | Unusable,
    collected: Collected,
) -> None:
    """Keep what is said of the sex, which holds at any time that has come."""
    fault = _no_one_value(item, holder, part, collected)
    if fault is None and isinstance(moment, Unusable) and moment.reason is Reason.FUTURE:
        if part:
            return  # listed once for the whole panel
        fault = moment
    said = fault or coded_sex(holder, other_values(holder))
    if isinstance(said, Unusable):
        collected.ignored.append(left_out(item, *said, part=part))
        return
    at_s, when = (moment.end_s, moment.text) if isinstance(moment, Moment) else (None, "|")
    source = Source(item.path, item.reference, f"{kind.value}|{said.value}||{when}")
    collected.sexes.append(SexStatement(said.sex, said.value, kind, at_s, item, part, source))
