"""What was asked, and with which resources? Parameters or a bare Bundle, taken apart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from ebbmark.fhir.codes import CodeRow
from ebbmark.fhir.concept_map import rows_of
from ebbmark.fhir.parameters import INPUTS
from ebbmark.fhir.patient import ReceivedPatient
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.references import reference_to
from ebbmark.fhir.request import Ignored
from ebbmark.fhir.shapes import (
    Bundle,
    ConceptMap,
    DeviceMetric,
    Entry,
    Observation,
    Other,
    Parameter,
    Parameters,
    Patient,
    Resource,
)
from ebbmark.fhir.times import seconds
from ebbmark.fhir.units import to_canonical
from ebbmark.fhir.versions import Received
from ebbmark.physiology.body import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, PROTOCOLS, Protocol

__all__ = ["BUNDLE_TYPES", "Question", "take_apart"]

BUNDLE_TYPES = ("collection", "searchset", "batch", "transaction")
"""Shapes in which a trial may come; a document or message is a signed whole that we do not interpret."""

_NAMES = tuple(row.name for row in INPUTS)
_SEVERAL = frozenset(row.name for row in INPUTS if row.maximum == "*")
_WITHOUT_RESOURCE = frozenset({"DELETE", "GET", "HEAD"})


@dataclass(slots=True)
class Question:
    """What the request holds; filled once.

    Attributes:
        observations: in the order received.
        patients: in the order received.
        metrics: DeviceMetrics with their FHIRPath and fullUrl.
        code_rows: what a ConceptMap adds to the table of codes.
        protocol: rule set, with its margin.
        margin: margin asked for with its FHIRPath, until the protocol is known [cm[H2O]].
        sex: the caller's choice of formula.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        accept_preliminary: whether preliminary Observations count.
        write_back: whether the answer is to be written to the record.
        ignored: resources that are not read.
        problems: what stops the request.
        notes: remarks.
    """

    as_of_s: float
    accept_preliminary: bool = False
    observations: list[Received] = field(default_factory=list)
    patients: list[ReceivedPatient] = field(default_factory=list)
    metrics: list[tuple[DeviceMetric, str, str]] = field(default_factory=list)
    code_rows: list[CodeRow] = field(default_factory=list)
    protocol: Protocol = DEFAULT_PROTOCOL
    margin: tuple[float, str] | None = None
    sex: Sex | None = None
    write_back: bool = False
    ignored: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def take_apart(body: Parameters | Bundle, *, at_s: float, accept_preliminary: bool, max_entries: int) -> Question:
    """Sort what was received; nothing is interpreted yet.

    Args:
        body: the decoded request.
        at_s: the instant of the request [s since 1970-01-01T00:00:00Z].
        accept_preliminary: what holds where the request does not say.
        max_entries: most entries that are read.
    """
    question = Question(as_of_s=at_s, accept_preliminary=accept_preliminary)
    if isinstance(body, Bundle):
        _bundle(body, "Bundle", question, max_entries)
        return question
    seen: set[str] = set()
    if len(body.parameter) > max_entries:
        _too_many(len(body.parameter), "Parameters.parameter", max_entries, question)
        return question
    for number, parameter in enumerate(body.parameter):
        path = f"Parameters.parameter[{number}]"
        name = parameter.name
        if type(parameter.resource) is Other:
            continue  # the second look has named it
        if name not in _NAMES:
            accepted = ", ".join(_NAMES)
            sentence = f"There is no parameter {name[:60]!r}; accepted: {accepted}."
            question.problems.append(
                Problem(ProblemKind.UNKNOWN_PARAMETER, f"{path}.name", name[:60], accepted, sentence)
            )
        elif name in seen and name not in _SEVERAL:
            sentence = f"The parameter {name} may be given once."
            question.problems.append(Problem(ProblemKind.REPEATED_PARAMETER, path, name, "once", sentence))
        elif name == "bundle" and isinstance(parameter.resource, Bundle):
            _bundle(parameter.resource, f"{path}.resource", question, max_entries)
        else:
            _PARAMETERS[name](parameter, path, question, at_s)
        seen.add(name)
    _apply_margin(question)
    return question


def _bundle(bundle: Bundle, path: str, question: Question, max_entries: int) -> None:
    if bundle.type not in BUNDLE_TYPES:
        accepted = ", ".join(BUNDLE_TYPES)
        sentence = f"A Bundle of type {bundle.type[:40] or '(none)'} is not read; accepted: {accepted}."
        question.problems.append(Problem(ProblemKind.BUNDLE_TYPE, f"{path}.type", bundle.type[:40], accepted, sentence))
        return
    if len(bundle.entry) > max_entries:
        _too_many(len(bundle.entry), f"{path}.entry", max_entries, question)
        return
    if any(link.relation == "next" for link in bundle.link):
        question.notes.append("The search result has a further page that was not sent; it may be incomplete.")
    observations = question.observations
    for number, entry in enumerate(bundle.entry):
        resource = entry.resource
        if type(resource) is Observation:
            observations.append(Received(resource, f"{path}.entry[{number}].resource", entry.fullUrl))
        elif resource is None:
            _no_resource(entry, f"{path}.entry[{number}]", question)
        else:
            _resource(resource, f"{path}.entry[{number}].resource", entry.fullUrl, question)


def _no_resource(entry: Entry, path: str, question: Question) -> None:
    if entry.request is not None and entry.request.method in _WITHOUT_RESOURCE:
        sentence = f"A {entry.request.method} entry carries nothing to read."
        question.ignored.append(Ignored(path, "", Reason.NOTHING_TO_READ.slug, sentence))
        return
    sentence = "This entry has no resource."
    question.problems.append(
        Problem(ProblemKind.ELEMENT_MISSING, f"{path}.resource", "nothing", "a resource", sentence)
    )


def _resource(resource: Resource, path: str, full_url: str, question: Question) -> None:
    if type(resource) is Other:
        return  # the second look has named it
    if isinstance(resource, Patient):
        question.patients.append(ReceivedPatient(resource, path, full_url))
    elif isinstance(resource, DeviceMetric):
        question.metrics.append((resource, path, full_url))
    else:
        kind = type(resource).__name__
        reference = reference_to(kind, getattr(resource, "id", ""), "", full_url)
        hint = " Send it as the parameter concept-map." if isinstance(resource, ConceptMap) else ""
        sentence = f"A resource of type {kind} is not needed for this question.{hint}"
        question.ignored.append(Ignored(path, reference, Reason.NOT_USED.slug, sentence))


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
    for protocol in PROTOCOLS:
        if protocol.slug == slug and version in {"", protocol.version}:
            question.protocol = protocol
            return
    accepted = ", ".join(f"{protocol.slug}|{protocol.version}" for protocol in PROTOCOLS)
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


def _apply_margin(question: Question) -> None:
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


_PARAMETERS: dict[str, Callable[[Parameter, str, Question, float], None]] = {
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
}


def _bad(parameter: Parameter, path: str, accepted: str, question: Question) -> None:
    sentence = f"The parameter {parameter.name} needs {accepted}."
    question.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "something else", accepted, sentence))


def _too_many(count: int, path: str, most: int, question: Question) -> None:
    sentence = f"The request has {count} entries; at most {most} are read."
    question.problems.append(Problem(ProblemKind.TOO_MANY_ENTRIES, path, str(count), str(most), sentence))
