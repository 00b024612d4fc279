"""What does the record hold for a question at the bedside? Patient, heights, readings, and what else it needs.

As `fetch` for the titration: one Bundle for the same reader as any request, every filter of the search applied again
here, what was not asked for counted, and a result that would not be whole refused. Beside the readings: Conditions of
any time and encounter and vasopressors for the questions that look for what speaks against a trial, charted positions
and ventilator modes for those that look for what happened since.

Two devices or encounters that report PEEP in turns are refused where the question rests on all PEEP of the period, and
else where they do so in its last hour: a transport ventilator of yesterday leaves open what is set today to nobody.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import msgspec

from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import Problem, Rejected
from ebbmark.fhir.reading.coded_values import CHANGE_CODES
from ebbmark.fhir.reading.codes import CodeRow, is_rhythm
from ebbmark.fhir.reading.infusions import DRUG_CODES
from ebbmark.fhir.references import tail_of
from ebbmark.fhir.writing.instants import instant
from ebbmark.record.around_changes import BESIDE_S, around_changes, peep_tokens
from ebbmark.record.asked import Asked
from ebbmark.record.choice import several_sources
from ebbmark.record.client import RecordClient
from ebbmark.record.elements import Reference
from ebbmark.record.observations import PAGE_SIZE, each_once, limits_of, remarks_of, search_observations, tokens_of
from ebbmark.record.read_problems import no_patient, not_read, too_much
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, TooMuch, any_of, search
from ebbmark.record.sieve import Sieved, Sighting, sieve
from ebbmark.record.single_reads import machines_of, read_metrics, read_one
from ebbmark.record.stored import failure_of

__all__ = ["BedsideFetched", "fetch_bedside"]

LAST_S = 3600.0
"""PEEP readings of this time say which device and encounter are meant now [s]; our choice."""

_VASOPRESSORS = "Vasopressors (MedicationAdministration) were not read from the record"

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
    asked: Asked,
    operation: Operation,
    *,
    record: RecordClient,
    table: Table,
    budget: Budget,
    waiting: Waiting,
    withheld: frozenset[str] = frozenset(),
) -> BedsideFetched:
    """Read everything that the question needs.

    Args:
        asked: patient, encounter and time.
        operation: the question.
        record: the client.
        table: the codes that are understood, a site's own among them.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
        withheld: resource types that the caller may not have read.

    Raises:
        Rejected: the patient is not there, the record failed, it holds too much, or two devices or encounters report
            PEEP in turns.
    """
    patient = await read_one(asked.patient, record=record, budget=budget, waiting=waiting)
    if isinstance(patient, ReadFailure):
        raise Rejected((no_patient(patient),))
    changes = CHANGE_CODES if operation.reads_changes else {}
    table = {**table, **changes}
    observed = partial(search_observations, record, budget=budget, waiting=waiting)
    heights, mechanics = tokens_of(table)
    pages = await observed(asked, heights, ())
    if operation.slug in _OF_TRIALS:
        pages += await _around_changes(asked, mechanics, table, observed)
    else:
        rhythms = [key for key, row in table.items() if is_rhythm(row)] if operation.reads_rhythms else []
        charted = [*mechanics, *[f"{system}|{code}" for system, code in (*changes, *sorted(rhythms))]]
        pages += await observed(asked, charted, limits_of(asked))
    sieved = sieve(each_once(pages, record.settings.base_url.rstrip("/")), asked, table)
    metrics, unread = await read_metrics(sieved.devices, record=record, budget=budget, waiting=waiting)
    beside, told = await _beside(asked, operation, withheld, sieved.not_asked, record, budget, waiting)
    resources = (patient, *metrics, *sieved.kept, *beside)
    entries = [_Entry(msgspec.Raw(one.resource), one.full_url) for one in resources]
    fetched = BedsideFetched(
        bundle=msgspec.json.encode(_Bundle("collection", entries)),
        notes=(*_notes(asked, operation, sieved), *told, *remarks_of(pages), *unread),
        sightings=tuple(sieved.sightings),
        machines=machines_of(metrics),
    )
    _refuse_several(asked, operation, fetched)
    return fetched


async def _around_changes(
    asked: Asked, mechanics: Sequence[str], table: Table, observed: Callable[..., Awaitable[list[Found]]]
) -> list[Found]:
    """PEEP of the whole time, and all else around its changes: days charted by the minute would be too much."""
    # Short times on purpose: no longer one is read in their place.
    observed = partial(observed, together=False)
    peeps = peep_tokens(table)
    pages = await observed(asked, peeps, limits_of(asked))
    others = [token for token in mechanics if token not in peeps]
    for start_s, end_s in around_changes(each_once(pages, ""), table, asked):
        pages += await observed(asked, others, limits_of(replace(asked, start_s=start_s, end_s=end_s)))
    return pages


def _refuse_several(asked: Asked, operation: Operation, fetched: BedsideFetched) -> None:
    if operation.slug in _OF_TRIALS:
        return  # judged for each trial, once it is known which there are
    start_s = asked.start_s if operation.slug in _OF_ALL_PEEP else asked.end_s - LAST_S
    problems = fetched.several_at_once(start_s, asked.end_s)
    if problems:
        raise Rejected(tuple(problems))


async def _beside(
    asked: Asked,
    operation: Operation,
    withheld: frozenset[str],
    not_asked: Counter[str],
    record: RecordClient,
    budget: Budget,
    waiting: Waiting,
) -> tuple[list[FoundEntry], list[str]]:
    """What some questions look at beside Observations, and what is told of it.

    All Conditions, whatever their status: one that is refuted or over is told, and never passed over. Vasopressors of
    the period; where these cannot be read that is told, and the answer says that none is documented.

    Raises:
        Rejected: Conditions could not be read. Without them a contraindication would pass for one that is not
            documented.
    """
    if not operation.reads_conditions:
        return [], []
    of_patient = [("patient", asked.patient), ("_count", str(PAGE_SIZE))]
    conditions = await search(record, "Condition", of_patient, budget=budget, waiting=waiting)
    if isinstance(conditions, TooMuch):
        raise Rejected((too_much(conditions),))
    if isinstance(conditions, ReadFailure):
        raise Rejected((not_read("Conditions", conditions),))
    kept = _of_patient(conditions.entries, "Condition", asked, not_asked)
    told = [f"Read from the record: {len(kept)} Conditions of any time and encounter.", *remarks_of([conditions])]
    if "MedicationAdministration" in withheld:
        return kept, [*told, f"{_VASOPRESSORS}: the caller may not have them read."]
    tokens = any_of([f"{system}|{code}" for system, code in DRUG_CODES])
    query = [*of_patient, ("code", tokens), ("effective-time", f"ge{instant(asked.start_s)}")]
    infusions = await search(record, "MedicationAdministration", query, budget=budget, waiting=waiting)
    if not isinstance(infusions, Found):
        return kept, [*told, f"{_VASOPRESSORS}: {failure_of(infusions).sentence}."]
    given = _of_patient(infusions.entries, "MedicationAdministration", asked, not_asked)
    told.append(f"Read from the record: {len(given)} MedicationAdministrations of vasopressors.")
    return [*kept, *given], [*told, *remarks_of([infusions])]


def _of_patient(entries: Iterable[FoundEntry], kind: str, asked: Asked, not_asked: Counter[str]) -> list[FoundEntry]:
    kept = []
    for entry in entries:
        if entry.head.resource_type != kind:
            not_asked[f"of type {entry.head.resource_type[:40]}"] += 1
            continue
        try:
            subject = msgspec.json.decode(entry.resource, type=_Of).subject.reference
        except msgspec.DecodeError:
            subject = ""  # the reader names what is wrong with it
        if subject and tail_of(subject) != asked.patient:
            not_asked[f"that are {kind}s of another patient"] += 1
        else:
            kept.append(entry)
    return kept


def _notes(asked: Asked, operation: Operation, sieved: Sieved) -> list[str]:
    of_encounter = f" of {asked.encounter}" if asked.encounter else ""
    notes = [
        f"Read from the record: {len(sieved.kept)} Observations{of_encounter} from {instant(asked.start_s)} to "
        f"{instant(asked.end_s)}, with heights and sex of any time."
    ]
    if operation.slug in _OF_TRIALS:
        notes.append(f"Beside PEEP only what was charted within {BESIDE_S / 60:.0f} min of a change of it was read.")
    notes += [
        f"Not read, though the record sent them: {count} resources {reason}."
        for reason, count in sorted(sieved.not_asked.items())
    ]
    return notes
