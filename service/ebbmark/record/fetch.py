"""Fetch from the record what a trial, or a question at the bedside, needs, as one Bundle.

Where a site names rows by their text only, no search by codes finds them: all Observations of the time are read then,
whatever their codes, within the same limits.

Days of a record are not read whole: their trials rest on what was charted around changes of PEEP, and the hours between
tell nothing of them. Values are compared as they were sent: what counts as a step is judged by the reader later.

The Bundle goes through the same reader as any request, so that nothing is read in two ways. Every filter of the search
(`observations`) is applied again here (`observations.post_filter`). A result that would not be whole is refused, never
cut.

Beside the readings: Conditions of any time and encounter, Procedures that stand for one, and vasopressors for the
titration and for the questions that look for what speaks against a trial, charted positions, ventilator modes and heart
rhythms for those that look for what happened.

Two devices or encounters that report PEEP in turns are refused where the question rests on all PEEP of the period, and
else where they do so in its last hour: a transport ventilator of yesterday leaves open what is set today to nobody.

The deadline of a whole request, where the record is read for it: what came in time, or that it did not.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import Any, TypeVar

import msgspec

from ebbmark.fhir.model import Codeable
from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CODE_TEXT, CodeRow, Personal, is_rhythm
from ebbmark.fhir.reading.events import CHANGE_CODES
from ebbmark.fhir.times import instant
from ebbmark.physiology.readings import Quantity
from ebbmark.record.clinical_resources import (
    RecordSearch,
    each_once,
    is_given_within,
    is_searched,
    limits_of,
    remarks_of,
    search_beside,
    search_observations,
    tokens_of,
)
from ebbmark.record.record_query import (
    Filtered,
    RecordQuery,
    Table,
    moment_of,
    post_filter,
    rows_of_concept,
    several_sources,
)
from ebbmark.record.search import (
    PATIENT,
    Found,
    FoundEntry,
    ReadFailure,
    in_turn,
    machines_of,
    read_metrics,
)

T = TypeVar("T")
S = TypeVar("S")
R = TypeVar("R")


BESIDE_S = 3600.0
"""What was charted this long before and after a change of PEEP may belong to a trial [s]; our choice."""

_MOVED = 0.9
"""A change that is more than what measured PEEP wanders [cmH2O, mbar]; our choice."""

_MOVED_KPA = 0.09

_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})


class _Quantity(msgspec.Struct):
    value: float | None = None
    code: str = ""
    unit: str = ""


class _Part(msgspec.Struct):
    code: Codeable = msgspec.field(default_factory=Codeable)
    valueQuantity: _Quantity | None = None


class _Observation(_Part):
    component: list[_Part] = []


def peep_tokens(table: Table) -> list[str]:
    """Codes of PEEP, set or measured, as search tokens."""
    return sorted(
        f"{system}|{code}"
        for (system, code), row in table.items()
        if row.meaning in _PEEPS and is_searched((system, code), row)
    )


def around_changes(entries: Iterable[FoundEntry], table: Table, asked: RecordQuery) -> list[tuple[float, float]]:
    """Stretches of time around every change of PEEP, in order and apart [s since 1970-01-01T00:00:00Z]."""
    by_quantity: dict[Quantity, list[tuple[float, float, float]]] = {}
    for entry in entries:
        moment = moment_of(entry.resource)
        for quantity, value, moved in _values(entry.resource, table):
            if moment is not None and asked.start_s <= moment[0] <= asked.end_s:
                by_quantity.setdefault(quantity, []).append((moment[0], value, moved))
    changed_s = sorted(
        at_s
        for values in by_quantity.values()
        for (_, before, _), (at_s, after, moved) in pairwise(sorted(values))
        if abs(after - before) >= moved
    )
    stretches: list[tuple[float, float]] = []
    for at_s in changed_s:
        start_s, end_s = max(asked.start_s, at_s - BESIDE_S), min(asked.end_s, at_s + BESIDE_S)
        if stretches and start_s <= stretches[-1][1]:
            stretches[-1] = (stretches[-1][0], end_s)
        else:
            stretches.append((start_s, end_s))
    return stretches


def _values(resource: bytes, table: Table) -> Iterator[tuple[Quantity, float, float]]:
    """Every PEEP in an Observation: what it is, its value, and how large a change of it counts."""
    try:
        observation = msgspec.json.decode(resource, type=_Observation)
    except msgspec.DecodeError:
        return  # the reader names what is wrong with it
    for part in (observation, *observation.component):
        meanings = {row.meaning for row in rows_of_concept(part.code.coding, part.code.text, table)}
        quantity = part.valueQuantity
        if quantity is not None and quantity.value is not None:
            moved = _MOVED_KPA if "pa" in (quantity.code or quantity.unit).lower() else _MOVED
            for meaning in meanings:
                if isinstance(meaning, Quantity) and meaning in _PEEPS:
                    yield meaning, quantity.value, moved


@dataclass(frozen=True, slots=True)
class Fetched:
    """What the record holds.

    Attributes:
        fixed: the Patient, the DeviceMetrics, the Conditions and the Procedures that stand for one.
        filtered: Observations, each version once, that pass the filters of the search.
        remarks: what the record said beside them, and what could not be read, as plain sentences.
        machines: the device that a DeviceMetric belongs to, by the metric's reference.
        shortened: that less time was read than was wanted, as a sentence; empty where all of it was.
        around_changes: whether only what was charted around changes of PEEP was read.
    """

    asked: RecordQuery
    fixed: tuple[FoundEntry, ...]
    filtered: Filtered
    remarks: tuple[str, ...]
    infusions: tuple[FoundEntry, ...] = ()
    conditions_read: bool = True
    machines: Mapping[str, str] = field(default_factory=dict)
    around_changes: bool = False
    shortened: str = ""
    entered: tuple[bytes, ...] = ()

    def within(self, start_s: float, end_s: float) -> Fetched:
        """The same, of a shorter time [s since 1970-01-01T00:00:00Z]; heights and Conditions are of any time."""
        shorter = replace(self.asked, start_s=max(start_s, self.asked.start_s), end_s=min(end_s, self.asked.end_s))
        filtered = self.filtered.within(shorter.start_s, shorter.end_s)
        infusions = tuple(infusion for infusion in self.infusions if is_given_within(infusion, shorter))
        return replace(self, asked=shorter, filtered=filtered, infusions=infusions)

    def bundle(self) -> bytes:
        """A FHIR R4 Bundle of type collection, resources byte for byte."""
        resources = (*self.fixed, *self.filtered.kept, *self.infusions)
        entries = [_Entry(msgspec.Raw(resource.resource), resource.full_url) for resource in resources]
        typed = [_Entry(msgspec.Raw(one)) for one in self.entered]
        return msgspec.json.encode(_Bundle("collection", [*entries, *typed]))

    @property
    def notes(self) -> tuple[str, ...]:
        """What the caller must know about what was read, as plain sentences."""
        asked = self.asked
        of_encounter = f" of {asked.encounter}" if asked.encounter else ""
        notes = [
            *([self.shortened] if self.shortened else []),
            f"Read from the record: {len(self.filtered.kept)} Observations{of_encounter} from {instant(asked.start_s)} "
            f"to {instant(asked.end_s)}, with heights and sex of any time.",
        ]
        if self.around_changes:
            minutes = BESIDE_S / 60
            notes.append(f"Beside PEEP only what was charted within {minutes:.0f} min of a change of it was read.")
        notes += [
            f"Not read, though the record sent them: {count} resources {reason}."
            for reason, count in sorted(self.filtered.not_asked.items())
        ]
        return (*notes, *self.remarks)

    def several_at_once(self, start_s: float, end_s: float) -> list[Problem]:
        """Say which devices or encounters report PEEP in turns in this time [s since 1970-01-01T00:00:00Z]."""
        sightings = [sighting for sighting in self.filtered.sightings if start_s <= sighting.at_s <= end_s]
        return several_sources(sightings, self.machines)


class _Entry(msgspec.Struct, rename="camel", omit_defaults=True):
    resource: msgspec.Raw
    full_url: str = ""


class _Bundle(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    type: str
    entry: list[_Entry]


LAST_S = 3600.0
"""PEEP readings of this time say which device and encounter are meant now [s]; our choice."""

_OF_ALL_PEEP = frozenset({"titrate-peep", "next-step", "compare-settings", "compare-markers"})
_OF_TRIALS = frozenset({"follow-trials"})


async def fetch(reading: RecordSearch, operation: Operation) -> Fetched:
    """Read everything that a question needs.

    Raises:
        Rejected: the patient is not there, the record failed, it holds too much, or two devices or encounters report
            PEEP in turns.
    """
    patient = await reading.patient()
    reading = replace(reading, table=with_changes(reading.table, operation))
    asked, record, table = reading.asked, reading.record, reading.table
    heights, mechanics = tokens_of(table)
    around = operation.slug in _OF_TRIALS
    by_text = texts_of(table)
    tokens = None if by_text else _charted_tokens(table, operation)
    not_asked: Counter[str] = Counter()
    of_person, of_time, beside = await _side_by_side(
        record.settings.searches_at_once,
        partial(search_observations, reading, heights, ()),
        partial(_around_changes, reading, mechanics) if around else partial(search_observations, reading, tokens),
        partial(search_beside, reading, operation, not_asked),
    )
    pages = [*of_person, *of_time]
    # Long replies take their time: the event loop stays free for others.
    every = each_once(pages, record.settings.base_url.rstrip("/"))
    filtered = await in_turn(post_filter, every, asked, table)
    filtered.not_asked.update(not_asked)
    metrics, unread = await read_metrics(filtered.devices, record=record, budget=reading.budget)
    fetched = Fetched(
        asked,
        (patient, *metrics, *beside.conditions),
        filtered,
        (*beside.told, *remarks_of(pages), *unread, *_told_of_texts(by_text)),
        tuple(beside.infusions),
        beside.conditions_read,
        machines_of(metrics),
        around,
    )
    _refuse_several(asked, operation, fetched)
    return fetched


async def _side_by_side(
    at_once: int,
    first: Callable[[], Awaitable[T]],
    second: Callable[[], Awaitable[T]],
    third: Callable[[], Awaitable[S]],
) -> tuple[T, T, S]:
    """Three readings, so many of them at a time; of several refusals the first in this order is raised."""
    turns = asyncio.Semaphore(at_once)

    async def in_turn(read: Callable[[], Awaitable[R]]) -> R:
        async with turns:
            return await read()

    tasks: list[asyncio.Task[Any]] = []
    try:
        async with asyncio.TaskGroup() as group:
            one, two = group.create_task(in_turn(first)), group.create_task(in_turn(second))
            three = group.create_task(in_turn(third))
            tasks += [one, two, three]
    except BaseExceptionGroup:
        failed = (task.exception() for task in tasks if not task.cancelled())
        raise next(error for error in failed if error is not None) from None
    return one.result(), two.result(), three.result()


def with_changes(table: Table, operation: Operation) -> Table:
    """The codes with those of position and ventilator mode, where the question looks for them."""
    return {**table, **CHANGE_CODES} if operation.reads_changes else table


def texts_of(table: Table) -> list[CodeRow]:
    """The rows that are known by their text only, which no search by codes finds."""
    return [row for (system, _), row in table.items() if system == CODE_TEXT]


def _told_of_texts(by_text: Sequence[CodeRow]) -> list[str]:
    if not by_text:
        return []
    told = ["Some rows are known by their text only: all Observations of that time were read, whatever their codes."]
    if any(isinstance(row.meaning, Personal) for row in by_text):
        told.append("Heights, weights and sex known by their text only were read of that time only.")
    return told


def _charted_tokens(table: Table, operation: Operation) -> list[str]:
    """Codes of all that is charted over time, as search tokens; positions, modes and rhythms where looked for."""
    coded = [*CHANGE_CODES] if operation.reads_changes else []
    rhythms = (
        [key for key, row in table.items() if is_rhythm(row) and is_searched(key, row)]
        if operation.reads_rhythms
        else []
    )
    return [*tokens_of(table)[1], *[f"{system}|{code}" for system, code in (*coded, *sorted(rhythms))]]


async def _around_changes(reading: RecordSearch, mechanics: Sequence[str]) -> list[Found]:
    """PEEP of the whole time, and all else around its changes: days charted by the minute would be too much."""
    asked, table = reading.asked, reading.table
    peeps = peep_tokens(table)
    by_text = texts_of(table)
    peep_by_text = any(row.meaning in _PEEPS for row in by_text)
    # Short times on purpose: no longer one is read in their place.
    pages = await search_observations(reading, None if peep_by_text else peeps, together=False)
    if peep_by_text:
        return pages  # everything of that time is there
    others = None if by_text else [token for token in mechanics if token not in peeps]
    for start_s, end_s in await in_turn(around_changes, each_once(pages, ""), table, asked):
        limits = limits_of(replace(asked, start_s=start_s, end_s=end_s))
        pages += await search_observations(reading, others, limits, together=False)
    return pages


def _refuse_several(asked: RecordQuery, operation: Operation, fetched: Fetched) -> None:
    if operation.slug in _OF_TRIALS:
        return  # judged for each trial, once it is known which there are
    start_s = asked.start_s if operation.slug in _OF_ALL_PEEP else asked.end_s - LAST_S
    problems = fetched.several_at_once(start_s, asked.end_s)
    if problems:
        raise Rejected(tuple(problems))


async def in_time(reading: Awaitable[R], until_s: float) -> R | ReadFailure:
    """What a reading gives, or that the time of the whole request was over first.

    Args:
        until_s: when the whole request must be answered, by the clock of the event loop [s].
    """
    try:
        async with asyncio.timeout_at(until_s):
            return await reading
    except TimeoutError:
        return ReadFailure("the record did not answer within the time of the request", None)


def took_too_long(most_s: float) -> Problem:
    """The record did not give everything within this time [s]."""
    found, accepted = f"reading took longer than {most_s:g} s", "a record that answers in time"
    sentence = f"Reading from the record took longer than {most_s:g} seconds. Name a shorter period, or ask later."
    return Problem(ProblemKind.RECORD_FAILED, PATIENT, found, accepted, sentence)
