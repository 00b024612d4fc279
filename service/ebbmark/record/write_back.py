"""Post one transaction to the record, safe to repeat (idempotent by conditional create).

A Device is written once, by conditional create on its identifier. A client of cards cannot express a condition, and
records are merged and copied: where two Devices carry the identifier, FHIR refuses every further conditional create
(412), and with it the whole answer. So the one that was there first, by its id, is then named and none created.

Source: FHIR R4 http.html#transaction and #ccreate (multiple matches: 412 Precondition Failed).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

import msgspec

from ebbmark.fhir.model import Identifier
from ebbmark.record.client import RecordClient, Reply, decoded
from ebbmark.record.retry import CallFailure, Now, Seen, Sleep, repeat
from ebbmark.record.write_outcome import (
    Attempt,
    WriteOutcome,
    WriteState,
    attempt_of,
    entry_requests,
    is_repeat_safe,
    not_a_transaction,
    outcome_of,
    seen_in,
)

Json = dict[str, object]

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

    Args:
        entries: as `fhir.writing.transaction.as_transaction` made them.

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


_CONFLICT, _PRECONDITION_FAILED = 409, 412

_HEADERS = {"Content-Type": "application/fhir+json; fhirVersion=4.0", "Prefer": "return=minimal"}
# FHIR decimals are JSON numbers; msgspec would make strings of them.
_ENCODER = msgspec.json.Encoder(decimal_format="number")


async def write_back(
    transaction: Mapping[str, object] | bytes,
    *,
    record: RecordClient,
    sleep: Sleep,
    now: Now,
    repeat_conflicts: bool = True,
) -> WriteOutcome:
    """Post a transaction Bundle to the record and say what became of it.

    The same bytes go out at each attempt; only where the record refuses them with 412 and holds our Device more than
    once, they name one of those instead (`one_device`). A reply that is lost, or that proves nothing, is asked for
    again within the client's limits where the transaction is safe to repeat (each entry a conditional create, a PUT, a
    DELETE or a read).

    Args:
        transaction: FHIR R4 JSON, checked by the caller; a Bundle of type transaction.
        record: the client; its base URL is where the transaction goes.
        sleep: waits for so many seconds between attempts.
        now: current time with zone, for a Retry-After that is a date.
        repeat_conflicts: whether a 409 that names a conflict is answered by the same bytes again; not where the
            transaction names versions, which only a fresh look can put right.

    Returns:
        The outcome. No failure of the record or of the network raises.
    """
    body = transaction if isinstance(transaction, bytes) else _ENCODER.encode(transaction)
    outcome = await _posted(body, record=record, sleep=sleep, now=now, repeat_conflicts=repeat_conflicts)
    if outcome.state is not WriteState.FAILED or outcome.http_status != _PRECONDITION_FAILED:
        return outcome
    bundle = msgspec.json.decode(body, type=dict[str, object])
    entries = cast("list[Json]", bundle["entry"])
    with_theirs = await with_stored_device(entries, record)
    if with_theirs == tuple(entries):
        return outcome
    body = _ENCODER.encode({**bundle, "entry": with_theirs})
    return await _posted(body, record=record, sleep=sleep, now=now, repeat_conflicts=repeat_conflicts)


async def _posted(body: bytes, *, record: RecordClient, sleep: Sleep, now: Now, repeat_conflicts: bool) -> WriteOutcome:
    requests = entry_requests(body)
    if not requests:
        return not_a_transaction()

    async def attempt() -> Attempt:
        return attempt_of(await record.send("POST", content=body, headers=_HEADERS), requests)

    repeated = await repeat(
        attempt,
        seen_in if repeat_conflicts else _seen_once,
        limits=record.settings.limits,
        repeat_safe=is_repeat_safe(requests),
        sleep=sleep,
        now=now,
    )
    return outcome_of(repeated, requests)


def _seen_once(attempt: Attempt) -> Seen:
    seen = seen_in(attempt)
    return Seen(_CONFLICT, seen.retry_after) if seen.what is CallFailure.LOST_RACE else seen
