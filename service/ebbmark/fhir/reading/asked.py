"""What does each parameter of the operation ask for? One function per parameter, by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.concept_map import rows_of
from ebbmark.fhir.reading.patient import ReceivedPatient
from ebbmark.fhir.reading.question import Question
from ebbmark.fhir.reading.shapes import ConceptMap, Observation, Parameter, Patient
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.reading.units import to_canonical
from ebbmark.fhir.reading.versions import Received
from ebbmark.physiology.formulas.body import Sex

__all__ = ["PARAMETERS", "apply_margin", "judge_make_current"]


def _observation(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if isinstance(parameter.resource, Observation):
        question.observations.append(Received(parameter.resource, f"{path}.resource", ""))
    else:
        _bad(parameter, path, "resource: an Observation", question)


def _patient(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if isinstance(parameter.resource, Patient):
        question.patients.append(ReceivedPatient(parameter.resource, f"{path}.resource", ""))
    else:
        _bad(parameter, path, "resource: a Patient", question)


def _not_a_bundle(parameter: Parameter, path: str, question: Question, _: float) -> None:
    _bad(parameter, path, "resource: a Bundle", question)


def _concept_map(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if isinstance(parameter.resource, ConceptMap):
        rows, problems = rows_of(parameter.resource, f"{path}.resource")
        question.code_rows += rows
        question.problems += problems
    else:
        _bad(parameter, path, "resource: a ConceptMap", question)


def _protocol(parameter: Parameter, path: str, question: Question, _: float) -> None:
    wanted = parameter.valueString or parameter.valueCode
    slug, _bar, version = wanted.partition("|")
    for protocol in question.protocols:
        if protocol.slug == slug and version in {"", protocol.version}:
            question.protocol = protocol
            return
    accepted = ", ".join(f"{protocol.slug}|{protocol.version}" for protocol in question.protocols)
    _bad(parameter, path, f"valueString: {accepted}", question)


def _margin(parameter: Parameter, path: str, question: Question, _: float) -> None:
    given = parameter.valueQuantity
    value = (
        None
        if given is None or given.value is None or given.comparator
        else to_canonical(given.value, given.code, given.unit, given.system, "cm[H2O]")
    )
    if isinstance(value, float):
        question.margin = (value, path)
    else:
        _bad(parameter, path, "valueQuantity: a pressure with its unit, in cm[H2O]", question)


def apply_margin(question: Question) -> None:
    """Set the margin asked for, once the protocol that bounds it is known."""
    if question.margin is None:
        return
    margin, path = question.margin
    low, high = min(question.protocol.margins_cmh2o), max(question.protocol.margins_cmh2o)
    if low <= margin <= high:
        question.protocol = replace(question.protocol, margin_cmh2o=margin)
        return
    accepted = f"{low:g} to {high:g} cm[H2O]"
    sentence = f"A margin of {margin:g} cm[H2O] is outside what the protocol allows ({accepted})."
    question.problems.append(
        Problem(ProblemKind.BAD_PARAMETER, f"{path}.valueQuantity", f"{margin:g} cm[H2O]", accepted, sentence)
    )


def judge_make_current(question: Question) -> None:
    """Refuse to make current what is not to be written, once both are known."""
    if not question.make_current or question.write_back:
        return
    path, accepted = "Parameters.parameter.where(name='make-current')", "write-back true beside it"
    sentence = f"The parameter make-current needs {accepted}: it is about an answer in the record."
    question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "no write-back", accepted, sentence))


def _sex(parameter: Parameter, path: str, question: Question, _: float) -> None:
    wanted = parameter.valueCode or parameter.valueString
    question.sex = next((sex for sex in Sex if sex.value == wanted), None)
    if question.sex is None:
        _bad(parameter, path, "valueCode: female or male", question)


def _as_of(parameter: Parameter, path: str, question: Question, at_s: float) -> None:
    found = seconds(parameter.valueInstant or parameter.valueDateTime)
    if isinstance(found, float) and found <= at_s:
        question.as_of_s = found
    else:
        _bad(parameter, path, "valueInstant: a time with zone that is not in the future", question)


def _accept_preliminary(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if parameter.valueBoolean is None:
        _bad(parameter, path, "valueBoolean: true or false", question)
    else:
        question.accept_preliminary = parameter.valueBoolean


def _write_back(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if parameter.valueBoolean is None:
        _bad(parameter, path, "valueBoolean: true or false", question)
    else:
        question.write_back = parameter.valueBoolean


def _make_current(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if parameter.valueBoolean is None:
        _bad(parameter, path, "valueBoolean: true or false", question)
    else:
        question.make_current = parameter.valueBoolean


def _with_report(parameter: Parameter, path: str, question: Question, _: float) -> None:
    if parameter.valueBoolean is None:
        _bad(parameter, path, "valueBoolean: true or false", question)
    else:
        question.with_report = parameter.valueBoolean


PARAMETERS: dict[str, Callable[[Parameter, str, Question, float], None]] = {
    "bundle": _not_a_bundle,
    "patient": _patient,
    "observation": _observation,
    "concept-map": _concept_map,
    "protocol": _protocol,
    "margin": _margin,
    "sex-for-formula": _sex,
    "as-of": _as_of,
    "accept-preliminary": _accept_preliminary,
    "write-back": _write_back,
    "make-current": _make_current,
    "with-report": _with_report,
}
"""By name: reads the parameter at this FHIRPath into the question, given the instant of the request [s]."""


def _bad(parameter: Parameter, path: str, accepted: str, question: Question) -> None:
    sentence = f"The parameter {parameter.name} needs {accepted}."
    question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "something else", accepted, sentence))
