"""Which answer is about to be written? What the transaction itself says: identity, trial, inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import msgspec

from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.writing.enterer import ENTERER
from ebbmark.fhir.writing.provenance import PROVENANCE
from ebbmark.record.earlier import TrialOfRecord
from ebbmark.record.elements import Entity, Identifier, Meta, Period, Reference
from ebbmark.record.standing import Candidate
from ebbmark.record.stored import versions_of

__all__ = ["Sent", "second_of", "sent_of"]

Json = dict[str, object]


@dataclass(frozen=True, slots=True)
class Sent:
    """The answer that is to be written.

    Attributes:
        entries: of the transaction.
        identity: of the answer.
        engine_version: version of this software.
        recorded: FHIR instant.
        enterer: FHIR Provenance.agent of the person who chose to record it; None where none did.
        trial: where its trial is found.
        candidate: the answer as the rules of standing see it.
    """

    entries: tuple[Json, ...]
    identity: str
    engine_version: str
    recorded: str
    enterer: Json | None
    trial: TrialOfRecord
    candidate: Candidate


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
        entries=tuple(entries),
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


def _enters(agent: Json) -> bool:
    codings = cast("Json", agent.get("type", {})).get("coding", [])
    return any(coding.get("code") == ENTERER for coding in cast("list[Json]", codings))


def second_of(text: str) -> float:
    """An instant [s since 1970-01-01T00:00:00Z]; 0 where the text is none."""
    found = seconds(text)
    return found if isinstance(found, float) else 0.0
