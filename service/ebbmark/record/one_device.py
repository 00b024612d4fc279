"""Which Device in the record is this software, where the record holds more than one?

A Device is written once, by conditional create on its identifier. A client of cards cannot express a condition, and
records are merged and copied: where two Devices carry the identifier, FHIR refuses every further conditional create
(412), and with it the whole answer. So the one that was there first, by its id, is then named and none created.

Source: FHIR R4 http.html#ccreate (multiple matches: 412 Precondition Failed).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.elements import Identifier
from ebbmark.record.exchange import Reply, decoded

__all__ = ["with_one_device", "with_references"]

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


async def with_one_device(entries: Sequence[Json], record: RecordClient) -> tuple[Json, ...]:
    """The entries of a transaction, with the Device of the record in place of ours where it holds several.

    Args:
        entries: as `fhir.write.as_transaction` made them.
        record: the client.

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
