"""What does the record hold of this patient's trial? The Patient, heights and ventilator Observations as one Bundle.

The Bundle goes through the same reader as any request, so that nothing is read in two ways. Searched is by `combo-code`
(a panel carries its codes in components) and, where a record refuses that parameter, by `code`. Every filter is applied
again here (`sieve`). A result that would not be whole is refused, never cut. Source: FHIR R4 search.html,
observation.html#search.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import quote

import msgspec

from ebbmark.fhir.codes import CodeRow, HeightKind
from ebbmark.fhir.instants import instant
from ebbmark.fhir.problems import Rejected
from ebbmark.record.asked import Asked
from ebbmark.record.choice import several_sources
from ebbmark.record.client import RecordClient
from ebbmark.record.read_problems import no_patient, not_read, too_much
from ebbmark.record.reading import ReadFailure, Waiting, read_json
from ebbmark.record.searching import Budget, Found, FoundEntry, Head, TooMuch, any_of, search
from ebbmark.record.sieve import Sieved, sieve

__all__ = ["Fetched", "fetch_trial"]

CODES_LENGTH = 1_500
"""Longest list of codes in one search [characters as sent], so that the whole address stays short."""

PAGE_SIZE = 200
MOST_METRICS = 20
_NO_SUCH_PARAMETER = frozenset({400, 404, 405, 422, 501})


@dataclass(frozen=True, slots=True)
class Fetched:
    """What the record holds.

    Attributes:
        bundle: FHIR R4 Bundle of type collection; resources byte for byte as the record sent them.
        notes: what the caller must know about how it was come by, as plain sentences.
    """

    bundle: bytes
    notes: tuple[str, ...]


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str
    resource: msgspec.Raw


class _Bundle(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    type: str
    entry: list[_Entry]


class _Reference(msgspec.Struct):
    reference: str = ""


class _Metric(msgspec.Struct):
    source: _Reference = msgspec.field(default_factory=_Reference)
    parent: _Reference = msgspec.field(default_factory=_Reference)


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
    base = record.settings.base_url.rstrip("/")
    patient = await _read(asked.patient, record, budget, waiting)
    if isinstance(patient, ReadFailure):
        raise Rejected((no_patient(patient),))
    heights, mechanics = _tokens(table)
    found = await _searched(record, asked, heights, [], budget, waiting)
    found += await _searched(record, asked, mechanics, _limits(asked), budget, waiting)
    sieved = sieve(_each_once(found), asked, table)
    metrics, unread = await _metrics(sieved, record, budget, waiting)
    problems = several_sources(sieved.sightings, _machines(metrics))
    if problems:
        raise Rejected(tuple(problems))
    entries = [patient, *metrics, *sieved.kept]
    bundle = _Bundle(
        "collection",
        [
            _Entry(one.full_url or f"{base}/{one.head.resource_type}/{one.head.id}", msgspec.Raw(one.resource))
            for one in entries
        ],
    )
    return Fetched(msgspec.json.encode(bundle), (*_notes(asked, sieved, found), *unread))


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


def _each_once(found: Iterable[Found]) -> list[FoundEntry]:
    """An Observation with codes of two portions comes twice; it is one input."""
    seen: dict[tuple[str, str, str], FoundEntry] = {}
    nameless = []
    for entry in (entry for one in found for entry in one.entries):
        if entry.head.id:
            seen.setdefault((entry.head.resource_type, entry.head.id, entry.head.meta.version_id), entry)
        else:
            nameless.append(entry)
    return [*seen.values(), *nameless]


async def _read(reference: str, record: RecordClient, budget: Budget, waiting: Waiting) -> FoundEntry | ReadFailure:
    """One resource; the reply must be the one that was asked for."""
    if budget.requests <= 0:
        return ReadFailure("more would have to be read than is allowed", None)
    budget.requests -= 1
    raw = await read_json(record, reference, msgspec.Raw, waiting=waiting)
    if isinstance(raw, ReadFailure):
        return raw
    try:
        head = msgspec.json.decode(raw, type=Head)
    except msgspec.DecodeError:
        return ReadFailure("the reply was not a resource", 200)
    if f"{head.resource_type}/{head.id}" != reference:
        return ReadFailure("the reply was another resource than the one asked for", 200)
    return FoundEntry(f"{record.settings.base_url.rstrip('/')}/{reference}", head, bytes(raw))


async def _metrics(
    sieved: Sieved, record: RecordClient, budget: Budget, waiting: Waiting
) -> tuple[list[FoundEntry], list[str]]:
    """DeviceMetrics that tell settings from measurements; one that cannot be read is named, and nothing is guessed."""
    base = record.settings.base_url.rstrip("/") + "/"
    wanted = sorted({device.removeprefix(base) for device in sieved.devices})
    wanted = [reference for reference in wanted if reference.startswith("DeviceMetric/")]
    metrics, notes = [], []
    for reference in wanted[:MOST_METRICS]:
        found = await _read(reference, record, budget, waiting)
        if isinstance(found, ReadFailure):
            notes.append(f"{reference} could not be read ({found.sentence}): it may tell settings from measurements.")
        else:
            metrics.append(found)
    if len(wanted) > MOST_METRICS:
        notes.append(f"{len(wanted) - MOST_METRICS} DeviceMetrics beyond the first {MOST_METRICS} were not read.")
    return metrics, notes


def _machines(metrics: Iterable[FoundEntry]) -> dict[str, str]:
    machines = {}
    for entry in metrics:
        try:
            metric = msgspec.json.decode(entry.resource, type=_Metric)
        except msgspec.DecodeError:
            continue
        name = metric.source.reference or metric.parent.reference
        machines[f"DeviceMetric/{entry.head.id}"] = machines[entry.full_url] = name
    return machines


def _notes(asked: Asked, sieved: Sieved, found: Iterable[Found]) -> list[str]:
    of_encounter = f" of {asked.encounter}" if asked.encounter else ""
    notes = [
        f"Read from the record: {len(sieved.kept)} Observations{of_encounter} from {instant(asked.start_s)} to "
        f"{instant(asked.end_s)}, with the heights of any time."
    ]
    notes += [
        f"The record also sent {count} resources {reason}, which were not asked for and not read."
        for reason, count in sorted(sieved.not_asked.items())
    ]
    remarks = sorted({remark for one in found for remark in one.remarks})
    notes += [f"The record made a remark on the search ({remark})." for remark in remarks]
    return notes
