"""How are the Patient and the DeviceMetrics read, each by its own address?"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.elements import Reference
from ebbmark.record.reading import ReadFailure, Waiting, read_json
from ebbmark.record.searching import Budget, FoundEntry, Head

__all__ = ["machines_of", "read_metrics", "read_one"]

MOST_METRICS = 20


class _Metric(msgspec.Struct):
    source: Reference = msgspec.field(default_factory=Reference)
    parent: Reference = msgspec.field(default_factory=Reference)


async def read_one(
    reference: str, *, record: RecordClient, budget: Budget, waiting: Waiting
) -> FoundEntry | ReadFailure:
    """One resource, in the version named if one is; the reply must be the one that was asked for.

    Args:
        reference: `Type/id`, or `Type/id/_history/version`.
        record: the client.
        budget: how much may still be read.
        waiting: how time passes between attempts.
    """
    if budget.requests <= 0:
        return ReadFailure("more would have to be read than is allowed", None)
    budget.requests -= 1

    async def read() -> msgspec.Raw | ReadFailure:
        return await read_json(record, reference, msgspec.Raw, waiting=waiting)

    raw = await (record.shelf.once(reference, read) if record.shelf is not None else read())
    if isinstance(raw, ReadFailure):
        return raw
    try:
        head = msgspec.json.decode(raw, type=Head)
    except msgspec.DecodeError:
        return ReadFailure("the reply was not a resource", 200)
    plain, _, version = reference.partition("/_history/")
    if f"{head.resource_type}/{head.id}" != plain or (version and head.meta.version_id != version):
        return ReadFailure("the reply was another resource or version than the one asked for", 200)
    return FoundEntry(f"{record.settings.base_url.rstrip('/')}/{plain}", head, bytes(raw))


async def read_metrics(
    devices: Iterable[str], *, record: RecordClient, budget: Budget, waiting: Waiting
) -> tuple[list[FoundEntry], list[str]]:
    """DeviceMetrics that tell settings from measurements; one that cannot be read is named, and nothing is guessed."""
    base = record.settings.base_url.rstrip("/") + "/"
    wanted = sorted({device.removeprefix(base) for device in devices})
    wanted = [reference for reference in wanted if reference.startswith("DeviceMetric/")]
    metrics, notes = [], []
    for reference in wanted[:MOST_METRICS]:
        found = await read_one(reference, record=record, budget=budget, waiting=waiting)
        if isinstance(found, ReadFailure):
            notes.append(f"{reference} could not be read ({found.sentence}): it may tell settings from measurements.")
        else:
            metrics.append(found)
    if len(wanted) > MOST_METRICS:
        notes.append(f"{len(wanted) - MOST_METRICS} DeviceMetrics beyond the first {MOST_METRICS} were not read.")
    return metrics, notes


def machines_of(metrics: Iterable[FoundEntry]) -> dict[str, str]:
    """The device that each DeviceMetric belongs to, by the ways to refer to the metric."""
    machines = {}
    for entry in metrics:
        try:
            metric = msgspec.json.decode(entry.resource, type=_Metric)
        except msgspec.DecodeError:
            continue
        name = metric.source.reference or metric.parent.reference
        machines[f"DeviceMetric/{entry.head.id}"] = machines[entry.full_url] = name
    return machines
