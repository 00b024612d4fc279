"""Which answer is about to be written? What the transaction itself says: identity, trial, inputs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import msgspec

from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.writing.enterer import ENTERER
from ebbmark.fhir.writing.provenance import PROVENANCE
from ebbmark.record.earlier import Earlier, TrialOfRecord
from ebbmark.record.elements import Entity, Identifier, Meta, Period, Reference
from ebbmark.record.one_device import with_references
from ebbmark.record.standing import Candidate
from ebbmark.record.stored import versions_of

__all__ = ["Part", "Sent", "second_of", "sent_of"]

Json = dict[str, object]


@dataclass(frozen=True, slots=True)
class Part:
    """One resource of the answer: its place in the transaction, the value of its identifier or tag, and its entry."""

    index: int
    key: str
    entry: Json


@dataclass(frozen=True, slots=True)
class Sent:
    """The answer that is to be written.

    Attributes:
        parts: all its resources.
        closing: address of the closing pressure within the transaction.
        identity: of the answer.
        engine_version: version of this software.
        recorded: FHIR instant.
        enterer: FHIR Provenance.agent of the person who chose to record it; None where none did.
        trial: where its trial is found.
        candidate: the answer as the rules of standing see it.
    """

    parts: tuple[Part, ...]
    closing: str
    identity: str
    engine_version: str
    recorded: str
    enterer: Json | None
    trial: TrialOfRecord
    candidate: Candidate

    def missing_of(self, own: Earlier | None) -> tuple[Part, ...]:
        """The parts that the record does not hold; a Device only with others, since it is none of the answer."""
        if own is None:
            return self.parts
        missing = tuple(one for one in self.parts if not self.place_of(one, own))
        return missing if any(not _is_device(one) for one in missing) else ()

    def place_of(self, part: Part, own: Earlier) -> str:
        """Where the record holds this part; empty where it does not."""
        return own.device if _is_device(part) else own.places.get(part.key, "")

    def entries_of(self, parts: Sequence[Part], own: Earlier | None) -> list[Json]:
        """The transaction entries of some parts; they refer to the others as the record holds them."""
        if own is None or len(parts) == len(self.parts):
            return [one.entry for one in parts]
        places = {str(one.entry.get("fullUrl", "")): self.place_of(one, own) for one in self.parts if one not in parts}
        named = {url: place.partition("/_history/")[0] for url, place in places.items() if url and place}
        return [cast("Json", with_references(one.entry, named)) for one in parts]


def _is_device(part: Part) -> bool:
    return cast("Json", part.entry["resource"])["resourceType"] == "Device"


class _Version(msgspec.Struct):
    value: str = ""


class _Resource(msgspec.Struct):
    resourceType: str
    meta: Meta = msgspec.field(default_factory=Meta)
    requestIdentifier: Identifier | None = None
    subject: Reference | None = None
    identifier: list[Identifier] = []
    effectivePeriod: Period | None = None
    entity: list[Entity] = []
    recorded: str = ""
    agent: list[Json] = []
    version: list[_Version] = []


def sent_of(transaction: Json) -> Sent:
    """Read the transaction.

    Args:
        transaction: what `fhir.write.as_transaction` made.
    """
    entries = cast("list[Json]", transaction["entry"])
    resources = [msgspec.convert(entry["resource"], _Resource) for entry in entries]
    guidance = next(one for one in resources if one.resourceType == "GuidanceResponse")
    # The report, which may come later, has one of its own.
    provenance = next(one for one in resources if any(tag.code.endswith(f":{PROVENANCE}") for tag in one.meta.tag))
    device = next((one for one in resources if one.resourceType == "Device"), None)
    closing = next(one for one in resources if any(each.value.endswith(":closing-pressure") for each in one.identifier))
    identity = guidance.requestIdentifier.value if guidance.requestIdentifier else ""
    period = closing.effectivePeriod or Period()
    return Sent(
        parts=tuple(
            Part(index, _key_of(resource), entry)
            for index, (resource, entry) in enumerate(zip(resources, entries, strict=True))
        ),
        closing=next(
            str(entry.get("fullUrl", ""))
            for resource, entry in zip(resources, entries, strict=True)
            if resource is closing
        ),
        identity=identity,
        engine_version=device.version[0].value if device else "",
        recorded=provenance.recorded,
        enterer=next((agent for agent in provenance.agent if _enters(agent)), None),
        trial=TrialOfRecord(guidance.subject.reference if guidance.subject else "", period.start, period.end),
        candidate=Candidate(
            identity,
            versions_of(one.what.reference for one in provenance.entity),
            second_of(period.end),
            None,
            signed=False,
        ),
    )


def _key_of(resource: _Resource) -> str:
    named = [one.value for one in resource.identifier] or [one.code for one in resource.meta.tag]
    return named[0] if named else ""


def _enters(agent: Json) -> bool:
    codings = cast("Json", agent.get("type", {})).get("coding", [])
    return any(coding.get("code") == ENTERER for coding in cast("list[Json]", codings))


def second_of(text: str) -> float:
    """An instant [s since 1970-01-01T00:00:00Z]; 0 where the text is none."""
    found = seconds(text)
    return found if isinstance(found, float) else 0.0
