"""Which answer is about to be written? What the transaction itself says: identity, trial, inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import msgspec

from ebbmark.fhir.reading.times import seconds
from ebbmark.record.earlier import TrialOfRecord
from ebbmark.record.elements import Entity, Identifier, Period, Reference
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
        trial: where its trial is found.
        candidate: the answer as the rules of standing see it.
    """

    entries: tuple[Json, ...]
    identity: str
    engine_version: str
    recorded: str
    trial: TrialOfRecord
    candidate: Candidate


class _Version(msgspec.Struct):
    value: str = ""


class _Resource(msgspec.Struct):
    resourceType: str
    requestIdentifier: Identifier | None = None
    subject: Reference | None = None
    identifier: list[Identifier] = []
    effectivePeriod: Period | None = None
    entity: list[Entity] = []
    recorded: str = ""
    version: list[_Version] = []


def sent_of(transaction: Json) -> Sent:
    """Read the transaction.

    Args:
        transaction: what `fhir.write.as_transaction` made.
    """
    entries = cast("list[Json]", transaction["entry"])
    resources = [msgspec.convert(entry["resource"], _Resource) for entry in entries]
    guidance = next(one for one in resources if one.resourceType == "GuidanceResponse")
    provenance = next(one for one in resources if one.resourceType == "Provenance")
    device = next((one for one in resources if one.resourceType == "Device"), None)
    closing = next(one for one in resources if any(each.value.endswith(":closing-pressure") for each in one.identifier))
    identity = guidance.requestIdentifier.value if guidance.requestIdentifier else ""
    period = closing.effectivePeriod or Period()
    return Sent(
        entries=tuple(entries),
        identity=identity,
        engine_version=device.version[0].value if device else "",
        recorded=provenance.recorded,
        trial=TrialOfRecord(guidance.subject.reference if guidance.subject else "", period.start, period.end),
        candidate=Candidate(
            identity,
            versions_of(one.what.reference for one in provenance.entity),
            second_of(period.end),
            None,
            signed=False,
        ),
    )


def second_of(text: str) -> float:
    """An instant [s since 1970-01-01T00:00:00Z]; 0 where the text is none."""
    found = seconds(text)
    return found if isinstance(found, float) else 0.0
