"""What does the record hold for a question at the bedside? Patient, heights, readings, and what else it needs.

As `fetch` for the titration: one Bundle for the same reader as any request, every filter of the search applied again
here, what was not asked for counted, and a result that would not be whole refused. Beside the readings: Conditions of
any time and encounter for the questions that look for what speaks against a trial, charted positions and ventilator
modes for those that look for what happened since.

Two devices or encounters that report PEEP in turns are refused where the question rests on all PEEP of the period, and
else where they do so in its last hour: a transport ventilator of yesterday leaves open what is set today to nobody.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import msgspec

from ebbmark.fhir.bedside.changes import CHANGE_CODES
from ebbmark.fhir.bedside.operations import Operation
from ebbmark.fhir.problems import Problem, Rejected
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.references import tail_of
from ebbmark.fhir.writing.instants import instant
from ebbmark.record.asked import Asked
from ebbmark.record.choice import several_sources
from ebbmark.record.client import RecordClient
from ebbmark.record.elements import Reference
from ebbmark.record.observations import PAGE_SIZE, each_once, limits_of, remarks_of, search_observations, tokens_of
from ebbmark.record.read_problems import no_patient, not_read, too_much
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, TooMuch, search
from ebbmark.record.sieve import Sieved, Sighting, sieve
from ebbmark.record.single_reads import machines_of, read_metrics, read_one

__all__ = ["BedsideFetched", "fetch_bedside"]

LAST_S = 3600.0
"""PEEP readings of this time say which device and encounter are meant now [s]; our choice."""

_OF_ALL_PEEP = frozenset({"next-step", "compare-settings", "compare-markers"})
_OF_TRIALS = frozenset({"follow-trials"})

Table = Mapping[tuple[str, str], CodeRow]


@dataclass(frozen=True, slots=True)
class BedsideFetched:
    """What the record holds.

    Attributes:
        bundle: FHIR R4 Bundle of type collection, resources byte for byte.
        notes: what the caller must know about it, as plain sentences.
        sightings: the PEEP readings.
        machines: the device that a DeviceMetric belongs to, by the metric's reference.
    """

    bundle: bytes
    notes: tuple[str, ...]
    sightings: tuple[Sighting, ...]
    machines: Mapping[str, str]

    def several_at_once(self, start_s: float, end_s: float) -> list[Problem]:
        """Say which devices or encounters report PEEP in turns in this time [s since 1970-01-01T00:00:00Z]."""
        return several_sources([one for one in self.sightings if start_s <= one.at_s <= end_s], self.machines)


class _Entry(msgspec.Struct, rename="camel", omit_defaults=True):
    resource: msgspec.Raw
    full_url: str = ""


class _Bundle(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    type: str
    entry: list[_Entry]


class _Of(msgspec.Struct):
    subject: Reference = msgspec.field(default_factory=Reference)


async def fetch_bedside(
    asked: Asked, operation: Operation, *, record: RecordClient, table: Table, budget: Budget, waiting: Waiting
) -> BedsideFetched:
    """Read everything that the question needs.

    Args:
        asked: patient, encounter and time.
        operation: the question.
        record: the client.
        table: the codes that are understood, a site's own among them.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.

    Raises:
        Rejected: the patient is not there, the record failed, it holds too much, or two devices or encounters report
            PEEP in turns.
    """
    patient = await read_one(asked.patient, record=record, budget=budget, waiting=waiting)
    if isinstance(patient, ReadFailure):
        raise Rejected((no_patient(patient),))
    heights, mechanics = tokens_of(table)
    changes = CHANGE_CODES if operation.reads_changes else {}
    charted = [*mechanics, *[f"{system}|{code}" for system, code in changes]]
    pages = await search_observations(record, asked, heights, (), budget=budget, waiting=waiting)
    pages += await search_observations(record, asked, charted, limits_of(asked), budget=budget, waiting=waiting)
    sieved = sieve(each_once(pages, record.settings.base_url.rstrip("/")), asked, {**table, **changes})
    metrics, unread = await read_metrics(sieved.devices, record=record, budget=budget, waiting=waiting)
    conditions: list[FoundEntry] = []
    if operation.reads_conditions:
        found = await _conditions(asked, record, budget, waiting)
        conditions = _of_patient(found.entries, asked, sieved.not_asked)
        pages.append(found)
    entries = [
        _Entry(msgspec.Raw(one.resource), one.full_url) for one in (patient, *metrics, *sieved.kept, *conditions)
    ]
    fetched = BedsideFetched(
        bundle=msgspec.json.encode(_Bundle("collection", entries)),
        notes=(*_notes(asked, operation, sieved, len(conditions)), *remarks_of(pages), *unread),
        sightings=tuple(sieved.sightings),
        machines=machines_of(metrics),
    )
    _refuse_several(asked, operation, fetched)
    return fetched


def _refuse_several(asked: Asked, operation: Operation, fetched: BedsideFetched) -> None:
    if operation.slug in _OF_TRIALS:
        return  # judged for each trial, once it is known which there are
    start_s = asked.start_s if operation.slug in _OF_ALL_PEEP else asked.end_s - LAST_S
    problems = fetched.several_at_once(start_s, asked.end_s)
    if problems:
        raise Rejected(tuple(problems))


async def _conditions(asked: Asked, record: RecordClient, budget: Budget, waiting: Waiting) -> Found:
    """All Conditions, whatever their status: one that is refuted or over is told, and never passed over.

    Raises:
        Rejected: they could not be read. Without them a contraindication would pass for one that is not documented.
    """
    query = [("patient", asked.patient), ("_count", str(PAGE_SIZE))]
    found = await search(record, "Condition", query, budget=budget, waiting=waiting)
    if isinstance(found, TooMuch):
        raise Rejected((too_much(found),))
    if isinstance(found, ReadFailure):
        raise Rejected((not_read("Conditions", found),))
    return found


def _of_patient(entries: Iterable[FoundEntry], asked: Asked, not_asked: Counter[str]) -> list[FoundEntry]:
    kept = []
    for entry in entries:
        if entry.head.resource_type != "Condition":
            not_asked[f"of type {entry.head.resource_type[:40]}"] += 1
            continue
        try:
            subject = msgspec.json.decode(entry.resource, type=_Of).subject.reference
        except msgspec.DecodeError:
            subject = ""  # the reader names what is wrong with it
        if subject and tail_of(subject) != asked.patient:
            not_asked["that are Conditions of another patient"] += 1
        else:
            kept.append(entry)
    return kept


def _notes(asked: Asked, operation: Operation, sieved: Sieved, conditions: int) -> list[str]:
    of_encounter = f" of {asked.encounter}" if asked.encounter else ""
    any_time = "with the heights of any time" + (
        f" and {conditions} Conditions of any time and encounter" if operation.reads_conditions else ""
    )
    notes = [
        f"Read from the record: {len(sieved.kept)} Observations{of_encounter} from {instant(asked.start_s)} to "
        f"{instant(asked.end_s)}, {any_time}."
    ]
    notes += [
        f"Not read, though the record sent them: {count} resources {reason}."
        for reason, count in sorted(sieved.not_asked.items())
    ]
    return notes
