"""What is one resource of ours that the record gave back, and how are several of them read at once?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import TypeVar

import msgspec

from ebbmark.fhir.references import tail_of
from ebbmark.fhir.writing.frame import RESULT_SYSTEM
from ebbmark.record.client import RecordClient
from ebbmark.record.elements import Entity, Identifier, Meta, Period, Reference
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, TooMuch, any_of, search

__all__ = [
    "NotFhir",
    "ProvenanceView",
    "Stored",
    "failure_of",
    "provenance_of",
    "read_by_id",
    "stored_of",
    "versions_of",
]

T = TypeVar("T")
Json = dict[str, object]

_PORTION = 40
_EXACT = msgspec.json.Decoder(Json, float_hook=Decimal)


class _Result(msgspec.Struct):
    meta: Meta = msgspec.field(default_factory=Meta)
    identifier: list[Identifier] = []
    status: str = ""
    subject: Reference = msgspec.field(default_factory=Reference)
    effectivePeriod: Period = msgspec.field(default_factory=Period)
    note: list[Json] = []


class Agent(msgspec.Struct):
    """FHIR Provenance.agent."""

    who: Reference = msgspec.field(default_factory=Reference)


class ProvenanceView(msgspec.Struct):
    """The parts of a Provenance that are read."""

    meta: Meta = msgspec.field(default_factory=Meta)
    target: list[Reference] = []
    entity: list[Entity] = []
    agent: list[Agent] = []


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


class NotFhir(Exception):
    """A resource of ours that is not in the shape of FHIR."""


async def read_by_id(
    references: Iterable[str], *, record: RecordClient, budget: Budget, waiting: Waiting
) -> list[FoundEntry] | ReadFailure:
    """Read resources, many at once; those that are not there are left out.

    Args:
        references: `Type/id`.
        record: the client.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
    """
    by_kind: dict[str, list[str]] = {}
    for reference in dict.fromkeys(references):
        kind, _, identity = reference.partition("/")
        by_kind.setdefault(kind, []).append(identity)
    entries: list[FoundEntry] = []
    for kind, identities in sorted(by_kind.items()):
        for first in range(0, len(identities), _PORTION):
            portion = identities[first : first + _PORTION]
            query = [("_id", any_of(portion)), ("_count", str(_PORTION))]
            found = await search(record, kind, query, budget=budget, waiting=waiting)
            if not isinstance(found, Found):
                return failure_of(found)
            entries += [one for one in found.entries if one.head.resource_type == kind and one.head.id in portion]
    return entries


def versions_of(references: Iterable[str]) -> dict[str, str]:
    """Version by `Type/id` of each reference that names one."""
    parts = (reference.partition("/_history/") for reference in references)
    return {tail_of(plain): version for plain, _, version in parts if version}


def _read(entry: FoundEntry, shape: type[T]) -> T:
    try:
        return msgspec.json.decode(entry.resource, type=shape)
    except msgspec.DecodeError as error:
        raise NotFhir from error


def provenance_of(entry: FoundEntry) -> ProvenanceView:
    """Read a Provenance.

    Raises:
        NotFhir: it has another shape.
    """
    return _read(entry, ProvenanceView)


def stored_of(entry: FoundEntry) -> Stored:
    """Read a result.

    Raises:
        NotFhir: it has another shape.
    """
    head, result = entry.head, _read(entry, _Result)
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


def failure_of(found: TooMuch | ReadFailure) -> ReadFailure:
    """One kind of failure where too much is one, too."""
    if isinstance(found, ReadFailure):
        return found
    return ReadFailure(f"the record holds {found.sentence}", 200)
