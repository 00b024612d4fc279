"""What do all resources of one answer share? Subject, encounter, device, times, and names made from the identity."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import sha1
from uuid import NAMESPACE_URL

import msgspec

from ebbmark.fhir.naming import REQUEST_SYSTEM, RESULT_SYSTEM
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.instants import instant

__all__ = ["REQUEST_SYSTEM", "RESULT_SYSTEM", "Frame", "Reference"]

UNNAMED_PATIENT = "The patient of the request, sent without an id"

_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}


class Reference(msgspec.Struct, omit_defaults=True, gc=False):
    """FHIR Reference: by address, or by a name in words where the input had no address."""

    reference: str | None = None
    display: str | None = None


class Frame:
    """The shared parts of one answer; made once per answer.

    Attributes:
        recommendation: the answer.
        subject: Reference to the patient.
        encounter: Reference to the encounter; None where none was named.
        device: Reference to this software.
        period: effectivePeriod of the whole limb.
        end: last moment of the limb, as FHIR dateTime.
    """

    __slots__ = (
        "_addresses",
        "_full_urls",
        "_hash",
        "_sources",
        "device",
        "encounter",
        "end",
        "period",
        "recommendation",
        "subject",
    )

    def __init__(self, recommendation: Recommendation) -> None:
        self.recommendation = recommendation
        request = recommendation.request
        self._hash = sha1(
            NAMESPACE_URL.bytes + f"{RESULT_SYSTEM}|{recommendation.identity}:".encode(), usedforsecurity=False
        )
        self._full_urls: dict[str, str] = {}
        self._addresses = [source.reference for source in request.sources]
        self._sources = [
            Reference(reference=source.reference) if source.reference else Reference(display=source.path)
            for source in request.sources
        ]
        steps = recommendation.trial.steps
        self.end = instant(max(step.end_s for step in steps))
        self.period = {"start": instant(min(step.start_s for step in steps)), "end": self.end}
        # A patient sent without id or address has no reference; one that is empty would be no FHIR.
        address = request.known_person.reference
        self.subject = Reference(reference=address) if address else Reference(display=UNNAMED_PATIENT)
        self.encounter = Reference(reference=request.encounter) if request.encounter else None
        self.device = self.to("device")

    def identifier(self, kind: str) -> dict[str, str]:
        """Identifier that a second try will find again."""
        return {"system": RESULT_SYSTEM, "value": f"{self.recommendation.identity}:{kind}"}

    def full_url(self, kind: str) -> str:
        """UUID version 5 (RFC 9562) of the identifier, in the namespace of URLs."""
        known = self._full_urls.get(kind)
        if known is not None:
            return known
        name = self._hash.copy()
        name.update(kind.encode())
        digits = name.hexdigest()
        made = self._full_urls[kind] = (
            f"urn:uuid:{digits[:8]}-{digits[8:12]}-5{digits[13:16]}-"
            f"{_VARIANT[digits[16]]}{digits[17:20]}-{digits[20:32]}"
        )
        return made

    def to(self, kind: str) -> Reference:
        """Reference to another resource of this answer."""
        return Reference(reference=self.full_url(kind))

    def inputs(self, sources: Iterable[int]) -> list[Reference]:
        """References to these inputs, each once: those without an address as received, then the others by address.

        Sorted, so that the order received does not show where it need not.
        """
        return [self._sources[index] for index in sorted(sorted(set(sources)), key=self._addresses.__getitem__)]

    def all_inputs(self) -> list[Reference]:
        """References to every input that was read, in the same kind of order, and last to the Patient.

        Without a version the Patient is not named: it would say no more than the subject of every result.
        """
        person = self.recommendation.request.known_person
        patient = [Reference(reference=person.version)] if person.version else []
        return [*self.inputs(range(len(self._sources))), *patient]
