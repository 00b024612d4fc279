"""What does the record hold of this patient's trial? The Patient, heights and ventilator Observations as one Bundle.

The Bundle goes through the same reader as any request, so that nothing is read in two ways. Every filter of the search
(`observations`) is applied again here (`sieve`). A result that would not be whole is refused, never cut.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import msgspec

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.writing.instants import instant
from ebbmark.record.asked import Asked
from ebbmark.record.choice import several_sources
from ebbmark.record.client import RecordClient
from ebbmark.record.observations import each_once, limits_of, remarks_of, search_observations, tokens_of
from ebbmark.record.read_problems import no_patient
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, FoundEntry
from ebbmark.record.sieve import Sieved, sieve
from ebbmark.record.single_reads import machines_of, read_metrics, read_one

__all__ = ["Fetched", "fetch_trial"]


@dataclass(frozen=True, slots=True)
class Fetched:
    """What the record holds.

    Attributes:
        asked: what was asked for.
        fixed: the Patient and the DeviceMetrics.
        found: Observations as the record sent them, each version once.
        remarks: what the record said beside them, and what could not be read, as plain sentences.
        table: the codes that are understood.
        sieved: what of it was asked for, where that is known already.
    """

    asked: Asked
    fixed: tuple[FoundEntry, ...]
    found: tuple[FoundEntry, ...]
    remarks: tuple[str, ...]
    table: Mapping[tuple[str, str], CodeRow]
    sieved: Sieved | None = None

    def within(self, start_s: float, end_s: float) -> Fetched:
        """The same, of a shorter time [s since 1970-01-01T00:00:00Z]; heights are of any time."""
        shorter = replace(self.asked, start_s=max(start_s, self.asked.start_s), end_s=min(end_s, self.asked.end_s))
        sieved = self.sieved.within(shorter.start_s, shorter.end_s) if self.sieved is not None else None
        return replace(self, asked=shorter, sieved=sieved)

    def bundle(self) -> tuple[bytes, tuple[str, ...]]:
        """A FHIR R4 Bundle of type collection, resources byte for byte, and what the caller must know about it."""
        sieved = self.sieved or sieve(self.found, self.asked, self.table)
        entries = [_Entry(one.full_url, msgspec.Raw(one.resource)) for one in (*self.fixed, *sieved.kept)]
        return msgspec.json.encode(_Bundle("collection", entries)), (*_notes(self.asked, sieved), *self.remarks)


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str
    resource: msgspec.Raw


class _Bundle(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    type: str
    entry: list[_Entry]


async def fetch_trial(
    asked: Asked,
    *,
    record: RecordClient,
    table: Mapping[tuple[str, str], CodeRow],
    budget: Budget,
    waiting: Waiting,
) -> Fetched:
    """Read everything that the question needs.

    Args:
        asked: patient, encounter and time.
        record: the client.
        table: the codes that are understood, a site's own among them.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.

    Raises:
        Rejected: the patient is not there, the record failed, it holds too much, or two trials lie among one another.
    """
    patient = await read_one(asked.patient, record=record, budget=budget, waiting=waiting)
    if isinstance(patient, ReadFailure):
        raise Rejected((no_patient(patient),))
    heights, mechanics = tokens_of(table)
    pages = await search_observations(record, asked, heights, (), budget=budget, waiting=waiting)
    pages += await search_observations(record, asked, mechanics, limits_of(asked), budget=budget, waiting=waiting)
    found = each_once(pages, record.settings.base_url.rstrip("/"))
    sieved = sieve(found, asked, table)
    metrics, unread = await read_metrics(sieved.devices, record=record, budget=budget, waiting=waiting)
    problems = several_sources(sieved.sightings, machines_of(metrics))
    if problems:
        raise Rejected(tuple(problems))
    return Fetched(asked, (patient, *metrics), tuple(found), (*remarks_of(pages), *unread), table, sieved)


def _notes(asked: Asked, sieved: Sieved) -> list[str]:
    of_encounter = f" of {asked.encounter}" if asked.encounter else ""
    notes = [
        f"Read from the record: {len(sieved.kept)} Observations{of_encounter} from {instant(asked.start_s)} to "
        f"{instant(asked.end_s)}, with heights and sex of any time."
    ]
    notes += [
        f"Not read, though the record sent them: {count} resources {reason}."
        for reason, count in sorted(sieved.not_asked.items())
    ]
    return notes
