"""Filter what a search sent once more: some records ignore search parameters.

Nothing is dropped in silence: what was not asked for is counted, with the reason. Where it cannot be told, the resource
stays in and the reader judges it. Two devices, or two encounters, whose PEEP readings lie among one another in time are
two trials that cannot be told apart here; a period chosen by the caller that holds more than one run of falling PEEP is
refused with their beginnings; without a period one run is chosen as for any request, and the answer names the others.
Rules of ours.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from math import inf

import msgspec

from ebbmark.fhir.model import RESOURCE_TYPES, Coding, Identifier, Period
from ebbmark.fhir.naming import RESULT_SYSTEM, tail_of, unversioned
from ebbmark.fhir.problems import Problem, ProblemKind, word_shown
from ebbmark.fhir.reading.coded_values import CHANGE_CODES
from ebbmark.fhir.reading.codes import CODE_TEXT, CodeRow, Personal
from ebbmark.fhir.times import instant, seconds
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.steps import Trial
from ebbmark.record.record_query import RecordQuery
from ebbmark.record.search import FoundEntry

_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})


_OUTSIDE = "outside that time"


Table = Mapping[tuple[str, str], CodeRow]


class _Codeable(msgspec.Struct):
    coding: list[Coding] = []
    text: str = ""


class _Reference(msgspec.Struct):
    reference: str = ""
    identifier: msgspec.Raw = msgspec.Raw(b"")


class _Component(msgspec.Struct):
    code: _Codeable = msgspec.field(default_factory=_Codeable)


class _Observation(msgspec.Struct):
    identifier: list[Identifier] = []
    code: _Codeable = msgspec.field(default_factory=_Codeable)
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
        sightings: the PEEP readings among those kept.
        devices: references of the devices of those kept.
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
    """Keep what was asked for.

    Args:
        entries: as the record sent them.
        table: the codes that are understood, a site's own among them.
    """
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
    rows = [row for one in codings if (row := table.get((one.system, one.code))) is not None]
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


_OTHER = frozenset({"earlier-trial", "other-limb"})


_PERIOD = "Parameters.parameter.where(name='period')"


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


def several_trials(trial: Trial, *, period_given: bool) -> list[Problem]:
    """Say which trials the period holds, where the caller chose it and there are several."""
    others = [one for one in trial.observed if one.slug in _OTHER]
    if not others or not period_given:
        return []
    steps = trial.steps
    runs = [f"one that began at {instant(one.at_s)} at {one.peep_cmh2o:g} cmH2O" for one in others]
    runs.append(
        f"one from {instant(steps[0].start_s)} to {instant(steps[-1].end_s)} "
        f"({steps[0].peep_cmh2o:g} to {steps[-1].peep_cmh2o:g} cmH2O, {len(steps)} steps)"
    )
    found = f"{len(runs)} runs of falling PEEP"
    sentence = f"The period holds {found}: {'; '.join(runs)}. Name a period that holds only the one that is meant."
    return [Problem(ProblemKind.AMBIGUOUS_TRIAL, _PERIOD, found, "a period that holds one trial", sentence)]


def _interleaved(
    sightings: list[Sighting], key: Callable[[Sighting], str], word: str, advice: str
) -> Iterable[Problem]:
    spans: dict[tuple[object, str], list[float]] = {}
    for one in sightings:
        if key(one):
            spans.setdefault((one.quantity, key(one)), []).append(one.at_s)
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
