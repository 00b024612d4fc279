"""What all resources of one answer share: subject, encounter, device, times, and names made from the identity."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import sha1
from uuid import NAMESPACE_URL

import msgspec

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import BASE, REQUEST_SYSTEM, RESULT_SYSTEM
from ebbmark.fhir.times import instant

__all__ = ["REQUEST_SYSTEM", "RESULT_SYSTEM", "Frame", "Reference", "operation_url"]

UNNAMED_PATIENT = "The patient of the request, sent without an id"

_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}


class Reference(msgspec.Struct, omit_defaults=True, gc=False):
    """FHIR Reference: by address, or by a name in words where the input had no address."""

    reference: str | None = None
    display: str | None = None


def operation_url(slug: str) -> str:
    """Canonical address of an operation; an identifier, not an address."""
    return f"{BASE}/OperationDefinition/{slug}"


class Frame:
    """The shared parts of one answer; made once per answer.

    Attributes:
        answer: the answer.
        subject: Reference to the patient.
        encounter: Reference to the encounter; None where none was named.
        device: Reference to this software.
        end: last moment that the answer looks at, as FHIR dateTime.
    """

    __slots__ = ("_addresses", "_hash", "_references", "_sources", "answer", "device", "encounter", "end", "subject")

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        request = answer.request
        self._hash = sha1(NAMESPACE_URL.bytes + f"{RESULT_SYSTEM}|{answer.identity}:".encode(), usedforsecurity=False)
        self._references: dict[str, Reference] = {}
        self._addresses = [source.reference for source in request.sources]
        self._sources = [
            Reference(reference=source.reference) if source.reference else Reference(display=source.path)
            for source in request.sources
        ]
        self.end = instant(answer.span_s[1])
        # A patient sent without id or address has no reference; one that is empty would be no FHIR.
        address = request.subject
        self.subject = Reference(reference=address) if address else Reference(display=UNNAMED_PATIENT)
        self.encounter = Reference(reference=request.encounter) if request.encounter else None
        self.device = self.to("device")

    def identifier(self, kind: str) -> dict[str, str]:
        """Identifier that a second try will find again."""
        return {"system": RESULT_SYSTEM, "value": f"{self.answer.identity}:{kind}"}

    def to(self, kind: str) -> Reference:
        """Reference to another resource of this answer."""
        known = self._references.get(kind)
        if known is None:
            known = self._references[kind] = Reference(reference=self._full_url(kind))
        return known

    def _full_url(self, kind: str) -> str:
        """UUID version 5 (RFC 9562) of the identifier, in the namespace of URLs."""
        name = self._hash.copy()
        name.update(kind.encode())
        digits = name.hexdigest()
        return (
            f"urn:uuid:{digits[:8]}-{digits[8:12]}-5{digits[13:16]}-"
            f"{_VARIANT[digits[16]]}{digits[17:20]}-{digits[20:32]}"
        )

    def inputs(self, sources: Iterable[int]) -> list[Reference]:
        """References to these inputs, each once: those without an address as received, then the others by address.

        Sorted, so that the order received does not show where it need not.
        """
        return [self._sources[index] for index in sorted(sorted(set(sources)), key=self._addresses.__getitem__)]

    def all_inputs(self) -> list[Reference]:
        """References to every input that was read, in the same kind of order, and last to the Patient.

        Without a version the Patient is not named: it would say no more than the subject of every result.
        """
        person = self.answer.request.person
        patient = [Reference(reference=person.version)] if person is not None and person.version else []
        return [*self.inputs(range(len(self._sources))), *patient]

    @property
    def about(self) -> dict[str, object]:
        """Subject, and encounter where one is known."""
        encounter = {"encounter": self.encounter} if self.encounter is not None else {}
        return {"subject": self.subject, **encounter}
