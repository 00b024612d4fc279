"""Find answers of ours in the record, and their inputs: by id, identifier or tag, or by the result that carries them.

Where a record takes no Provenance (or other types), `fhir.writing.transaction` says what is carried where. Inputs of
an answer are first read in the version in force, many at once; only where that is another than the one used, the old
version is read by its own address (`_history`), as a replay needs it.

A Device is written once, by conditional create on its identifier. A client of cards cannot express a condition, and
records are merged and copied: where two Devices carry the identifier, FHIR refuses every further conditional create
(412), and with it the whole answer. So the one that was there first, by its id, is then named and none created.

Source: FHIR R4 search.html (_id, _tag, identifier), http.html#vread, #ccreate (multiple matches: 412).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TypeVar, cast

import msgspec

from ebbmark.fhir.model import Coding, Identifier, Period
from ebbmark.fhir.naming import (
    ANSWER_PROVENANCES,
    PROVENANCE,
    REPORT,
    RESULT_SYSTEM,
    SOFTWARE_SYSTEM,
    tail_of,
)
from ebbmark.fhir.writing.transaction import (
    EMBEDDED_SYSTEM,
    Embedded,
    embedded_in,
    unpacked,
)
from ebbmark.record.client import RecordClient
from ebbmark.record.retry import Reply, decoded
from ebbmark.record.search import (
    Budget,
    Found,
    FoundEntry,
    ReadFailed,
    ReadFailure,
    Reference,
    any_of,
    failure_as_value,
    read_one,
    search,
)

T = TypeVar("T")
Json = dict[str, object]

_PORTION = 40
_EXACT = msgspec.json.Decoder(Json, float_hook=Decimal)
_NO_CARRIERS = frozenset({"Device", "Provenance", "List", "DiagnosticReport"})


class Meta(msgspec.Struct):
    """FHIR Meta, as far as it tells what a resource is to us."""

    lastUpdated: str = ""
    tag: list[Coding] = []


class Named(msgspec.Struct):
    """By what a resource of ours is found."""

    meta: Meta = msgspec.field(default_factory=Meta)
    identifier: list[Identifier] = []


class Entity(msgspec.Struct):
    """FHIR Provenance.entity."""

    what: Reference = msgspec.field(default_factory=Reference)


class Agent(msgspec.Struct):
    """FHIR Provenance.agent."""

    who: Reference = msgspec.field(default_factory=Reference)


class ProvenanceView(msgspec.Struct):
    """The parts of a Provenance that are read."""

    meta: Meta = msgspec.field(default_factory=Meta)
    target: list[Reference] = []
    entity: list[Entity] = []
    agent: list[Agent] = []


class _Result(Named):
    note: list[Json] = msgspec.field(default_factory=list)
    status: str = ""
    subject: Reference = msgspec.field(default_factory=Reference)
    effectivePeriod: Period = msgspec.field(default_factory=Period)


@dataclass(frozen=True, slots=True)
class Stored:
    """One resource as it stands in the record.

    Attributes:
        reference: `Type/id`.
        version: `meta.versionId`.
        status: its status; empty where it has none.
        identity: the answer of ours that it belongs to; empty for anything else.
        kind: which of its results it is, for example `closing-pressure`.
        written: when it was last changed, as the record says [FHIR instant].
        period: first and last moment that it holds for, as FHIR instants; empty texts where it has no period.
        subject: `Patient/1`.
        resource: all of it; numbers keep the digits that they have in the record.
    """

    reference: str
    version: str
    status: str
    identity: str
    kind: str
    written: str
    period: tuple[str, str]
    subject: str
    resource: Json

    @property
    def place(self) -> str:
        """Its address in this version."""
        return f"{self.reference}/_history/{self.version}"


def view_of(entry: FoundEntry, shape: type[T], what: str = "a Provenance") -> T:
    """The parts of a resource that are read.

    Raises:
        ReadFailed: it is not in the shape of FHIR.
    """
    try:
        return msgspec.json.decode(entry.resource, type=shape)
    except msgspec.DecodeError:
        raise ReadFailed(ReadFailure(f"{what} in the record is not in the shape of FHIR", 200)) from None


def stored_of(entry: FoundEntry, what: str = "a result of ours") -> Stored:
    """Read a resource of ours, as `view_of`."""
    head, result = entry.head, view_of(entry, _Result, what)
    value = next((one.value for one in result.identifier if one.system == RESULT_SYSTEM), "")
    identity, _, kind = value.partition(":")
    return Stored(
        reference=f"{head.resource_type}/{head.id}",
        version=head.meta.version_id,
        status=result.status,
        identity=identity,
        kind=kind,
        written=result.meta.lastUpdated,
        period=(result.effectivePeriod.start, result.effectivePeriod.end),
        subject=tail_of(result.subject.reference),
        resource=_EXACT.decode(entry.resource),
    )


def names_of(resource: Json) -> list[str]:
    """Values of its identifiers and codes of its tags that are of results of ours."""
    named = msgspec.convert(resource, Named)
    values = [one.value for one in named.identifier if one.system == RESULT_SYSTEM]
    return [*values, *[one.code for one in named.meta.tag if one.system == RESULT_SYSTEM]]


def versions_of(references: Iterable[str]) -> dict[str, str]:
    """Version by `Type/id` of each reference that names one."""
    parts = (reference.partition("/_history/") for reference in references)
    return {tail_of(plain): version for plain, _, version in parts if version}


async def found_entries(
    record: RecordClient, kind: str, query: Sequence[tuple[str, str]], *, budget: Budget
) -> list[FoundEntry]:
    """Search, as `search`.

    Raises:
        ReadFailed: nothing usable came back, or too much.
    """
    found = await search(record, kind, query, budget=budget)
    if isinstance(found, Found):
        return found.entries
    raise ReadFailed(found)


async def _in_portions(
    record: RecordClient,
    wanted: Iterable[tuple[str, str]],
    parameter: str,
    values_of: Callable[[FoundEntry], set[str]],
    budget: Budget,
    *,
    more: Sequence[tuple[str, str]] = (),
) -> list[FoundEntry]:
    """Search for many values of one parameter, some at a time; what came is looked at, since some records ignore it."""
    by_kind: dict[str, list[str]] = {}
    for kind, value in wanted:
        by_kind.setdefault(kind, []).append(value)
    entries: list[FoundEntry] = []
    for kind, values in sorted(by_kind.items()):
        for first in range(0, len(values), _PORTION):
            portion = values[first : first + _PORTION]
            found = await found_entries(record, kind, [(parameter, any_of(portion)), *more], budget=budget)
            entries += [
                one for one in found if one.head.resource_type == kind and not values_of(one).isdisjoint(portion)
            ]
    return entries


async def read_by_id(references: Iterable[str], *, record: RecordClient, budget: Budget) -> list[FoundEntry]:
    """Read resources, many at once; those that are not there are left out.

    Args:
        references: `Type/id`.

    Raises:
        ReadFailed: the record failed.
    """
    wanted = [(kind, identity) for kind, _, identity in (one.partition("/") for one in dict.fromkeys(references))]
    more = [("_count", str(_PORTION))]
    return await _in_portions(record, wanted, "_id", lambda one: {one.head.id}, budget, more=more)


async def provenances_in_record(tags: Iterable[str], *, record: RecordClient, budget: Budget) -> list[FoundEntry]:
    """Search for the Provenances of answers; none where the record keeps none for us.

    Raises:
        ReadFailed: the record failed.
    """
    if "Provenance" not in record.settings.accepts.types:
        return []
    query = [("_tag", any_of([f"{RESULT_SYSTEM}|{tag}" for tag in tags]))]
    return await found_entries(record, "Provenance", query, budget=budget)


async def carriers_in_record(identity: str, *, record: RecordClient, budget: Budget) -> list[FoundEntry]:
    """Search for what carries parts of an answer.

    Raises:
        ReadFailed: the record failed.
    """
    token = f"{EMBEDDED_SYSTEM}|{identity}"
    for kind in sorted(record.settings.accepts.types - _NO_CARRIERS, key=lambda one: (one != "Observation", one)):
        found = await found_entries(record, kind, [("identifier", token)], budget=budget)
        carriers = [one for one in found if one.head.resource_type == kind and token in _tokens(one)]
        if carriers:
            return carriers
    return []


async def beside_in_record(carried: Iterable[Embedded], *, record: RecordClient, budget: Budget) -> list[FoundEntry]:
    """Read what was written beside the resources that carry the rest of answers, by its identifiers.

    Raises:
        ReadFailed: the record failed.
    """
    wanted = [pair for one in carried for pair in one.beside]
    return await _in_portions(record, wanted, "identifier", _tokens, budget)


def _tokens(entry: FoundEntry) -> set[str]:
    try:
        return {f"{one.system}|{one.value}" for one in msgspec.json.decode(entry.resource, type=Named).identifier}
    except msgspec.DecodeError:
        return set()


async def where_recorded(identity: str, *, record: RecordClient) -> str | None:
    """Reference to the Provenance of an answer, or to what carries it, in its version.

    Args:
        identity: of the answer, 64 hexadecimal digits.

    Returns:
        `Provenance/7/_history/1`; empty where the answer is not there; None where the record does not say.
    """
    tag, budget = f"{identity}:{PROVENANCE}", Budget(requests=10)
    try:
        found = await provenances_in_record([tag], record=record, budget=budget)
        # Some records ignore search parameters: what came back is looked at again.
        own = [one.head for one in found if one.head.resource_type == "Provenance" and tag.encode() in one.resource]
        if not own and not record.settings.accepts.everything:
            own = [one.head for one in await carriers_in_record(identity, record=record, budget=budget)]
    except ReadFailed:
        return None
    if not own:
        return ""
    version = f"/_history/{own[0].meta.version_id}" if own[0].meta.version_id else ""
    return f"{own[0].resource_type}/{own[0].id}{version}"


MOST_OLD_VERSIONS = 500
_INPUT_TYPES = (
    "Observation/",
    "Patient/",
    "Condition/",
    "Procedure/",
    "MedicationAdministration/",
    "DiagnosticReport/",
)
_GONE = frozenset({404, 410})


@dataclass(frozen=True, slots=True)
class NotStored:
    """The record holds no such answer, or more than one."""

    found: int


@dataclass(slots=True)
class StoredInputs:
    """Inputs as the record gives them.

    Attributes:
        current: version in force by `Type/id`.
    """

    resources: list[tuple[str, Json]] = field(default_factory=list)
    current: dict[str, str] = field(default_factory=dict)


class _Measured(msgspec.Struct):
    device: Reference | None = None


@failure_as_value
async def answer_in_record(identity: str, *, record: RecordClient) -> list[tuple[str, Json]] | NotStored:
    """Read a stored answer with its Provenance and Device."""
    budget = Budget(requests=200)
    tags = [f"{identity}:{kind}" for kind in ANSWER_PROVENANCES]
    found = await provenances_in_record(tags, record=record, budget=budget)
    every = [(one, view_of(one, ProvenanceView)) for one in found if one.head.resource_type == "Provenance"]
    own, of_report = ([each for each in every if any(one.code == tag for one in each[1].meta.tag)] for tag in tags)
    if not own and not record.settings.accepts.everything:
        return await _carried_answer(identity, record, budget)
    if len(own) != 1:
        return NotStored(len(own))
    targets = [tail_of(one.reference) for _, view in (*own, *of_report) for one in view.target if one.reference]
    entries = await read_by_id(targets, record=record, budget=budget)
    # The Device of this software that the answer was assembled by.
    whos = dict.fromkeys(agent.who.reference for _, view in (*own, *of_report) for agent in view.agent)
    devices = await read_by_id([tail_of(who) for who in whos if "Device/" in who], record=record, budget=budget)
    ours = [device for device in devices if SOFTWARE_SYSTEM in str(_resource(device))]
    return _unpacked((*entries, *[entry for entry, _ in (*own, *of_report)], *ours))


async def _carried_answer(identity: str, record: RecordClient, budget: Budget) -> list[tuple[str, Json]] | NotStored:
    """An answer whose Provenance is carried inside one of its results."""
    carriers = await carriers_in_record(identity, record=record, budget=budget)
    if len(carriers) != 1:
        return NotStored(len(carriers))
    carried = embedded_in(_resource(carriers[0]))
    report = Embedded(beside=(("DiagnosticReport", f"{RESULT_SYSTEM}|{identity}:{REPORT}"),))
    reports = [report] if "DiagnosticReport" in record.settings.accepts.types else []
    beside = await beside_in_record([carried, *reports], record=record, budget=budget)
    once = {f"{one.head.resource_type}/{one.head.id}": one for one in (*carriers, *beside)}
    devices = sorted(one for one in once if one.startswith("Device/"))
    return _unpacked(one for place, one in once.items() if place not in devices[1:])


def _unpacked(entries: Iterable[FoundEntry]) -> list[tuple[str, Json]]:
    return [(url, dict(one)) for url, one in unpacked((entry.full_url, _resource(entry)) for entry in entries)]


@failure_as_value
async def inputs_in_record(references: Iterable[str], patient: str, *, record: RecordClient) -> StoredInputs:
    """Read inputs in the versions named, with the Patient and the DeviceMetrics that they need.

    Args:
        references: `Observation/1/_history/3`, or without a version: the one in force.
        patient: `Patient/1`; in the version in force, unless the references name another.
    """
    budget = Budget(requests=200 + MOST_OLD_VERSIONS)
    wanted = {reference: tail_of(reference) for reference in references if tail_of(reference).startswith(_INPUT_TYPES)}
    if patient not in wanted.values():
        wanted[patient] = patient
    now = await read_by_id(wanted.values(), record=record, budget=budget)
    in_force = {f"{one.head.resource_type}/{one.head.id}": one for one in now}
    used: list[FoundEntry] = []
    for reference, plain in wanted.items():
        version = reference.partition("/_history/")[2]
        current = in_force.get(plain)
        if current is not None and version in ("", current.head.meta.version_id):
            used.append(current)
        elif version:
            old = await read_one(f"{plain}/_history/{version}", record=record, budget=budget)
            if isinstance(old, FoundEntry):
                used.append(old)
            elif old.status not in _GONE:
                raise ReadFailed(old)
        # What is not there is named by the replay.
    metrics = await read_by_id(_metrics(used), record=record, budget=budget)
    return StoredInputs(
        [(one.full_url, _resource(one)) for one in (*used, *metrics)],
        {plain: one.head.meta.version_id for plain, one in in_force.items()},
    )


def _metrics(used: Iterable[FoundEntry]) -> list[str]:
    found = []
    for one in used:
        try:
            device = msgspec.json.decode(one.resource, type=_Measured).device
        except msgspec.DecodeError:
            continue
        if device is not None and "DeviceMetric/" in device.reference:
            found.append(tail_of(device.reference))
    return found


def _resource(entry: FoundEntry) -> Json:
    return cast("Json", msgspec.json.decode(entry.resource))


_FOUND = 200


class _Device(msgspec.Struct):
    resourceType: str = ""
    id: str = ""
    identifier: list[Identifier] = []


class _Entry(msgspec.Struct):
    resource: _Device = msgspec.field(default_factory=_Device)


class _Results(msgspec.Struct):
    entry: list[_Entry] = []


async def with_stored_device(entries: Sequence[Json], record: RecordClient) -> tuple[Json, ...]:
    """The entries of a transaction, with the Device of the record in place of ours where it holds several.

    Returns:
        The same entries where the record holds one, none, or cannot be asked: the write itself then says what is wrong.
    """
    own = next((entry for entry in entries if cast("Json", entry["resource"])["resourceType"] == "Device"), None)
    if own is None:
        return tuple(entries)
    # Spelled so that the identifier's own address is not taken for the one to call.
    condition = str(cast("Json", own["request"]).get("ifNoneExist", "")).replace("://", "%3A//")
    # Some records answer a search again from what they found a minute ago.
    answer = await record.send("GET", f"Device?{condition}&_count=50", headers={"Cache-Control": "no-cache"})
    results = decoded(answer, _Results) if isinstance(answer, Reply) and answer.status == _FOUND else None
    wanted = cast("list[Json]", cast("Json", own["resource"])["identifier"])[0]
    there = sorted({one.resource.id for one in results.entry if _is(one.resource, wanted)}) if results else []
    if len(there) < 2:
        return tuple(entries)
    rest = [entry for entry in entries if entry is not own]
    named = {str(own["fullUrl"]): f"Device/{there[0]}"}
    return tuple(cast("Json", with_references(entry, named)) for entry in rest)


def _is(device: _Device, wanted: Json) -> bool:
    if device.resourceType != "Device" or not device.id:
        return False
    return any((one.system, one.value) == (wanted["system"], wanted["value"]) for one in device.identifier)


def with_references(value: object, named: Mapping[str, str]) -> object:
    """A copy in which some references name other places."""
    if isinstance(value, list):
        return [with_references(item, named) for item in value]
    if isinstance(value, Mapping):
        return {
            name: named.get(item, item)
            if name == "reference" and isinstance(item, str)
            else with_references(item, named)
            for name, item in value.items()
        }
    return value
