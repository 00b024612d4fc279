"""CDS Hooks prefetch: judge what the caller brought, and fetch what is missing.

A caller who brings data (CDS Hooks calls it prefetch) sends for each part what a search of the record would have given.
A part that is cut short would look like a whole one: it counts as not brought, unless it came newest first and reaches
back beyond the time that is looked at.

Source: CDS Hooks 2.0, "Prefetch Template": a key that is absent was not satisfied; null means that there is no data; an
OperationOutcome means that getting it failed, and is there to spare the service a query that would fail too; results
may be paged.

What is missing is fetched with the access that the caller gave for this one question. Where that cannot be had, it is
said which key is missing: never is a part used as if it were the whole.

Source: CDS Hooks 2.0, "Providing FHIR Resources to a CDS Service".
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise

import msgspec

from ebbmark.fhir.model import RESOURCE_TYPES
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected, word_shown
from ebbmark.fhir.reading.codes import CodeRow, HeightKind, SexKind, WeightKind, is_rhythm
from ebbmark.fhir.reading.events import CHANGE_CODES
from ebbmark.physiology.readings import Quantity
from ebbmark.record.clinical_resources import (
    NO_COMPONENTS,
    RecordSearch,
    each_once,
    is_searched,
    limits_of,
    procedure_query,
    remarks_of,
    search_observations,
    usable,
)
from ebbmark.record.fetch import Fetched, texts_of, with_changes
from ebbmark.record.record_query import (
    Filtered,
    RecordQuery,
    Table,
    moment_of,
    post_filter,
    several_sources,
    subject_of,
)
from ebbmark.record.search import (
    Budget,
    Found,
    FoundEntry,
    Head,
    Page,
    ReadFailure,
    TooMuch,
    machines_of,
    read_metrics,
    search,
    take,
)

CIRCULATION_S = 2 * 3600.0
"""How far back circulation and saturation are looked at [s]: they tell whether a trial in progress should stop, and
monitors chart them every minute. Our choice."""

_CIRCULATION = frozenset(
    {
        Quantity.SPO2,
        Quantity.MEAN_ARTERIAL_PRESSURE,
        Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
        Quantity.HEART_RATE,
    }
)
_NULL = b"null"


class Part(Enum):
    """One part of what an answer needs: its key, what it is in words, the most results asked for, whether needed."""

    PATIENT = ("patient", "the Patient", 1, True)
    HEIGHTS = ("heights", "body heights and sex", 50, True)
    MECHANICS = ("mechanics", "ventilator settings and measurements", 1000, True)
    PANELS = ("panels", "ventilator readings and blood pressures in panels under another code", 1000, False)
    CIRCULATION = ("circulation", "saturation, arterial pressure, heart rate and heart rhythm", 400, False)
    CONDITIONS = ("conditions", "Conditions", 200, False)
    PROCEDURES = ("procedures", "Procedures such as extracorporeal support", 50, False)

    def __init__(self, key: str, words: str, most: int, needed: bool) -> None:
        self.key = key
        self.words = words
        self.most = most
        self.needed = needed


_OTHER_KINDS = {Part.CONDITIONS: "Condition", Part.PROCEDURES: "Procedure"}


@dataclass(frozen=True, slots=True)
class Prefetched:
    """One part as the caller sent it.

    Attributes:
        found: what it holds; None where it cannot be used.
        why_not: why it cannot, as a clause; empty where it can.
        final: whether asking the record for it is pointless: the caller tried, and failed.
    """

    found: Found | None
    why_not: str = ""
    final: bool = False


def part_tokens(part: Part, table: Mapping[tuple[str, str], CodeRow]) -> list[str]:
    """The codes of a part as search tokens, `system|code`; none for what is no Observation."""

    def wanted(row: CodeRow) -> bool:
        meaning = row.meaning
        if meaning is None:
            return part is Part.CIRCULATION and is_rhythm(row)
        if isinstance(meaning, HeightKind | SexKind):
            return part is Part.HEIGHTS
        if isinstance(meaning, WeightKind):  # charted day by day: with the heights, they would be more than are sent
            return part in (Part.MECHANICS, Part.PANELS)
        # Arterial pressures stand in panels, too: mean and systolic pressure under the code of a blood pressure.
        return part in (Part.CIRCULATION if meaning in _CIRCULATION else Part.MECHANICS, Part.PANELS)

    changes = [*CHANGE_CODES] if part in (Part.MECHANICS, Part.PANELS) else []
    keys = {*[key for key, row in table.items() if is_searched(key, row) and wanted(row)], *changes}
    return sorted(f"{system}|{code}" for system, code in keys)


def prefetched(part: Part, sent: bytes | None, asked: RecordQuery, base_url: str) -> Prefetched:
    """Read one part.

    Args:
        sent: JSON as received; None where the key is absent.
        base_url: FHIR base address of the caller's record, to name resources by; empty where not said.

    Raises:
        Rejected: it is neither what was asked for nor a sign that there is none, or it is of another patient.
    """
    if sent is None:
        return Prefetched(None, "the key was not sent")
    if sent.strip() == _NULL:
        if part is Part.PATIENT:
            return Prefetched(None, "the caller says that it has no such Patient")
        return Prefetched(Found())
    kind = word_shown(_kind_of(sent, part), RESOURCE_TYPES, "another type of resource")
    if kind == "OperationOutcome":
        return Prefetched(None, "the caller sent an OperationOutcome instead", final=True)
    if part is Part.PATIENT:
        return _patient(sent, kind, asked, base_url)
    if kind != "Bundle":
        raise Rejected((_unusable(part, kind, "a Bundle of type searchset"),))
    return _results(part, sent, asked)


def _kind_of(sent: bytes, part: Part) -> str:
    try:
        return msgspec.json.decode(sent, type=Head).resource_type
    except msgspec.DecodeError:
        accepted = "a Patient" if part is Part.PATIENT else "a Bundle of type searchset"
        raise Rejected((_unusable(part, "something that is no FHIR resource", accepted),)) from None


def _patient(sent: bytes, kind: str, asked: RecordQuery, base_url: str) -> Prefetched:
    head = msgspec.json.decode(sent, type=Head)
    if kind != "Patient":
        raise Rejected((_unusable(Part.PATIENT, kind, "a Patient"),))
    if f"Patient/{head.id}" != asked.patient:
        raise Rejected((_of_another(Part.PATIENT),))
    full_url = f"{base_url.rstrip('/')}/{asked.patient}" if base_url else ""
    return Prefetched(Found([FoundEntry(full_url, head, sent)], pages=1))


def _results(part: Part, sent: bytes, asked: RecordQuery) -> Prefetched:
    try:
        page = msgspec.json.decode(sent, type=Page)
    except msgspec.DecodeError:
        raise Rejected((_unusable(part, "a Bundle that cannot be read", "a Bundle of type searchset"),)) from None
    if page.type not in ("searchset", "collection"):
        raise Rejected((_unusable(part, "a Bundle of another type", "a Bundle of type searchset"),))
    found = Found(pages=1)
    failure = take(page, found, set(), Budget())
    if isinstance(failure, TooMuch):
        return Prefetched(None, f"the key holds {failure.what}")
    if isinstance(failure, ReadFailure):
        if "not a resource" in failure.sentence:
            raise Rejected((_unusable(part, "an entry that is no FHIR resource", "Observations"),))
        return Prefetched(None, "the caller's search failed in part", final=True)
    if any(
        entry.head.resource_type in ("Observation", "Condition", "Procedure")
        and subject_of(entry.resource) not in ("", asked.patient)
        for entry in found.entries
    ):
        raise Rejected((_of_another(part),))
    if _may_be_cut(part, page, found) and not _reaches_back(part, found, asked):
        return Prefetched(None, f"the key holds a part of the results only ({len(found.entries)} of them)")
    return Prefetched(found)


def _may_be_cut(part: Part, page: Page, found: Found) -> bool:
    if page.following:
        return True
    if page.total is not None:
        return page.total > len(found.entries)
    return len(found.entries) >= part.most


def _reaches_back(part: Part, found: Found, asked: RecordQuery) -> bool:
    """Whether a part that came newest first goes back beyond the time looked at; some are of any time."""
    if part in (Part.HEIGHTS, Part.CONDITIONS, Part.PROCEDURES):
        return False
    since_s = asked.end_s - CIRCULATION_S if part is Part.CIRCULATION else asked.start_s
    moments = [moment_of(entry.resource) for entry in found.entries]
    known = [moment for moment in moments if moment is not None]
    if not known or len(known) < len(moments) or known[-1][0] >= since_s:
        return False
    return any(all(later[end] >= earlier[end] for later, earlier in pairwise(known)) for end in (0, 1))


def _unusable(part: Part, found: str, accepted: str) -> Problem:
    sentence = f"The prefetch key {part.key} holds {found}; needed is {accepted}, null, or an OperationOutcome."
    return Problem(ProblemKind.HOOK_REQUEST, f"prefetch.{part.key}", found, accepted, sentence)


def _of_another(part: Part) -> Problem:
    sentence = f"The prefetch key {part.key} holds data of another patient than context.patientId names."
    return Problem(
        ProblemKind.MIXED_PATIENTS, f"prefetch.{part.key}", "another patient", "the patient of the context", sentence
    )


LONGEST_OPTIONAL_S = 1.0
"""What may be missing is not waited for longer [s]; our choice."""

UNREAD = "Not read: "
"""So begins the note of a part that could not be had."""

UNREAD_TEXTS = f"{UNREAD}rows that are known by their text only, which no prefetch template finds."
"""What is told where a site names rows by text and the record could not be asked for them."""

_FETCHING = frozenset(
    {
        ProblemKind.RECORD_FAILED,
        ProblemKind.RECORD_ACCESS,
        ProblemKind.NOT_IN_RECORD,
        ProblemKind.TOO_MUCH_IN_RECORD,
    }
)


async def gather(
    reading: RecordSearch | None,
    asked: RecordQuery,
    parts: Mapping[Part, Prefetched],
    *,
    closed: str,
    table: Table,
    read: list[FoundEntry],
) -> Fetched:
    """Put together what was brought and what has to be fetched.

    Args:
        reading: of the caller's record; None where it may not be asked.
        closed: why it may not, as a clause.
        read: what the record was read for; is added to.

    Raises:
        Rejected: with every part that is missing; or two devices or encounters report PEEP at one time.
    """
    missing = [part for part in Part if parts[part].found is None]
    open_to_us = {part for part in missing if reading is not None and not parts[part].final}
    problems = [_missing(part, parts[part], closed) for part in missing if part.needed and part not in open_to_us]
    if problems:
        raise Rejected(tuple(problems))
    pages: dict[Part, list[Found]] = {part: [one.found] for part, one in parts.items() if one.found is not None}
    if {Part.MECHANICS, Part.CIRCULATION} <= open_to_us:
        # Fetching searches codes and components at once.
        open_to_us -= {Part.PANELS}
        pages.setdefault(Part.PANELS, [])
    for part in sorted(open_to_us, key=list(Part).index):
        assert reading is not None  # noqa: S101 - nothing is open to us without a record
        try:
            async with asyncio.timeout(None if part.needed else LONGEST_OPTIONAL_S):
                pages[part] = await _fetched(part, reading)
            if pages.get(Part.PANELS) == [] and any(NO_COMPONENTS in page.remarks for page in pages[part]):
                del pages[Part.PANELS]  # nobody brought them, and fetching did not find them either
            read += [entry for page in pages[part] for entry in page.entries]
        except TimeoutError:
            continue  # of an optional part only; the timeout around all of it is not caught here
        except Rejected as rejected:
            if part.needed or any(problem.kind not in _FETCHING for problem in rejected.problems):
                raise Rejected(tuple(_not_fetched(part, problem) for problem in rejected.problems)) from None
    notes = [f"{UNREAD}{part.words}." for part in Part if part not in pages]
    by_text = await _by_text(reading) if texts_of(table) else []
    read += [entry for page in by_text or [] for entry in page.entries]
    notes += [UNREAD_TEXTS] if by_text is None else []
    patient = pages.pop(Part.PATIENT)[0].entries[0]
    base = reading.record.settings.base_url.rstrip("/") if reading is not None else ""
    conditions_read = Part.CONDITIONS in pages
    conditions = [
        entry
        for part, kind in _OTHER_KINDS.items()
        for page in pages.pop(part, [])
        for entry in page.entries
        if entry.head.resource_type == kind and subject_of(entry.resource) in ("", asked.patient)
    ]
    of_all = [*(page for part in pages for page in pages[part]), *(by_text or [])]
    found = [one for one in each_once(of_all, base) if one.head.resource_type != "DeviceMetric"]
    brought_metrics = [entry for page in of_all for entry in page.entries if entry.head.resource_type == "DeviceMetric"]
    table = with_changes(table, TITRATE_PEEP)
    filtered = post_filter(found, asked, table)
    metrics, unread = await _metrics(filtered, brought_metrics, reading)
    read += [metric for metric in metrics if metric not in brought_metrics]
    several = several_sources(filtered.sightings, machines_of(metrics))
    if several:
        raise Rejected(tuple(several))
    fixed = (patient, *metrics, *conditions)
    told = (*remarks_of(of_all), *notes, *unread)
    return Fetched(asked, fixed, filtered, told, conditions_read=conditions_read)


async def _by_text(reading: RecordSearch | None) -> list[Found] | None:
    """All Observations of the time, whatever their codes; None where they cannot be had."""
    if reading is None:
        return None
    try:
        async with asyncio.timeout(LONGEST_OPTIONAL_S):
            return await search_observations(reading, None)
    except (TimeoutError, Rejected):
        return None


async def _fetched(part: Part, reading: RecordSearch) -> list[Found]:
    asked = reading.asked
    if part is Part.PATIENT:
        return [Found([await reading.patient()])]
    if part in _OTHER_KINDS:
        query = [("patient", asked.patient), ("_count", str(part.most))]
        if part is Part.PROCEDURES:
            query = procedure_query(asked, reading.procedures, part.most)
        found = await search(reading.record, _OTHER_KINDS[part], query, budget=reading.budget)
        return [usable(found, part.words)]
    limits: list[tuple[str, str]] = []
    if part is Part.CIRCULATION:
        limits = limits_of(replace(asked, start_s=asked.end_s - CIRCULATION_S))
    elif part in (Part.MECHANICS, Part.PANELS):
        limits = limits_of(asked)
    parameter = "component-code" if part is Part.PANELS else "combo-code"
    return await search_observations(reading, part_tokens(part, reading.table), limits, parameter=parameter)


async def _metrics(
    filtered: Filtered, brought: list[FoundEntry], reading: RecordSearch | None
) -> tuple[list[FoundEntry], list[str]]:
    """DeviceMetrics that tell settings from measurements: those brought, and the others from the record."""
    known = {f"DeviceMetric/{one.head.id}" for one in brought}
    wanted = {device for device in filtered.devices if not device.endswith(tuple(known) or ("\0",))}
    if reading is not None:
        metrics, unread = await read_metrics(wanted, record=reading.record, budget=reading.budget)
        return [*brought, *metrics], unread
    unread = [
        f"{one} could not be read: it may tell settings from measurements."
        for one in sorted(wanted)
        if "DeviceMetric/" in one
    ]
    return brought, unread


def _missing(part: Part, one: Prefetched, closed: str) -> Problem:
    reason = "" if one.final else f", and it cannot be fetched: {closed}"
    return _refusal(part, one.why_not, f"{one.why_not}{reason}")


def _not_fetched(part: Part, problem: Problem) -> Problem:
    if problem.kind not in _FETCHING:
        return problem
    return _refusal(part, problem.found, problem.sentence.rstrip("."))


def _refusal(part: Part, found: str, why: str) -> Problem:
    accepted = f"prefetch.{part.key}, or a fhirServer that may be asked with a token for it"
    sentence = f"What is needed of {part.words} (prefetch key {part.key}) is missing: {why}."
    return Problem(ProblemKind.PREFETCH_MISSING, f"prefetch.{part.key}", found, accepted, sentence)
