"""Search for Observations: cached within one view, filtered again here, with the sources of PEEP told apart.

Nothing is dropped in silence: what was not asked for is counted, with the reason. Where it cannot be told, the resource
stays in and the reader judges it.

One search for Observations by one parameter: sent, or taken from what the same view has searched for already.

A search of a longer time holds all of a shorter one; of it is given what the record would have sent for the shorter: an
Observation that overlaps with it (FHIR R4 search.html#date), and one whose time cannot be read. A longer search that
fails for what the record sent of it says nothing about the shorter, which is then sent by itself.

Searched is by `combo-code` (a panel carries its codes in components) and, where a record refuses that parameter, by
`code` and by `component-code`; where it has neither for components, that is told. What comes back is filtered again by
`post_filter`, since some records ignore search parameters. Source: FHIR R4 search.html, observation.html#search.

Then the list to choose from, never a guess.

Three rules, ours:

* Two devices, or two encounters, whose PEEP readings lie among one another in time are two trials that cannot be told
  apart here: refused.
* A period chosen by the caller that holds more than one run of falling PEEP: refused with their beginnings.
* No period: one run is chosen as for any request, and the answer names the others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final
from urllib.parse import quote

import msgspec

from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CodeRow, HeightKind, SexKind
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.references import tail_of, unversioned
from ebbmark.fhir.writing.instants import instant
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.reading import Trial
from ebbmark.record.client import RecordClient
from ebbmark.record.record_query import RecordQuery
from ebbmark.record.search import (
    Budget,
    Found,
    FoundEntry,
    Identifier,
    ReadFailure,
    TooMuch,
    Waiting,
    any_of,
    not_read,
    search,
    too_much,
)

__all__ = [
    "NO_COMPONENTS",
    "PAGE_SIZE",
    "Filtered",
    "Sighting",
    "cached_search",
    "each_once",
    "limits_of",
    "moment_of",
    "post_filter",
    "remarks_of",
    "search_observations",
    "several_sources",
    "several_trials",
    "subject_of",
    "tokens_of",
]

_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_OUTSIDE = "outside that time"
Table = Mapping[tuple[str, str], CodeRow]


class _Coding(msgspec.Struct):
    system: str = ""
    code: str = ""


class _Codeable(msgspec.Struct):
    coding: list[_Coding] = []


class _Reference(msgspec.Struct):
    reference: str = ""
    identifier: msgspec.Raw = msgspec.Raw(b"")


class _Component(msgspec.Struct):
    code: _Codeable = msgspec.field(default_factory=_Codeable)


class _Period(msgspec.Struct):
    start: str = ""
    end: str = ""


class _Observation(msgspec.Struct):
    identifier: list[Identifier] = []
    code: _Codeable = msgspec.field(default_factory=_Codeable)
    subject: _Reference = msgspec.field(default_factory=_Reference)
    encounter: _Reference = msgspec.field(default_factory=_Reference)
    device: _Reference = msgspec.field(default_factory=_Reference)
    effectiveDateTime: str = ""
    effectiveInstant: str = ""
    effectivePeriod: _Period | None = None
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
        kept: resources to be read.
        not_asked: how many were left out, by reason as a phrase.
        sightings: the PEEP readings among those kept.
        devices: references of the devices of those kept.
        moments: first and last instant of each of those kept; None where it stays in at any time.
    """

    kept: list[FoundEntry] = field(default_factory=list)
    not_asked: Counter[str] = field(default_factory=Counter)
    sightings: list[Sighting] = field(default_factory=list)
    devices: set[str] = field(default_factory=set)
    moments: list[tuple[float, float] | None] = field(default_factory=list)

    def within(self, start_s: float, end_s: float) -> Filtered:
        """The same, of a shorter time [s since 1970-01-01T00:00:00Z]; what stays in at any time stays in."""
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
        asked: what was asked.
        table: the codes that are understood, a site's own among them.
    """
    sieved = Filtered()
    for entry in entries:
        if entry.head.resource_type != "Observation":
            sieved.not_asked[f"of type {entry.head.resource_type[:40]}"] += 1
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
        sieved.moments.append(None if _is_of_any_time(meanings) else moment)
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


def _meanings(observation: _Observation, table: Table) -> set[Quantity | HeightKind | SexKind | None]:
    """What its codes stand for; empty where none is known."""
    concepts = [observation.code, *[component.code for component in observation.component]]
    rows = (table.get((coding.system, coding.code)) for concept in concepts for coding in concept.coding)
    return {row.meaning for row in rows if row is not None}


def _reason(
    observation: _Observation,
    meanings: set[Quantity | HeightKind | SexKind | None],
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


def _is_of_any_time(meanings: set[Quantity | HeightKind | SexKind | None]) -> bool:
    return any(isinstance(meaning, HeightKind | SexKind) for meaning in meanings)


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


PAGE_SIZE = 200

_OK: Final = 200
"""With this status a failure lies in what was sent, not in the network or the record."""

_TOGETHER = Budget(requests=150, resources=12_000, size_bytes=40_000_000)
"""What may be read together; each question counts what it gets of it."""


def limits_of(asked: RecordQuery) -> list[tuple[str, str]]:
    """Time and encounter as search parameters."""
    limits = [("date", f"ge{instant(asked.start_s)}"), ("date", f"le{instant(asked.end_s)}")]
    if asked.encounter is not None:
        limits.append(("encounter", asked.encounter))
    return limits


async def cached_search(
    record: RecordClient,
    asked: RecordQuery,
    limits: Sequence[tuple[str, str]],
    code: tuple[str, str],
    *,
    budget: Budget,
    waiting: Waiting,
    together: bool = True,
) -> Found | ReadFailure | TooMuch:
    """Search, or share a search of the same view.

    Args:
        record: the client, with its view_cache where a view reads together.
        asked: whose, and of which time.
        limits: further search parameters; of time and encounter as `limits_of` gives them, or none.
        code: search parameter of the codes, and its value.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
        together: whether a longer time may be read in its place, for other questions of the same view.
    """

    async def sent(more: Sequence[tuple[str, str]], own: Budget) -> Found | ReadFailure | TooMuch:
        query = [("patient", asked.patient), code, *more, ("_count", str(PAGE_SIZE))]
        return await search(record, "Observation", query, budget=own, waiting=waiting)

    view_cache = record.view_cache
    if view_cache is None:
        return await sent(limits, budget)
    timed = list(limits) == limits_of(asked)
    reach_s = view_cache.reach_s if timed and together else 0.0
    wide = limits_of(replace(asked, start_s=min(asked.start_s, asked.end_s - reach_s))) if timed else list(limits)
    found = await view_cache.once((asked.patient, code, *wide), lambda: sent(wide, replace(_TOGETHER)))
    if isinstance(found, TooMuch):
        return await sent(limits, budget)
    if isinstance(found, ReadFailure):
        longer_is_broken = found.status == _OK and wide != list(limits)
        return await sent(limits, budget) if longer_is_broken else found
    mine = replace(found, entries=[one for one in found.entries if not timed or _overlaps(one.resource, asked)])
    # Pages of the time that others asked for are not counted: a question alone would not have read them.
    budget.requests -= min(mine.pages, 1 + len(mine.entries) // PAGE_SIZE)
    budget.resources -= len(mine.entries)
    budget.size_bytes -= sum(len(one.resource) for one in mine.entries)
    if budget.resources < 0 or budget.size_bytes < 0:
        return TooMuch("more resources, or longer ones, than may be read")
    return mine


def _overlaps(resource: bytes, asked: RecordQuery) -> bool:
    moment = moment_of(resource)
    return moment is None or (moment[1] >= asked.start_s and moment[0] <= asked.end_s)


CODES_LENGTH = 1_500
"""Longest list of codes in one search [characters as sent], so that the whole address stays short."""

NO_COMPONENTS = "it cannot be searched by components, so that readings in panels under another code were not read"
"""What is told as a remark of a record that has neither parameter by which a component is found."""

_NO_SUCH_PARAMETER = frozenset({400, 404, 405, 422, 501})


def tokens_of(table: Mapping[tuple[str, str], CodeRow]) -> tuple[list[str], list[str]]:
    """Codes of heights and of sex, and of everything else that is used, as search tokens.

    Args:
        table: the codes that are understood, a site's own among them.
    """
    personal = [
        f"{system}|{code}" for (system, code), row in table.items() if isinstance(row.meaning, HeightKind | SexKind)
    ]
    others = [
        f"{system}|{code}"
        for (system, code), row in table.items()
        if row.meaning is not None and not isinstance(row.meaning, HeightKind | SexKind)
    ]
    return sorted(personal), sorted(others)


async def search_observations(
    record: RecordClient,
    asked: RecordQuery,
    tokens: Sequence[str],
    limits: Sequence[tuple[str, str]],
    *,
    budget: Budget,
    waiting: Waiting,
    parameter: str = "combo-code",
    together: bool = True,
) -> list[Found]:
    """One search for each portion of the codes.

    Args:
        record: the client.
        asked: whose.
        tokens: codes, as search tokens.
        limits: further search parameters.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
        parameter: by which the codes are searched for; `combo-code` gives way to `code` and `component-code` where the
            record refuses it.
        together: whether a longer time may be read in its place, for other questions of the same view.

    Raises:
        Rejected: the record failed, or holds too much.
    """
    found = []
    searched = partial(cached_search, record, asked, limits, budget=budget, waiting=waiting, together=together)
    within = True
    for portion in _portions(tokens):
        result = await searched((parameter, any_of(portion)))
        if parameter == "combo-code" and _refuses_the_parameter(result):
            parameter = "code"
            result = await searched((parameter, any_of(portion)))
        found.append(_usable(result))
        if parameter == "code" and within:
            result = await searched(("component-code", any_of(portion)))
            within = not _refuses_the_parameter(result)
            found.append(_usable(result) if within else Found(remarks=[NO_COMPONENTS]))
    return found


def _refuses_the_parameter(result: Found | ReadFailure | TooMuch) -> bool:
    return isinstance(result, ReadFailure) and result.status in _NO_SUCH_PARAMETER


def _usable(result: Found | ReadFailure | TooMuch) -> Found:
    if isinstance(result, TooMuch):
        raise Rejected((too_much(result),))
    if isinstance(result, ReadFailure):
        raise Rejected((not_read("Observations", result),))
    return result


def _portions(tokens: Iterable[str]) -> list[list[str]]:
    portions: list[list[str]] = []
    length = 0
    for token in tokens:
        size = len(quote(token, safe="")) + 3
        if not portions or length + size > CODES_LENGTH:
            portions.append([])
            length = 0
        portions[-1].append(token)
        length += size
    return portions


def each_once(found: Iterable[Found], base: str) -> list[FoundEntry]:
    """An Observation with codes of two portions comes twice; it is one input.

    Args:
        found: the results of several searches.
        base: base address of the record, for entries without a fullUrl.
    """
    seen: dict[tuple[str, str, str], FoundEntry] = {}
    nameless = []
    for entry in (entry for one in found for entry in one.entries):
        if entry.head.id:
            if not entry.full_url:
                entry = FoundEntry(f"{base}/{entry.head.resource_type}/{entry.head.id}", entry.head, entry.resource)
            seen.setdefault((entry.head.resource_type, entry.head.id, entry.head.meta.version_id), entry)
        else:
            nameless.append(entry)
    return [*seen.values(), *nameless]


def remarks_of(found: Iterable[Found]) -> list[str]:
    """What the record said beside the results, as plain sentences."""
    said = sorted({remark for page in found for remark in page.remarks})
    return [f"The record made a remark on the search ({remark})." for remark in said]


_OTHER = frozenset({"earlier-trial", "other-limb"})
_PERIOD = "Parameters.parameter.where(name='period')"
_PATIENT = "Parameters.parameter.where(name='patient-reference')"


def several_sources(sightings: Iterable[Sighting], machines: Mapping[str, str]) -> list[Problem]:
    """Say which devices or encounters report PEEP at the same time.

    Args:
        sightings: the PEEP readings.
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
