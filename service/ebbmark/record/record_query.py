"""The query of one request to the record (patient, encounter, period), and the filter of what a search then sent.

The three parameters of `FROM_RECORD` are taken out of the request and replaced by a bundle; every other parameter goes
on to the reader as it came, byte for byte.

Some records ignore search parameters, so that what they sent is filtered once more. Nothing is dropped in silence: what
was not asked for is counted, with the reason. Where it cannot be told, the resource stays in and the reader judges it.
Two devices, or two encounters, whose PEEP readings lie among one another in time are two trials that cannot be told
apart. Rules of ours.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import msgspec

from ebbmark.fhir.model import RESOURCE_TYPES, Codeable, Coding, Identifier, Period
from ebbmark.fhir.naming import RESULT_SYSTEM, tail_of, unversioned
from ebbmark.fhir.operations import FROM_RECORD
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected, word_shown
from ebbmark.fhir.reading.codes import CODE_TEXT, CodeRow, Personal
from ebbmark.fhir.reading.decode import require_each_key_once
from ebbmark.fhir.reading.events import CHANGE_CODES
from ebbmark.fhir.times import instant, seconds
from ebbmark.physiology.readings import Quantity
from ebbmark.record.search import FoundEntry

WINDOW_S = 24 * 3600.0
"""How far back the record is read where the request names no period [s]; our choice: a trial takes minutes to hours,
and yesterday's is not the present state of the lung."""

_NAMES = frozenset(row.name for row in FROM_RECORD)
_BROUGHT = frozenset({"bundle", "patient"})
# FHIR R4 datatypes.html#id.
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_QUICK = b"patient-reference"


@dataclass(frozen=True, slots=True)
class RecordQuery:
    """What is to be read from the record.

    Attributes:
        patient: `Patient/123`.
        encounter: `Encounter/9`; None for any.
        start_s: beginning of the time in which the trial is looked for [s since 1970-01-01T00:00:00Z].
        end_s: its end [s since 1970-01-01T00:00:00Z].
        period_given: whether the caller chose the time.
        rest: all other parameters, as they came.
    """

    patient: str
    encounter: str | None
    start_s: float
    end_s: float
    period_given: bool
    rest: tuple[msgspec.Raw, ...]


class _Reference(msgspec.Struct):
    reference: str = ""
    identifier: msgspec.Raw = msgspec.Raw(b"")


class _Parameter(msgspec.Struct):
    name: str = ""
    valueReference: _Reference | None = None
    valueId: str = ""
    valuePeriod: Period | None = None
    valueInstant: str = ""
    valueDateTime: str = ""


class _Parameters(msgspec.Struct, tag_field="resourceType", tag="Parameters"):
    parameter: list[msgspec.Raw] = []


class _Named(msgspec.Struct, omit_defaults=True):
    name: str
    resource: msgspec.Raw


def record_query_of(body: bytes, *, base_url: str, at_s: float) -> RecordQuery | None:
    """Take the question for the record out of a request.

    Args:
        base_url: FHIR base address of the record, for references that carry it.

    Returns:
        What is asked; None where the request does not name a patient of the record, or cannot be read: the reader then
        says what is wrong with it.

    Raises:
        Rejected: with every problem of these parameters.
    """
    if _QUICK not in body:
        return None
    require_each_key_once(body)
    try:
        raws = msgspec.json.decode(body, type=_Parameters).parameter
        parameters = [msgspec.json.decode(raw, type=_Parameter) for raw in raws]
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    named: dict[str, tuple[_Parameter, str]] = {}
    problems: list[Problem] = []
    for number, one in enumerate(parameters):
        path = f"Parameters.parameter[{number}]"
        if one.name in _NAMES and one.name in named:
            sentence = f"The parameter {one.name} may be given once."
            problems.append(Problem(ProblemKind.REPEATED_PARAMETER, path, one.name, "once", sentence))
        named.setdefault(one.name, (one, path))
    if "patient-reference" not in named:
        return None
    for name in sorted(_BROUGHT & named.keys()):
        accepted = "either patient-reference or the data themselves"
        sentence = f"The parameters patient-reference and {name} were both sent; send {accepted}."
        problems.append(Problem(ProblemKind.BAD_PARAMETER, named[name][1], name, accepted, sentence))
    patient = _local(named["patient-reference"], "Patient", base_url, problems)
    encounter = _local(named["encounter"], "Encounter", base_url, problems) if "encounter" in named else None
    start_s, end_s = _period(named, _as_of(named, at_s), problems)
    if problems:
        raise Rejected(tuple(problems))
    rest = tuple(raw for raw, one in zip(raws, parameters, strict=True) if one.name not in _NAMES)
    return RecordQuery(patient, encounter, start_s, end_s, "period" in named, rest)


