"""From what the caller brought, and from the record where something is missing: all that one answer needs.

What is missing is fetched with the access that the caller gave for this one question. Where that cannot be had, it is
said which key is missing: never is a part used as if it were the whole.

Source: CDS Hooks 2.0, "Providing FHIR Resources to a CDS Service".
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.record.asked import Asked
from ebbmark.record.brought import CIRCULATION_S, Brought, Part, part_tokens
from ebbmark.record.choice import several_sources
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch import Fetched
from ebbmark.record.observations import NO_COMPONENTS, each_once, limits_of, remarks_of, search_observations
from ebbmark.record.read_problems import no_patient, not_read, too_much
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, TooMuch, search
from ebbmark.record.sieve import Sieved, sieve, subject_of
from ebbmark.record.single_reads import machines_of, read_metrics, read_one

__all__ = ["UNREAD", "gather"]

LONGEST_OPTIONAL_S = 1.0
"""What may be missing is not waited for longer [s]; our choice."""

UNREAD = "Not read: "
"""So begins the note of a part that could not be had."""

_FETCHING = frozenset(
    {
        ProblemKind.RECORD_FAILED,
        ProblemKind.RECORD_ACCESS,
        ProblemKind.NOT_IN_RECORD,
        ProblemKind.TOO_MUCH_IN_RECORD,
    }
)
Table = Mapping[tuple[str, str], CodeRow]


async def gather(
    asked: Asked,
    parts: Mapping[Part, Brought],
    *,
    record: RecordClient | None,
    closed: str,
    table: Table,
    budget: Budget,
    waiting: Waiting,
    read: list[FoundEntry],
) -> Fetched:
    """Put together what was brought and what has to be fetched.

    Args:
        asked: whose data, and of which time.
        parts: what was brought.
        record: the caller's record; None where it may not be asked.
        closed: why it may not, as a clause.
        table: the codes that are understood, a site's own among them.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
        read: what the record was read for; is added to.

    Raises:
        Rejected: with every part that is missing; or two devices or encounters report PEEP at one time.
    """
    missing = [part for part in Part if parts[part].found is None]
    open_to_us = {part for part in missing if record is not None and not parts[part].final}
    problems = [_missing(part, parts[part], closed) for part in missing if part.needed and part not in open_to_us]
    if problems:
        raise Rejected(tuple(problems))
    pages: dict[Part, list[Found]] = {part: [one.found] for part, one in parts.items() if one.found is not None}
    if Part.MECHANICS in open_to_us:
        # Fetching searches codes and components at once.
        open_to_us -= {Part.PANELS}
        pages.setdefault(Part.PANELS, [])
    for part in sorted(open_to_us, key=list(Part).index):
        assert record is not None  # noqa: S101 - nothing is open to us without a record
        try:
            async with asyncio.timeout(None if part.needed else LONGEST_OPTIONAL_S):
                pages[part] = await _fetched(part, asked, record, table, budget, waiting)
            if pages.get(Part.PANELS) == [] and any(NO_COMPONENTS in page.remarks for page in pages[part]):
                del pages[Part.PANELS]  # nobody brought them, and fetching did not find them either
            read += [entry for page in pages[part] for entry in page.entries]
        except TimeoutError:
            continue  # of an optional part only; the timeout around all of it is not caught here
        except Rejected as rejected:
            if part.needed or any(one.kind not in _FETCHING for one in rejected.problems):
                raise Rejected(tuple(_not_fetched(part, one) for one in rejected.problems)) from None
    notes = [f"{UNREAD}{part.words}." for part in Part if part not in pages]
    patient = pages.pop(Part.PATIENT)[0].entries[0]
    base = record.settings.base_url.rstrip("/") if record is not None else ""
    conditions = [
        one
        for page in pages.pop(Part.CONDITIONS, [])
        for one in page.entries
        if one.head.resource_type == "Condition" and subject_of(one.resource) in ("", asked.patient)
    ]
    of_all = [page for part in pages for page in pages[part]]
    found = [one for one in each_once(of_all, base) if one.head.resource_type != "DeviceMetric"]
    brought_metrics = [one for page in of_all for one in page.entries if one.head.resource_type == "DeviceMetric"]
    sieved = sieve(found, asked, table)
    metrics, unread = await _metrics(sieved, brought_metrics, record, budget, waiting)
    read += [metric for metric in metrics if metric not in brought_metrics]
    several = several_sources(sieved.sightings, machines_of(metrics))
    if several:
        raise Rejected(tuple(several))
    fixed = (patient, *metrics, *conditions)
    return Fetched(asked, fixed, tuple(found), (*remarks_of(of_all), *notes, *unread), table, sieved)


async def _fetched(
    part: Part, asked: Asked, record: RecordClient, table: Table, budget: Budget, waiting: Waiting
) -> list[Found]:
    if part is Part.PATIENT:
        patient = await read_one(asked.patient, record=record, budget=budget, waiting=waiting)
        if isinstance(patient, ReadFailure):
            raise Rejected((no_patient(patient),))
        return [Found([patient])]
    if part is Part.CONDITIONS:
        query = [("patient", asked.patient), ("_count", str(part.most))]
        conditions = await search(record, "Condition", query, budget=budget, waiting=waiting)
        if isinstance(conditions, TooMuch):
            raise Rejected((too_much(conditions),))
        if isinstance(conditions, ReadFailure):
            raise Rejected((not_read("Conditions", conditions),))
        return [conditions]
    limits: list[tuple[str, str]] = []
    if part is Part.CIRCULATION:
        limits = limits_of(replace(asked, start_s=asked.end_s - CIRCULATION_S))
    elif part in (Part.MECHANICS, Part.PANELS):
        limits = limits_of(asked)
    parameter = "component-code" if part is Part.PANELS else "combo-code"
    return await search_observations(
        record, asked, part_tokens(part, table), limits, parameter=parameter, budget=budget, waiting=waiting
    )


async def _metrics(
    sieved: Sieved, brought: list[FoundEntry], record: RecordClient | None, budget: Budget, waiting: Waiting
) -> tuple[list[FoundEntry], list[str]]:
    """DeviceMetrics that tell settings from measurements: those brought, and the others from the record."""
    known = {f"DeviceMetric/{one.head.id}" for one in brought}
    wanted = {one for one in sieved.devices if not one.endswith(tuple(known) or ("\0",))}
    if record is not None:
        metrics, unread = await read_metrics(wanted, record=record, budget=budget, waiting=waiting)
        return [*brought, *metrics], unread
    unread = [
        f"{one} could not be read: it may tell settings from measurements."
        for one in sorted(wanted)
        if "DeviceMetric/" in one
    ]
    return brought, unread


def _missing(part: Part, one: Brought, closed: str) -> Problem:
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
