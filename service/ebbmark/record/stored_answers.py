"""A stored answer and its inputs in the versions that it names, as a replay needs them.

Inputs are first read in the version in force, many at once; only where that is another than the one used, the old
version is read by its own address (`_history`). Source: FHIR R4 http.html#vread.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import cast

import msgspec

from ebbmark.fhir.naming import ANSWER_PROVENANCES, REPORT, RESULT_SYSTEM, SOFTWARE_SYSTEM, tail_of
from ebbmark.fhir.writing.transaction import Embedded, embedded_in, unpacked
from ebbmark.record.client import RecordClient
from ebbmark.record.embedded_resources import beside_in_record, carriers_in_record, provenances_in_record
from ebbmark.record.search import Budget, FoundEntry, ReadFailure, read_one
from ebbmark.record.stored_results import NotFhir, provenance_of, read_by_id

Json = dict[str, object]

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
class Inputs:
    """Inputs as the record gives them.

    Attributes:
        resources: address and resource of each.
        current: version in force by `Type/id`.
    """

    resources: list[tuple[str, Json]] = field(default_factory=list)
    current: dict[str, str] = field(default_factory=dict)


class _Reference(msgspec.Struct):
    reference: str = ""


class _Measured(msgspec.Struct):
    device: _Reference | None = None


class _Agent(msgspec.Struct):
    who: _Reference = msgspec.field(default_factory=_Reference)


class _Assembled(msgspec.Struct):
    agent: list[_Agent] = []


async def answer_in_record(identity: str, *, record: RecordClient) -> list[tuple[str, Json]] | NotStored | ReadFailure:
    """Read a stored answer with its Provenance and Device.

    Args:
        identity: of the answer, 64 hexadecimal digits.
    """
    budget = Budget(requests=200)
    tags = [f"{identity}:{kind}" for kind in ANSWER_PROVENANCES]
    found = await provenances_in_record(tags, record=record, budget=budget)
    if isinstance(found, ReadFailure):
        return found
    try:
        every = [(one, provenance_of(one)) for one in found if one.head.resource_type == "Provenance"]
    except NotFhir:
        return ReadFailure("a Provenance in the record is not in the shape of FHIR", 200)
    own, of_report = ([each for each in every if any(one.code == tag for one in each[1].meta.tag)] for tag in tags)
    if not own and not record.settings.accepts.everything:
        return await _carried_answer(identity, record, budget)
    if len(own) != 1:
        return NotStored(len(own))
    targets = [tail_of(one.reference) for _, view in (*own, *of_report) for one in view.target if one.reference]
    entries = await read_by_id(targets, record=record, budget=budget)
    if isinstance(entries, ReadFailure):
        return entries
    provenances = [entry for entry, _ in (*own, *of_report)]
    devices = await _devices(provenances, record, budget)
    if isinstance(devices, ReadFailure):
        return devices
    return _unpacked((*entries, *provenances, *devices))


async def _carried_answer(
    identity: str, record: RecordClient, budget: Budget
) -> list[tuple[str, Json]] | NotStored | ReadFailure:
    """An answer whose Provenance is carried inside one of its results."""
    carriers = await carriers_in_record(identity, record=record, budget=budget)
    if isinstance(carriers, ReadFailure):
        return carriers
    if len(carriers) != 1:
        return NotStored(len(carriers))
    carried = embedded_in(_resource(carriers[0]))
    report = Embedded(beside=(("DiagnosticReport", f"{RESULT_SYSTEM}|{identity}:{REPORT}"),))
    reports = [report] if "DiagnosticReport" in record.settings.accepts.types else []
    beside = await beside_in_record([carried, *reports], record=record, budget=budget)
    if isinstance(beside, ReadFailure):
        return beside
    once = {f"{one.head.resource_type}/{one.head.id}": one for one in (*carriers, *beside)}
    devices = sorted(one for one in once if one.startswith("Device/"))
    return _unpacked(one for place, one in once.items() if place not in devices[1:])


def _unpacked(entries: Iterable[FoundEntry]) -> list[tuple[str, Json]]:
    return [(url, dict(one)) for url, one in unpacked((one.full_url, _resource(one)) for one in entries)]


async def _devices(
    provenances: Iterable[FoundEntry], record: RecordClient, budget: Budget
) -> list[FoundEntry] | ReadFailure:
    """The Device of this software that the answer was assembled by."""
    try:
        assembled = [msgspec.json.decode(one.resource, type=_Assembled) for one in provenances]
    except msgspec.DecodeError:
        return ReadFailure("a Provenance in the record is not in the shape of FHIR", 200)
    whos = dict.fromkeys(agent.who.reference for one in assembled for agent in one.agent)
    wanted = [tail_of(who) for who in whos if "Device/" in who]
    found = await read_by_id(wanted, record=record, budget=budget)
    return found if isinstance(found, ReadFailure) else [one for one in found if SOFTWARE_SYSTEM in str(_resource(one))]


async def inputs_in_record(references: Iterable[str], patient: str, *, record: RecordClient) -> Inputs | ReadFailure:
    """Read inputs in the versions named, with the Patient and the DeviceMetrics that they need.

    Args:
        references: `Observation/1/_history/3`, or without a version: the one in force.
        patient: `Patient/1`; in the version in force, unless the references name another.
    """
    budget = Budget(requests=200 + MOST_OLD_VERSIONS)
    wanted = {one: tail_of(one) for one in references if tail_of(one).startswith(_INPUT_TYPES)}
    if patient not in wanted.values():
        wanted[patient] = patient
    now = await read_by_id(wanted.values(), record=record, budget=budget)
    if isinstance(now, ReadFailure):
        return now
    inputs = Inputs()
    in_force = {f"{one.head.resource_type}/{one.head.id}": one for one in now}
    inputs.current = {plain: one.head.meta.version_id for plain, one in in_force.items()}
    used: list[FoundEntry] = []
    for reference, plain in wanted.items():
        version = reference.partition("/_history/")[2]
        current = in_force.get(plain)
        if current is not None and version in ("", current.head.meta.version_id):
            used.append(current)
            continue
        if not version:
            continue  # the replay names it
        old = await read_one(f"{plain}/_history/{version}", record=record, budget=budget)
        if isinstance(old, ReadFailure):
            if old.status in _GONE:
                continue  # the replay names it
            return old
        used.append(old)
    metrics = await read_by_id(_metrics(used), record=record, budget=budget)
    if isinstance(metrics, ReadFailure):
        return metrics
    inputs.resources = [(one.full_url, _resource(one)) for one in (*used, *metrics)]
    return inputs


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