def named_in_record(
    patient_reference: str,
    *,
    encounter: str | None,
    period: tuple[float, float] | None,
    parameters: Sequence[Mapping[str, object]] = (),
) -> bytes:
    """The request that names a patient of the record, as a caller would send it.

    Args:
        patient_reference: `Patient/1`, or the same below the record's base address.
        encounter: `Encounter/9`; None for any.
        period: first and last moment [s since 1970-01-01T00:00:00Z]; None for the question's own.
        parameters: further parameters, as JSON objects.
    """
    named: list[Mapping[str, object]] = [
        {"name": "patient-reference", "valueReference": {"reference": patient_reference}}
    ]
    if encounter is not None:
        named.append({"name": "encounter", "valueReference": {"reference": encounter}})
    if period is not None:
        start, end = map(instant, period)
        named.append({"name": "period", "valuePeriod": {"start": start, "end": end}})
    return msgspec.json.encode({"resourceType": "Parameters", "parameter": [*named, *parameters]})


def about_patient(body: bytes, patient_reference: str) -> bytes:
    """A request at the address of one patient, as the same request that names the patient in its body.

    Args:
        body: FHIR R4 Parameters without a patient, or nothing.

    Raises:
        Rejected: it is something else, or names or brings a patient itself.
    """
    accepted = "Parameters that name no patient, or an empty body"
    require_each_key_once(body)
    try:
        raws = msgspec.json.decode(body, type=_Parameters).parameter if body.strip() else []
        names = {msgspec.json.decode(raw, type=_Parameter).name for raw in raws}
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        sentence = f"At the address of a patient the body must be {accepted}."
        raise Rejected((Problem(ProblemKind.BAD_PARAMETER, "", "another body", accepted, sentence),)) from None
    twice = sorted(names & {"patient-reference", *_BROUGHT})
    if twice:
        sentence = f"The address names the patient already, and the parameter {twice[0]} was sent; send {accepted}."
        raise Rejected((Problem(ProblemKind.BAD_PARAMETER, "Parameters.parameter", twice[0], accepted, sentence),))
    named = msgspec.json.encode({"name": "patient-reference", "valueReference": {"reference": patient_reference}})
    return msgspec.json.encode(_Parameters([msgspec.Raw(named), *raws]))


def with_bundle(asked: RecordQuery, bundle: bytes) -> bytes:
    """The request as the reader takes it: the data instead of the references."""
    parameters = [msgspec.Raw(msgspec.json.encode(_Named("bundle", msgspec.Raw(bundle)))), *asked.rest]
    return msgspec.json.encode(_Parameters(parameters))


def _local(given: tuple[_Parameter, str], kind: str, base_url: str, problems: list[Problem]) -> str:
    """`Type/id` of a resource of this record, or a problem."""
    parameter, path = given
    reference = parameter.valueReference.reference if parameter.valueReference else ""
    base = base_url.rstrip("/") + "/"
    reference = reference.removeprefix(base)
    identity = parameter.valueId or reference.removeprefix(f"{kind}/")
    if _ID.fullmatch(identity) and (parameter.valueId or reference == f"{kind}/{identity}"):
        return f"{kind}/{identity}"
    accepted = f"valueReference: {kind}/[id] of the configured record"
    sentence = f"The parameter {parameter.name} needs {accepted}."
    elsewhere = ":" in reference
    found = "a reference to another place" if elsewhere else "something else"
    problems.append(Problem(ProblemKind.BAD_PARAMETER, path, found, accepted, sentence))
    return ""


def _as_of(named: dict[str, tuple[_Parameter, str]], at_s: float) -> float:
    """The instant that counts as now; the reader refuses one that is not usable."""
    if "as-of" not in named:
        return at_s
    given = named["as-of"][0]
    found = seconds(given.valueInstant or given.valueDateTime)
    return found if isinstance(found, float) and found <= at_s else at_s


def _period(named: dict[str, tuple[_Parameter, str]], now_s: float, problems: list[Problem]) -> tuple[float, float]:
    if "period" not in named:
        return now_s - WINDOW_S, now_s
    parameter, path = named["period"]
    period = parameter.valuePeriod or Period()
    start_s = seconds(period.start)
    end_s = seconds(period.end) if period.end else now_s
    if isinstance(start_s, float) and isinstance(end_s, float) and start_s <= end_s:
        return start_s, end_s
    accepted = "valuePeriod: a start with zone, and an end that does not lie before it"
    sentence = f"The parameter period needs {accepted}."
    problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "something else", accepted, sentence))
    return now_s, now_s


