"""Search for what some questions look at beside Observations: Conditions, Procedures and vasopressors of one patient.

A question about what speaks against a trial is refused where Conditions cannot be read; a titration is of a trial that
was performed already, and carries a caution instead.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import msgspec

from ebbmark.fhir.model import Period
from ebbmark.fhir.naming import tail_of
from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.infusions import DRUG_CODES
from ebbmark.fhir.times import instant, seconds
from ebbmark.record.client import RecordClient
from ebbmark.record.observations import PAGE_SIZE, remarks_of
from ebbmark.record.record_query import RecordQuery
from ebbmark.record.search import (
    Budget,
    Found,
    FoundEntry,
    ReadFailure,
    Reference,
    TooMuch,
    any_of,
    not_read,
    search,
    too_much,
)
from ebbmark.record.stored_results import failure_of

__all__ = ["PROCEDURES", "Beside", "is_given_within", "procedure_query", "search_beside"]

PROCEDURES = "Procedures, extracorporeal support among them,"
"""What is searched for by `ConditionCodes.procedures`, in words."""

PROCEDURES_BACK_S = 30 * 86400.0
"""How far back Procedures are looked for [s]; one that began earlier and goes on is found, too. Our choice."""

_CONDITIONS = "Conditions were not read from the record"
_VASOPRESSORS = "Vasopressors (MedicationAdministration) were not read from the record"


class _Of(msgspec.Struct):
    subject: Reference = msgspec.field(default_factory=Reference)


@dataclass(frozen=True, slots=True)
class Beside:
    """What some questions look at beside Observations.

    Attributes:
        conditions: of any time and encounter; Procedures that stand for one behind them.
        infusions: MedicationAdministrations of vasopressors.
        told: what the caller must know about it, as plain sentences.
        conditions_read: whether Conditions were read.
    """

    conditions: Sequence[FoundEntry] = ()
    infusions: Sequence[FoundEntry] = ()
    told: Sequence[str] = ()
    conditions_read: bool = True


async def search_beside(
    asked: RecordQuery,
    operation: Operation,
    withheld: frozenset[str],
    not_asked: Counter[str],
    record: RecordClient,
    budget: Budget,
    procedures: Collection[tuple[str, str]] = (),
) -> Beside:
    """Search for what some questions look at beside Observations.

    All Conditions, whatever their status: one that is refuted or over is told, and never passed over. Procedures that
    stand for one, and vasopressors of the period; where these cannot be read that is told, and the answer says that
    none is documented.

    Args:
        asked: patient, encounter and time.
        operation: the question.
        withheld: resource types that the caller may not have read.
        not_asked: how many resources were left out, by reason as a phrase; is added to.
        record: the client.
        budget: what may be read; is counted down.
        procedures: system and code of the Procedures that stand for a condition that is looked for.

    Raises:
        Rejected: Conditions could not be read for a question about what speaks against a trial. Without them a
            contraindication would pass for one that is not documented.
    """
    if not operation.reads_conditions:
        return Beside()
    of_patient = [("patient", asked.patient), ("_count", str(PAGE_SIZE))]
    kept, told, were_read = await _conditions(asked, operation, withheld, not_asked, record, budget)
    if procedures:
        done, of_procedures = await _procedures(asked, procedures, withheld, not_asked, record, budget)
        kept, told = [*kept, *done], [*told, *of_procedures]
    if "MedicationAdministration" in withheld:
        return Beside(kept, (), [*told, f"{_VASOPRESSORS}: the caller may not have them read."], were_read)
    tokens = any_of([f"{system}|{code}" for system, code in DRUG_CODES])
    query = [*of_patient, ("code", tokens), ("effective-time", f"ge{instant(asked.start_s)}")]
    infusions = await search(record, "MedicationAdministration", query, budget=budget)
    if not isinstance(infusions, Found):
        return Beside(kept, (), [*told, f"{_VASOPRESSORS}: {failure_of(infusions).sentence}."], were_read)
    given = _of_patient(infusions.entries, "MedicationAdministration", asked, not_asked)
    told.append(f"Read from the record: {len(given)} MedicationAdministrations of vasopressors.")
    return Beside(kept, given, [*told, *remarks_of([infusions])], were_read)


async def _conditions(
    asked: RecordQuery,
    operation: Operation,
    withheld: frozenset[str],
    not_asked: Counter[str],
    record: RecordClient,
    budget: Budget,
) -> tuple[list[FoundEntry], list[str], bool]:
    """All Conditions of the patient, what is told of them, and whether they were read."""
    found: Found | ReadFailure | TooMuch
    if "Condition" in withheld:
        found = ReadFailure("the caller may not have them read", None)
    else:
        query = [("patient", asked.patient), ("_count", str(PAGE_SIZE))]
        found = await _once("Condition", query, asked, record, budget)
    if not isinstance(found, Found):
        if operation.needs_conditions:
            raise Rejected((too_much(found) if isinstance(found, TooMuch) else not_read("Conditions", found),))
        return [], [f"{_CONDITIONS}: {failure_of(found).sentence}."], False
    kept = _of_patient(found.entries, "Condition", asked, not_asked)
    told = [f"Read from the record: {len(kept)} Conditions of any time and encounter.", *remarks_of([found])]
    return kept, told, True


async def _once(
    kind: str, query: list[tuple[str, str]], asked: RecordQuery, record: RecordClient, budget: Budget
) -> Found | ReadFailure | TooMuch:
    """What is of any time: what one question of a view has read, the others need not read again."""

    async def read() -> Found | ReadFailure | TooMuch:
        return await search(record, kind, query, budget=budget)

    cache = record.view_cache
    return await (cache.once((kind, asked.patient), read) if cache is not None else read())


async def _procedures(
    asked: RecordQuery,
    procedures: Collection[tuple[str, str]],
    withheld: frozenset[str],
    not_asked: Counter[str],
    record: RecordClient,
    budget: Budget,
) -> tuple[list[FoundEntry], list[str]]:
    """Procedures of the patient that stand for a condition, and what is told of them."""
    if "Procedure" in withheld:
        return [], [f"{PROCEDURES} were not read from the record: the caller may not have them read."]
    found = await _once("Procedure", procedure_query(asked, procedures, PAGE_SIZE), asked, record, budget)
    if not isinstance(found, Found):
        return [], [f"{PROCEDURES} were not read from the record: {failure_of(found).sentence}."]
    done = _of_patient(found.entries, "Procedure", asked, not_asked)
    told = [f"Read from the record: {len(done)} Procedures that stand for a condition."] if done else []
    return done, [*told, *remarks_of([found])]


def procedure_query(asked: RecordQuery, procedures: Collection[tuple[str, str]], most: int) -> list[tuple[str, str]]:
    """The search for Procedures.

    Args:
        asked: patient and time.
        procedures: system and code of each that is looked for.
        most: on one page.
    """
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
    """Whether an infusion may run in the time that was asked for; one without an end goes on.

    Args:
        entry: a MedicationAdministration as the record sent it.
        asked: with the time.
    """
    try:
        read = msgspec.json.decode(entry.resource, type=_Administration)
    except msgspec.DecodeError:
        return True  # the reader names what is wrong with it
    span = read.effectivePeriod or Period(read.effectiveDateTime, read.effectiveDateTime)
    start_s, end_s = seconds(span.start), seconds(span.end)
    begins_later = isinstance(start_s, float) and start_s > asked.end_s
    return not begins_later and not (isinstance(end_s, float) and end_s < asked.start_s)
