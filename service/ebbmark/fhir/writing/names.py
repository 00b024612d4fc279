"""What do all resources of one answer share? Names made from its identity, references to its inputs, its times."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import NAMESPACE_URL, uuid5

from ebbmark.fhir.naming import BASE, RESULT_SYSTEM
from ebbmark.fhir.writing.instants import instant
from ebbmark.fhir.writing.statements import Answer

__all__ = ["Names", "operation_url"]

Json = dict[str, object]


def operation_url(slug: str) -> str:
    """Canonical address of an operation; an identifier, not an address."""
    return f"{BASE}/OperationDefinition/{slug}"


class Names:
    """The shared parts of one answer; made once per answer."""

    __slots__ = ("answer",)

    def __init__(self, answer: Answer) -> None:
        self.answer = answer

    def identifier(self, kind: str) -> dict[str, str]:
        """Identifier that a second try will find again."""
        return {"system": RESULT_SYSTEM, "value": f"{self.answer.identity}:{kind}"}

    def full_url(self, kind: str) -> str:
        """UUID version 5 (RFC 9562) of the identifier, in the namespace of URLs."""
        return uuid5(NAMESPACE_URL, f"{RESULT_SYSTEM}|{self.answer.identity}:{kind}").urn

    def to(self, kind: str) -> dict[str, str]:
        """Reference to another resource of this answer."""
        return {"reference": self.full_url(kind)}

    def inputs(self, sources: Iterable[int]) -> list[dict[str, str]]:
        """References to these inputs, each once, in an order that does not depend on the order received."""
        listed = self.answer.request.sources
        chosen = sorted(sorted(set(sources)), key=lambda index: listed[index].reference)
        return [
            {"reference": listed[index].reference} if listed[index].reference else {"display": listed[index].path}
            for index in chosen
        ]

    @property
    def about(self) -> Json:
        """Subject, and encounter where one is known."""
        request = self.answer.request
        encounter = {"encounter": {"reference": request.encounter}} if request.encounter else {}
        return {"subject": {"reference": request.subject}, **encounter}

    def effective(self, span_s: tuple[float, float] | None) -> Json:
        """`effectiveDateTime`, or `effectivePeriod` where it lasted."""
        start, end = map(instant, span_s or self.answer.span_s)
        return {"effectiveDateTime": end} if start == end else {"effectivePeriod": {"start": start, "end": end}}

    @property
    def end(self) -> str:
        """Last moment that the answer looks at, as FHIR dateTime."""
        return instant(self.answer.span_s[1])