_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})


_OUTSIDE = "outside that time"


Table = Mapping[tuple[str, str], CodeRow]


class _Component(msgspec.Struct):
    code: Codeable = msgspec.field(default_factory=Codeable)


class _Observation(msgspec.Struct):
    identifier: list[Identifier] = []
    code: Codeable = msgspec.field(default_factory=Codeable)
    subject: _Reference = msgspec.field(default_factory=_Reference)
    encounter: _Reference = msgspec.field(default_factory=_Reference)
    device: _Reference = msgspec.field(default_factory=_Reference)
    effectiveDateTime: str = ""
    effectiveInstant: str = ""
    effectivePeriod: Period | None = None
    component: list[_Component] = []


@dataclass(frozen=True, slots=True)
class Sighting:
    """One PEEP reading: of what, when, by which device, in which encounter; empty text where not said."""

    quantity: Quantity
    at_s: float
    device: str
    encounter: str


@dataclass(slots=True)
class Filtered:
    """What stays, and what was seen on the way.

    Attributes:
        not_asked: how many were left out, by reason as a phrase.
        moments: first and last instant of each of those kept; None where it has no time limit. A position or a
            mode stands until the next one is charted.
    """

    kept: list[FoundEntry] = field(default_factory=list)
    not_asked: Counter[str] = field(default_factory=Counter)
    sightings: list[Sighting] = field(default_factory=list)
    devices: set[str] = field(default_factory=set)
    moments: list[tuple[float, float] | None] = field(default_factory=list)

    def within(self, start_s: float, end_s: float) -> Filtered:
        """The same, of a shorter time [s since 1970-01-01T00:00:00Z]; what has no time limit stays in."""
        shorter = Filtered(not_asked=self.not_asked.copy(), sightings=self.sightings, devices=self.devices)
        for entry, moment in zip(self.kept, self.moments, strict=True):
            if moment is not None and _is_outside(moment, start_s, end_s):
                shorter.not_asked[_OUTSIDE] += 1
            else:
                shorter.kept.append(entry)
                shorter.moments.append(moment)
        return shorter


class _Subject(msgspec.Struct):
    subject: _Reference = msgspec.field(default_factory=_Reference)


def subject_of(resource: bytes) -> str:
    """Whom an Observation is about, as `Type/id`; empty where nobody is named by address, or it cannot be read."""
    try:
        reference = msgspec.json.decode(resource, type=_Subject).subject.reference
    except msgspec.DecodeError:
        return ""
    return tail_of(reference) if reference else ""


def moment_of(resource: bytes) -> tuple[float, float] | None:
    """First and last instant of an Observation [s since 1970-01-01T00:00:00Z]; None where they cannot be read."""
    try:
        return _moment(msgspec.json.decode(resource, type=_Observation))
    except msgspec.DecodeError:
        return None


def post_filter(entries: Iterable[FoundEntry], asked: RecordQuery, table: Table) -> Filtered:
    """Keep what was asked for."""
    sieved = Filtered()
    for entry in entries:
        if entry.head.resource_type != "Observation":
            sieved.not_asked[f"of type {word_shown(entry.head.resource_type, RESOURCE_TYPES, 'unknown')}"] += 1
            continue
        try:
            observation = msgspec.json.decode(entry.resource, type=_Observation)
        except msgspec.DecodeError:
            sieved.kept.append(entry)  # the reader names what is wrong with it
            sieved.moments.append(None)
            continue
        meanings = _meanings(observation, table)
        moment = _moment(observation)
        reason = _reason(observation, meanings, moment, asked)
        if reason:
            sieved.not_asked[reason] += 1
            continue
        sieved.kept.append(entry)
        stands = moment is not None and _is_change(observation)
        sieved.moments.append(None if _is_of_any_time(meanings) else (moment[0], inf) if moment and stands else moment)
        if any(one.system == RESULT_SYSTEM for one in observation.identifier):
            continue  # an earlier result of ours names PEEP and this software, which is no second ventilator
        device = unversioned(observation.device.reference)
        if device:
            sieved.devices.add(device)
        if moment is not None:
            encounter = tail_of(observation.encounter.reference) if observation.encounter.reference else ""
            sieved.sightings += [
                Sighting(meaning, moment[0], device, encounter) for meaning in meanings if meaning in _PEEPS
            ]
    return sieved


