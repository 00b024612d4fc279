"""Search for Observations, Conditions, Procedures and vasopressors of one patient: as the record sent them.

Observations, each version once, are searched by `combo-code` (a panel carries its codes in components) and, where a
record refuses that parameter, by `code` and by `component-code`; where it has neither for components, that is told.
What comes back is filtered again (`post_filter`). Within one view a search is shared (`_cached_search`): a search of a
longer time holds all of a shorter one; of it is given what the record would have sent for the shorter: an Observation
that overlaps with it (FHIR R4 search.html#date), and one whose time cannot be read. A longer search that fails for
what the record sent of it says nothing about the shorter, which is then sent by itself.

Whether anything was stored since a moment is one cheap question, so that not every look reads it all. Only a plain
"none" counts as none: a record that ignores the parameter counts everything it holds, one that gives no total or an
error has not answered. Source: FHIR R4 search.html, `_lastUpdated`, `_summary=count`, Bundle.total.

Source: FHIR R4 search.html, observation.html#search.

A question about what speaks against a trial is refused where Conditions cannot be read; a titration is of a trial that
was performed already, and carries a caution instead.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final
from urllib.parse import quote, urlencode

import msgspec

from ebbmark.fhir.model import Period
from ebbmark.fhir.naming import tail_of
from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.codes import CODE_TEXT, CodeRow, Personal
from ebbmark.fhir.reading.events import DRUG_CODES
from ebbmark.fhir.times import instant, seconds
from ebbmark.record.client import RecordClient
from ebbmark.record.record_query import RecordQuery, Table, moment_of
from ebbmark.record.retry import Reply, decoded
from ebbmark.record.search import (
    FRESH,
    Budget,
    Found,
    FoundEntry,
    Page,
    ReadFailure,
    Reference,
    TooMuch,
    any_of,
    no_patient,
    not_read,
    read_one,
    search,
    too_much,
)

PAGE_SIZE = 200

_OK: Final = 200
"""With this status a failure lies in what was sent, not in the network or the record."""

_TOGETHER = Budget(requests=150, resources=12_000, size_bytes=40_000_000)
"""What may be read together; each question counts what it gets of it."""


@dataclass(frozen=True, slots=True)
class RecordSearch:
    """What one question reads: of whom and when, from which record, by which codes, within which bounds.

    Attributes:
        budget: what may still be read; is counted down.
        table: the codes that are understood, a site's own among them.
        withheld: resource types that the caller may not have read.
        procedures: system and code of the Procedures that stand for a condition that is looked for.
    """

    asked: RecordQuery
    record: RecordClient
    budget: Budget
    table: Table
    withheld: frozenset[str] = frozenset()
    procedures: Collection[tuple[str, str]] = ()

    async def patient(self) -> FoundEntry:
        """The Patient.

        Raises:
            Rejected: there is none, or it could not be read.
        """
        found = await read_one(self.asked.patient, record=self.record, budget=self.budget)
        if isinstance(found, ReadFailure):
            raise Rejected((no_patient(found),))
        return found


def limits_of(asked: RecordQuery) -> list[tuple[str, str]]:
    """Time and encounter as search parameters."""
    limits = [("date", f"ge{instant(asked.start_s)}"), ("date", f"le{instant(asked.end_s)}")]
    if asked.encounter is not None:
        limits.append(("encounter", asked.encounter))
    return limits


async def _cached_search(
    reading: RecordSearch, limits: Sequence[tuple[str, str]], together: bool, code: tuple[str, str] | None
) -> Found | ReadFailure:
    """Search, or share a search of the same view.

    Args:
        limits: further search parameters; of time and encounter as `limits_of` gives them, or none.
        together: whether a longer time may be read in its place, for other questions of the same view.
        code: search parameter of the codes, and its value; None for all Observations, whatever their codes.
    """
    asked, budget, view_cache = reading.asked, reading.budget, reading.record.view_cache

    async def sent(more: Sequence[tuple[str, str]], own: Budget) -> Found | ReadFailure:
        query = [("patient", asked.patient), *([code] if code else []), *more, ("_count", str(PAGE_SIZE))]
        return await search(reading.record, "Observation", query, budget=own)

    if view_cache is None:
        return await sent(limits, budget)
    timed = list(limits) == limits_of(asked)
    reach_s = view_cache.reach_s if timed and together else 0.0
    wide = limits_of(replace(asked, start_s=min(asked.start_s, asked.end_s - reach_s))) if timed else list(limits)
    found = await view_cache.once((asked.patient, code, *wide), lambda: sent(wide, replace(_TOGETHER)))
    if isinstance(found, ReadFailure):
        longer_is_broken = isinstance(found, TooMuch) or (found.status == _OK and wide != list(limits))
        return await sent(limits, budget) if longer_is_broken else found
    mine = replace(found, entries=[entry for entry in found.entries if not timed or _overlaps(entry.resource, asked)])
    # Pages of the time that others asked for are not counted: a question alone would not have read them.
    budget.requests -= min(mine.pages, 1 + len(mine.entries) // PAGE_SIZE)
    budget.resources -= len(mine.entries)
    budget.size_bytes -= sum(len(entry.resource) for entry in mine.entries)
    if budget.resources < 0 or budget.size_bytes < 0:
        return too_much("more resources, or longer ones, than may be read")
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
    """Codes of heights, of weights and of sex, and of everything else that is used, as search tokens."""
    searched = {
        f"{system}|{code}": row.meaning
        for (system, code), row in table.items()
        if row.meaning is not None and is_searched((system, code), row)
    }
    personal = {token for token, meaning in searched.items() if isinstance(meaning, Personal)}
    return sorted(personal), sorted(searched.keys() - personal)


def is_searched(key: tuple[str, str], row: CodeRow) -> bool:
    """Whether a row of the table is searched for: not by another spelling of its system or code, nor by a text.

    Args:
        key: system and code under which it stands in the table.
    """
    return key == (row.system, row.code) and row.system != CODE_TEXT


async def search_observations(
    reading: RecordSearch,
    tokens: Sequence[str] | None,
    limits: Sequence[tuple[str, str]] | None = None,
    *,
    parameter: str = "combo-code",
    together: bool = True,
) -> list[Found]:
    """One search for each portion of the codes.

    Args:
        tokens: codes, as search tokens; None for all Observations, whatever their codes.
        limits: of time and encounter; None for those that are asked for.
        parameter: by which the codes are searched for; `combo-code` gives way to `code` and `component-code` where the
            record refuses it.
        together: whether a longer time may be read in its place, for other questions of the same view.

    Raises:
        Rejected: the record failed, or holds too much.
    """
    found = []
    searched = partial(_cached_search, reading, limits_of(reading.asked) if limits is None else limits, together)
    within = True
    if tokens is None:
        return [usable(await searched(None), "Observations")]
    for portion in _portions(tokens):
        result = await searched((parameter, any_of(portion)))
        if parameter == "combo-code" and _refuses_the_parameter(result):
            parameter = "code"
            result = await searched((parameter, any_of(portion)))
        found.append(usable(result, "Observations"))
        if parameter == "code" and within:
            result = await searched(("component-code", any_of(portion)))
            within = not _refuses_the_parameter(result)
            found.append(usable(result, "Observations") if within else Found(remarks=[NO_COMPONENTS]))
    return found


def _refuses_the_parameter(result: Found | ReadFailure) -> bool:
    return isinstance(result, ReadFailure) and result.status in _NO_SUCH_PARAMETER


def usable(result: Found | ReadFailure, what: str) -> Found:
    """What was found.

    Raises:
        Rejected: it could not be read.
    """
    if isinstance(result, ReadFailure):
        raise Rejected((not_read(what, result),))
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


OVERLAP_S: Final = 15.0
"""Asked is of so much before the moment, too [s]: the record's clock may be behind ours, and what is stored becomes
visible later than it is dated. Our choice."""


async def nothing_stored_since(patient: str, since_s: float, *, record: RecordClient) -> bool:
    """Whether the record says that it stored no Observation of this patient since then; asked once, never repeated.

    Args:
        since_s: the moment [s since 1970-01-01T00:00:00Z].
    """
    since = instant(since_s - OVERLAP_S)
    query = urlencode([("patient", patient), ("_lastUpdated", f"gt{since}"), ("_summary", "count")])
    answer = await record.send("GET", f"Observation?{query}", headers=FRESH)
    if not isinstance(answer, Reply) or answer.status != 200:
        return False
    page = decoded(answer, Page)
    # With an entry it is no plain count: it may be a warning that the parameter was passed over.
    return page is not None and page.type == "searchset" and page.total == 0 and not page.entry


PROCEDURES = "Procedures, extracorporeal support among them,"
"""What is searched for by `ConditionCodes.procedures`, in words."""

PROCEDURES_BACK_S = 30 * 86400.0
"""How far back Procedures are looked for [s]; one that began earlier and goes on is found, too. Our choice."""


class _Of(msgspec.Struct):
    subject: Reference = msgspec.field(default_factory=Reference)


@dataclass(frozen=True, slots=True)
class Beside:
    """What some questions look at beside Observations.

    Attributes:
        conditions: of any time and encounter; Procedures that stand for one behind them.
        told: what the caller must know about it, as plain sentences.
    """

    conditions: Sequence[FoundEntry] = ()
    infusions: Sequence[FoundEntry] = ()
    told: Sequence[str] = ()
    conditions_read: bool = True


async def search_beside(reading: RecordSearch, operation: Operation, not_asked: Counter[str]) -> Beside:
    """Search for what some questions look at beside Observations.

    All Conditions, whatever their status: one that is refuted or over is told, and never passed over. Procedures that
    stand for one, and vasopressors of the period; where these cannot be read that is told, and the answer says that
    none is documented.

    Args:
        not_asked: how many resources were left out, by reason as a phrase; is added to.

    Raises:
        Rejected: Conditions could not be read for a question about what speaks against a trial. Without them a
            contraindication would pass for one that is not documented.
    """
    if not operation.reads_conditions:
        return Beside()
    asked, told = reading.asked, list[str]()
    of_patient = [("patient", asked.patient), ("_count", str(PAGE_SIZE))]

    async def searched(kind: str, words: str, query: list[tuple[str, str]], *, once: bool) -> list[FoundEntry] | None:
        found = await _of_kind(reading, kind, query, once=once)
        if isinstance(found, ReadFailure):
            if kind == "Condition" and operation.needs_conditions:
                raise Rejected((not_read("Conditions", found),))
            told.append(f"{words} were not read from the record: {found.sentence}.")
            return None
        kept = _of_patient(found.entries, kind, asked, not_asked)
        if kept or kind != "Procedure":
            told.append(f"Read from the record: {len(kept)} {_READ_WORDS[kind]}.")
        told.extend(remarks_of([found]))
        return kept

    conditions = await searched("Condition", "Conditions", of_patient, once=True)
    done = None
    if reading.procedures:
        query = procedure_query(asked, reading.procedures, PAGE_SIZE)
        done = await searched("Procedure", PROCEDURES, query, once=True)
    tokens = any_of([f"{system}|{code}" for system, code in DRUG_CODES])
    query = [*of_patient, ("code", tokens), ("effective-time", f"ge{instant(asked.start_s)}")]
    given = await searched("MedicationAdministration", "Vasopressors (MedicationAdministration)", query, once=False)
    return Beside([*(conditions or ()), *(done or ())], given or (), told, conditions is not None)


_READ_WORDS = {
    "Condition": "Conditions of any time and encounter",
    "Procedure": "Procedures that stand for a condition",
    "MedicationAdministration": "MedicationAdministrations of vasopressors",
}


async def _of_kind(
    reading: RecordSearch, kind: str, query: list[tuple[str, str]], *, once: bool
) -> Found | ReadFailure:
    """Resources of one type; those without a time limit are read by one question of a view, for the others, too."""
    if kind in reading.withheld:
        return ReadFailure("the caller may not have them read", None)

    async def read() -> Found | ReadFailure:
        return await search(reading.record, kind, query, budget=reading.budget)

    cache = reading.record.view_cache if once else None
    return await (cache.once((kind, reading.asked.patient), read) if cache is not None else read())


def procedure_query(asked: RecordQuery, procedures: Collection[tuple[str, str]], most: int) -> list[tuple[str, str]]:
    """The search for Procedures."""
    tokens = any_of([f"{system}|{code}" for system, code in procedures])
    since = instant(asked.end_s - PROCEDURES_BACK_S)
    return [("patient", asked.patient), ("code", tokens), ("date", f"ge{since}"), ("_count", str(most))]


def _of_patient(
    entries: Iterable[FoundEntry], kind: str, asked: RecordQuery, not_asked: Counter[str]
) -> list[FoundEntry]:
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


class _Administration(msgspec.Struct):
    effectiveDateTime: str = ""
    effectivePeriod: Period | None = None


def is_given_within(entry: FoundEntry, asked: RecordQuery) -> bool:
    """Whether an infusion may run in the time that was asked for; one without an end goes on."""
    try:
        read = msgspec.json.decode(entry.resource, type=_Administration)
    except msgspec.DecodeError:
        return True  # the reader names what is wrong with it
    span = read.effectivePeriod or Period(read.effectiveDateTime, read.effectiveDateTime)
    start_s, end_s = seconds(span.start), seconds(span.end)
    begins_later = isinstance(start_s, float) and start_s > asked.end_s
    return not begins_later and not (isinstance(end_s, float) and end_s < asked.start_s)
