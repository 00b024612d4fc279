"""What does the record hold of this patient's trial? The Patient, heights and ventilator Observations as one Bundle.

The Bundle goes through the same reader as any request, so that nothing is read in two ways. Searched is by `combo-code`
(a panel carries its codes in components) and, where a record refuses that parameter, by `code`. Every filter is applied
again here (`sieve`). A result that would not be whole is refused, never cut. Source: FHIR R4 search.html,
observation.html#search.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from urllib.parse import quote

import msgspec

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.codes import CodeRow, HeightKind
from ebbmark.fhir.writing.instants import instant
from ebbmark.record.asked import Asked
from ebbmark.record.choice import several_sources
from ebbmark.record.client import RecordClient
from ebbmark.record.read_problems import no_patient, not_read, too_much
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, TooMuch, any_of, search
from ebbmark.record.sieve import Sieved, sieve
from ebbmark.record.single_reads import machines_of, read_metrics, read_one

__all__ = ["Fetched", "fetch_trial"]

CODES_LENGTH = 1_500
"""Longest list of codes in one search [characters as sent], so that the whole address stays short."""

PAGE_SIZE = 200
_NO_SUCH_PARAMETER = frozenset({400, 404, 405, 422, 501})


@dataclass(frozen=True, slots=True)
class Fetched:
    """What the record holds.

    Attributes:
        asked: what was asked for.
        fixed: the Patient and the DeviceMetrics.
        found: Observations as the record sent them, each version once.
        remarks: what the record said beside them, and what could not be read, as plain sentences.
        table: the codes that are understood.
    """

    asked: Asked
    fixed: tuple[FoundEntry, ...]
    found: tuple[FoundEntry, ...]
    remarks: tuple[str, ...]
    table: Mapping[tuple[str, str], CodeRow]

    def within(self, start_s: float, end_s: float) -> Fetched:
        """The same, of a shorter time [s since 1970-01-01T00:00:00Z]; heights are of any time."""
        shorter = replace(self.asked, start_s=max(start_s, self.asked.start_s), end_s=min(end_s, self.asked.end_s))
        return replace(self, asked=shorter)

    def bundle(self) -> tuple[bytes, tuple[str, ...]]:
        """A FHIR R4 Bundle of type collection, resources byte for byte, and what the caller must know about it."""
        sieved = sieve(self.found, self.asked, self.table)
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
    heights, mechanics = _tokens(table)
    pages = await _searched(record, asked, heights, [], budget, waiting)
    pages += await _searched(record, asked, mechanics, _limits(asked), budget, waiting)
    found = _each_once(pages, record.settings.base_url.rstrip("/"))
    sieved = sieve(found, asked, table)
    metrics, unread = await read_metrics(sieved.devices, record=record, budget=budget, waiting=waiting)
    problems = several_sources(sieved.sightings, machines_of(metrics))
    if problems:
        raise Rejected(tuple(problems))
    said = sorted({remark for page in pages for remark in page.remarks})
    remarks = [f"The record made a remark on the search ({remark})." for remark in said]
    return Fetched(asked, (patient, *metrics), tuple(found), (*remarks, *unread), table)


def _tokens(table: Mapping[tuple[str, str], CodeRow]) -> tuple[list[str], list[str]]:
    """Codes of heights, and of everything else that is used, as search tokens."""
    heights = [f"{system}|{code}" for (system, code), row in table.items() if isinstance(row.meaning, HeightKind)]
    others = [
        f"{system}|{code}"
        for (system, code), row in table.items()
        if row.meaning is not None and not isinstance(row.meaning, HeightKind)
    ]
    return sorted(heights), sorted(others)


def _limits(asked: Asked) -> list[tuple[str, str]]:
    limits = [("date", f"ge{instant(asked.start_s)}"), ("date", f"le{instant(asked.end_s)}")]
    if asked.encounter is not None:
        limits.append(("encounter", asked.encounter))
    return limits


async def _searched(
    record: RecordClient,
    asked: Asked,
    tokens: list[str],
    limits: list[tuple[str, str]],
    budget: Budget,
    waiting: Waiting,
) -> list[Found]:
    """One search for each portion of the codes."""
    parameter = "combo-code"
    found = []
    for portion in _portions(tokens):

        def query(name: str, portion: list[str] = portion) -> list[tuple[str, str]]:
            fixed = [("patient", asked.patient), (name, any_of(portion)), *limits]
            return [*fixed, ("_count", str(PAGE_SIZE))]

        result = await search(record, "Observation", query(parameter), budget=budget, waiting=waiting)
        if isinstance(result, ReadFailure) and result.status in _NO_SUCH_PARAMETER and parameter != "code":
            parameter = "code"
            result = await search(record, "Observation", query(parameter), budget=budget, waiting=waiting)
        if isinstance(result, TooMuch):
            raise Rejected((too_much(result),))
        if isinstance(result, ReadFailure):
            raise Rejected((not_read("Observations", result),))
        found.append(result)
    return found


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


def _each_once(found: Iterable[Found], base: str) -> list[FoundEntry]:
    """An Observation with codes of two portions comes twice; it is one input."""
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


def _notes(asked: Asked, sieved: Sieved) -> list[str]:
    of_encounter = f" of {asked.encounter}" if asked.encounter else ""
    notes = [
        f"Read from the record: {len(sieved.kept)} Observations{of_encounter} from {instant(asked.start_s)} to "
        f"{instant(asked.end_s)}, with the heights of any time."
    ]
    notes += [
        f"Not read, though the record sent them: {count} resources {reason}."
        for reason, count in sorted(sieved.not_asked.items())
    ]
    return notes