def _meanings(observation: _Observation, table: Table) -> set[Quantity | Personal | None]:
    """What its codes stand for; empty where none is known."""
    concepts = [observation.code, *[component.code for component in observation.component]]
    return {row.meaning for concept in concepts for row in rows_of_concept(concept.coding, concept.text, table)}


def rows_of_concept(codings: Iterable[Coding], text: str, table: Table) -> list[CodeRow]:
    """The rows of a concept: of its codes, or of its text where none of them is known, as the reader takes them."""
    rows = [row for coding in codings if (row := table.get((coding.system, coding.code))) is not None]
    by_text = table.get((CODE_TEXT, " ".join(text.split()))) if text and not rows else None
    return rows if by_text is None else [by_text]


def _reason(
    observation: _Observation,
    meanings: set[Quantity | Personal | None],
    moment: tuple[float, float] | None,
    asked: RecordQuery,
) -> str:
    subject = observation.subject
    # A subject that is only identified is compared with the Patient's identifiers by the reader.
    if (subject.reference or not subject.identifier) and tail_of(subject.reference) != asked.patient:
        return "of another patient, or of none"
    if not meanings:
        return "with another code"
    if _is_of_any_time(meanings):
        return ""
    if asked.encounter is not None and tail_of(observation.encounter.reference) != asked.encounter:
        return "of another encounter, or of none"
    return _OUTSIDE if moment is not None and _is_outside(moment, asked.start_s, asked.end_s) else ""


def _is_change(observation: _Observation) -> bool:
    """Whether it says in which position or mode the patient is from then on."""
    return any((coding.system, coding.code) in CHANGE_CODES for coding in observation.code.coding)


def _is_of_any_time(meanings: set[Quantity | Personal | None]) -> bool:
    return any(isinstance(meaning, Personal) for meaning in meanings)


def _is_outside(moment: tuple[float, float], start_s: float, end_s: float) -> bool:
    return moment[1] < start_s or moment[0] > end_s


def _moment(observation: _Observation) -> tuple[float, float] | None:
    """First and last instant, or None where the reader must judge the time."""
    period = observation.effectivePeriod
    if period is not None:
        start, end = period.start, period.end or period.start
    else:
        start = end = observation.effectiveDateTime or observation.effectiveInstant
    start_s = seconds(start)
    end_s = start_s if end == start else seconds(end)
    return (start_s, end_s) if isinstance(start_s, float) and isinstance(end_s, float) else None


_PATIENT = "Parameters.parameter.where(name='patient-reference')"


def several_sources(sightings: Iterable[Sighting], machines: Mapping[str, str]) -> list[Problem]:
    """Say which devices or encounters report PEEP at the same time.

    Args:
        machines: the device that a DeviceMetric belongs to, by the metric's reference; a reference to a Device stands
            for itself. A metric whose device is not known is not compared: setting and measurement of one ventilator
            are two metrics.
    """

    def machine(one: Sighting) -> str:
        known = machines.get(one.device, "")
        return known or ("" if "DeviceMetric/" in one.device else one.device)

    listed = list(sightings)
    return [
        *_interleaved(listed, machine, "devices", "Name a period in which only one of them reports."),
        *_interleaved(listed, lambda one: one.encounter, "encounters", "Name the one that is meant as encounter."),
    ]


def _interleaved(
    sightings: list[Sighting], key: Callable[[Sighting], str], word: str, advice: str
) -> Iterable[Problem]:
    spans: dict[tuple[object, str], list[float]] = {}
    for sighting in sightings:
        if key(sighting):
            spans.setdefault((sighting.quantity, key(sighting)), []).append(sighting.at_s)
    mixed = {
        name
        for (quantity, name), times in spans.items()
        for (other_quantity, other), others in spans.items()
        if quantity is other_quantity and name != other and min(times) < max(others) and min(others) < max(times)
    }
    if not mixed:
        return
    lines = []
    for name in sorted(mixed):
        times = [at_s for (_, other), all_times in spans.items() if other == name for at_s in all_times]
        lines.append(f"{name}: {len(times)} PEEP readings, {instant(min(times))} to {instant(max(times))}")
    found = f"PEEP of {len(mixed)} {word} at the same time"
    sentence = f"The record holds {found}, so that it cannot be told which trial is meant: {'; '.join(lines)}. {advice}"
    yield Problem(ProblemKind.AMBIGUOUS_TRIAL, _PATIENT, found, "one trial at a time", sentence)
