"""What each parameter of a request asks for: one reader per parameter, by name, for every operation."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TypeVar

import msgspec

from ebbmark.fhir.model import Bundle, ConceptMap, Condition, Observation, Patient, QuantityValue
from ebbmark.fhir.model import Parameter as Given
from ebbmark.fhir.operations import CHOICE_REASONS
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.request import Acknowledger, Question, Received
from ebbmark.fhir.reading.terminology import rows_of
from ebbmark.fhir.reading.units import UCUM, to_canonical, unit_shown
from ebbmark.fhir.times import seconds
from ebbmark.physiology.before.staircase import StaircaseRules, Variant
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import Protocol

Reader = Callable[[Given, str, Question], None]
_Rules = TypeVar("_Rules", Protocol, StaircaseRules)

LONGEST = 200
"""Longest code, reference or name of an acknowledgement that is taken."""

_CLINICIAN = re.compile(r"(https?://\S+/)?(Practitioner|PractitionerRole)/[A-Za-z0-9\-.]{1,64}(/_history/\S{1,64})?")


class _Clinician(msgspec.Struct, frozen=True):
    reference: str = ""
    display: str = ""


def _resource(kind: type[Observation | Patient | Condition], into: str) -> Reader:
    article = "an" if kind is Observation else "a"

    def read(given: Given, path: str, question: Question) -> None:
        if isinstance(given.resource, kind):
            getattr(question, into).append(Received(given.resource, f"{path}.resource", ""))
        else:
            _bad(given, path, f"resource: {article} {kind.__name__}", question)

    return read


def _bundle(given: Given, path: str, question: Question) -> None:
    """A Bundle is taken apart where the body is; what comes here has another resource or none."""
    if not isinstance(given.resource, Bundle):
        _bad(given, path, "resource: a Bundle", question)


def _concept_map(given: Given, path: str, question: Question) -> None:
    if isinstance(given.resource, ConceptMap):
        read = rows_of(given.resource, f"{path}.resource")
        question.code_rows += read.codes
        question.unit_rows |= read.units
        question.problems += read.problems
        left = ", ".join(f"{count} {why}" for why, count in read.left.items())
        question.notes += [f"Rows of the concept map that were left: {left}."] if left else []
    else:
        _bad(given, path, "resource: a ConceptMap", question)


def _protocol(given: Given, path: str, question: Question) -> None:
    question.asked.protocol = _by_name(given, path, question.site.protocols, question)


def _staircase(given: Given, path: str, question: Question) -> None:
    question.asked.staircase = _by_name(given, path, question.site.staircases, question)


def _by_name(given: Given, path: str, rules: Iterable[_Rules], question: Question) -> _Rules | None:
    """The rule set of this slug, or slug|version; a problem where there is none."""
    slug, _bar, version = (given.valueString or given.valueCode).partition("|")
    found = next((rule for rule in rules if rule.slug == slug and version in ("", rule.version)), None)
    if found is None:
        accepted = ", ".join(f"{rule.slug}|{rule.version}" for rule in rules)
        _bad(given, path, f"valueString: {accepted}", question)
    return found


def _margin(given: Given, path: str, question: Question) -> None:
    value = _number(given.valueQuantity, "cm[H2O]")
    if value is not None:
        question.asked.margin = (value, path)
    else:
        _bad(given, path, "valueQuantity: a pressure with its unit, in cm[H2O]", question)


def _one_of(field_name: str, options: Mapping[str, object], between: str = " or ") -> Reader:
    """A code that stands for one of these; nothing is set where it does not."""

    def read(given: Given, path: str, question: Question) -> None:
        said = given.valueCode or given.valueString
        if said in options:
            setattr(question.asked, field_name, options[said])
        else:
            _bad(given, path, f"valueCode: {between.join(options)}", question)

    return read


def _as_of(given: Given, path: str, question: Question) -> None:
    found = seconds(given.valueInstant or given.valueDateTime)
    if isinstance(found, float) and found <= question.at_s:
        question.as_of_s = found
    else:
        _bad(given, path, "valueInstant: a time with zone that is not in the future", question)


def _yes_or_no(field_name: str) -> Reader:
    def read(given: Given, path: str, question: Question) -> None:
        if given.valueBoolean is None:
            _bad(given, path, "valueBoolean: true or false", question)
        else:
            setattr(question.asked, field_name, given.valueBoolean)

    return read


def _in_unit(field_name: str, unit: str, low: float, high: float) -> Reader:
    """A Quantity that converts to one of our units and lies where it can be true."""

    def read(given: Given, path: str, question: Question) -> None:
        value = _number(given.valueQuantity, unit)
        if value is None or not low <= value <= high:
            _bad(given, path, f"valueQuantity: a number with its UCUM unit, {low:g} to {high:g} {unit}", question)
        else:
            setattr(question.asked, field_name, value)

    return read


def _number(quantity: QuantityValue | None, unit: str) -> float | None:
    if quantity is None or quantity.value is None or quantity.comparator:
        return None
    if unit in _SPELLED:
        # These units have no conversion here: they are taken as they are spelled, or not at all.
        said = quantity.code or quantity.unit
        right = said in _SPELLED[unit] and quantity.system in ("", UCUM)
        return quantity.value if right else None
    value = to_canonical(quantity.value, quantity.code, quantity.unit, quantity.system, unit)
    return value if isinstance(value, float) else None


_SPELLED = {"ug/kg/min": frozenset({"ug/kg/min", "mcg/kg/min", "µg/kg/min"}), "kg/m2": frozenset({"kg/m2"})}


def _instant(field_name: str) -> Reader:
    def read(given: Given, path: str, question: Question) -> None:
        found = seconds(given.valueInstant or given.valueDateTime)
        if isinstance(found, float):
            setattr(question.asked, field_name, found)
        else:
            _bad(given, path, "valueInstant: a time with zone", question)

    return read


def _acknowledged(given: Given, path: str, question: Question) -> None:
    """One thing: the code of a condition or of what readings show, one Condition in its version, or a vital sign."""
    text = (given.valueString or given.valueCode).strip()
    if text and len(text) <= LONGEST:
        question.asked.acknowledged.what.append((text, path))
        return
    accepted = (
        "valueString: the code of what is acknowledged, or the reference of a Condition, as the refusal or answer "
        "names it"
    )
    _bad(given, path, accepted, question)


def _acknowledged_by(given: Given, path: str, question: Question) -> None:
    accepted = "valueReference: a Practitioner or PractitionerRole by reference, or a display that names the person"
    try:
        read = msgspec.convert(given.valueReference, _Clinician)
    except msgspec.ValidationError:
        return _bad(given, path, accepted, question)
    reference, display = read.reference.strip(), " ".join(read.display.split())
    is_one = not reference or (len(reference) <= LONGEST and _CLINICIAN.fullmatch(reference) is not None)
    if not is_one or not (reference or display) or len(display) > LONGEST:
        return _bad(given, path, accepted, question)
    question.asked.acknowledged.who = Acknowledger(reference, display)
    return None


def _without_record(given: Given, path: str, question: Question) -> None:
    """A parameter that says what to read from a record, where none is read."""
    accepted = "patient-reference, and a service whose record_base_url is set"
    sentence = f"The parameter {given.name} is of use only with {accepted}."
    question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, given.name, accepted, sentence))


QUANTITIES: Mapping[str, tuple[str, str, float, float]] = {
    "noradrenaline-equivalent": ("noradrenaline_equivalent_mcg_per_kg_per_min", "ug/kg/min", 0.0, 5.0),
    "body-mass-index": ("body_mass_index", "kg/m2", 8.0, 120.0),
    "barometric-pressure": ("barometric_pressure_mmhg", "mm[Hg]", 300.0, 800.0),
    "chosen-peep": ("chosen_peep_cmh2o", "cm[H2O]", 0.0, 40.0),
    "peep-rise": ("peep_rise_cmh2o", "cm[H2O]", 0.1, 20.0),
    "suggested-peep": ("suggested_peep_cmh2o", "cm[H2O]", 1.0, 40.0),
    "released-volume": ("released_ml", "mL", 50.0, 5000.0),
    "usual-volume": ("usual_volume_ml", "mL", 50.0, 2000.0),
    "release-high-peep": ("release_high_peep_cmh2o", "cm[H2O]", 1.0, 40.0),
    "release-low-peep": ("release_low_peep_cmh2o", "cm[H2O]", 0.0, 40.0),
    "compliance-at-low-peep": ("compliance_at_low_peep_ml_per_cmh2o", "mL/cm[H2O]", 1.0, 300.0),
}
"""Parameters that are a number: where it is kept, its unit, and the range in which it can be true."""

INSTANTS: Mapping[str, str] = {"trial-started": "trial_started_s", "titrated-at": "titrated_s"}
"""Parameters that are an instant, and where it is kept."""

READERS: Mapping[str, Reader] = {
    "bundle": _bundle,
    "patient": _resource(Patient, "patients"),
    "observation": _resource(Observation, "observations"),
    "concept-map": _concept_map,
    "condition": _resource(Condition, "conditions"),
    "protocol": _protocol,
    "margin": _margin,
    "chosen-because": _one_of("chosen_because", {code: code for code in CHOICE_REASONS}, ", "),
    "sex-for-formula": _one_of("sex", {"female": Sex.FEMALE, "male": Sex.MALE}),
    "as-of": _as_of,
    "accept-preliminary": _yes_or_no("accept_preliminary"),
    "write-back": _yes_or_no("write_back"),
    "make-current": _yes_or_no("make_current"),
    "with-report": _yes_or_no("with_report"),
    "conditions-not-read": _yes_or_no("conditions_not_read"),
    "acknowledged": _acknowledged,
    "acknowledged-by": _acknowledged_by,
    "staircase": _staircase,
    "variant": _one_of("variant", {one.value: one for one in Variant}),
    **{name: _in_unit(*row) for name, row in QUANTITIES.items()},
    **{name: _instant(field_name) for name, field_name in INSTANTS.items()},
    "patient-reference": _without_record,
    "encounter": _without_record,
    "period": _without_record,
}
"""By name: reads the parameter at this FHIRPath into the question."""


def judge_together(question: Question) -> None:
    """What can be judged once all parameters are known: the margin, make-current, and instants that have not come."""
    asked = question.asked
    if asked.margin is not None:
        _apply_margin(*asked.margin, question)
    if (asked.chosen_peep_cmh2o is None) is bool(asked.chosen_because):
        lacking, there = ("chosen-peep", "chosen-because")[:: -1 if asked.chosen_because == "" else 1]
        path = f"Parameters.parameter.where(name='{there}')"
        sentence = f"The parameter {there} needs {lacking} beside it: a PEEP that was chosen, and why."
        problem = Problem(ProblemKind.BAD_PARAMETER, path, f"no {lacking}", f"{lacking} beside it", sentence)
        question.problems.append(problem)
    if asked.make_current and not asked.write_back:
        path, accepted = "Parameters.parameter.where(name='make-current')", "write-back true beside it"
        sentence = f"The parameter make-current needs {accepted}: it is about an answer in the record."
        question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "no write-back", accepted, sentence))
    for name, at_s in (("trial-started", asked.trial_started_s), ("titrated-at", asked.titrated_s)):
        if at_s is not None and at_s > question.as_of_s:
            path = f"Parameters.parameter.where(name='{name}')"
            accepted = "a time that is not after the instant that counts as now"
            sentence = f"The parameter {name} needs {accepted}."
            question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "a later time", accepted, sentence))


def _apply_margin(margin: float, path: str, question: Question) -> None:
    """Set the margin asked for, once the protocol that bounds it is known."""
    protocol = question.asked.protocol or question.site.default_protocol
    low, high = min(protocol.margins_cmh2o), max(protocol.margins_cmh2o)
    if low <= margin <= high:
        question.asked.protocol = replace(protocol, margin_cmh2o=margin)
        return
    accepted = f"{low:g} to {high:g} cm[H2O]"
    sentence = f"A margin of {margin:g} cm[H2O] is outside what the protocol allows ({accepted})."
    question.problems.append(
        Problem(ProblemKind.BAD_PARAMETER, f"{path}.valueQuantity", f"{margin:g} cm[H2O]", accepted, sentence)
    )


def _bad(given: Given, path: str, accepted: str, question: Question) -> None:
    found = _found(given)
    sentence = f"The parameter {given.name} needs {accepted}; found {found}."
    question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, found, accepted, sentence))


_TIME = re.compile(r"[0-9T:.+Z\-]{4,35}")


def _found(given: Given) -> str:
    """Which value was given: numbers and times as they are, words by their kind, since any may be a name."""
    quantity = given.valueQuantity
    if quantity is not None:
        number = "no number" if quantity.value is None else f"{quantity.comparator[:2]}{quantity.value:g}"
        return f"valueQuantity: {number} with {unit_shown(quantity.code or quantity.unit)}"
    if given.resource is not None:
        return f"a resource of type {type(given.resource).__name__}"
    for name in ("valueInstant", "valueDateTime", "valueCode", "valueString"):
        text = getattr(given, name)
        if text:
            return f"{name}: {text if _TIME.fullmatch(text) else 'another word'}"
    if given.valueBoolean is not None:
        return f"valueBoolean: {str(given.valueBoolean).lower()}"
    return "no value of a kind that is read here" if given.valueReference is None else "another valueReference"
