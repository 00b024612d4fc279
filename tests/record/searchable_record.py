"""A record in memory that can be searched, well or badly."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs

import httpx
import respx

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import Operation
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.record.client import RecordClient
from ebbmark.record.record_query import record_query_of
from ebbmark.use_cases.from_record import answer_from_record
from fhir_builders import Json

BASE = "https://record.example/fhir"


@dataclass(slots=True)
class SearchableRecord:
    """Holds resources and answers reads and searches.

    Attributes:
        resources: what it holds.
        page_size: entries per page, whatever `_count` says.
        deaf: whether it ignores every search parameter.
        refused: search parameters that it answers with 400.
        extra: entries put onto every first page.
        next_address: what it says the next page is; None for its own.
        named: base address that it uses for itself in links.
        asked: method and address of every request, the form of a POST behind it.
    """

    resources: list[Json]
    page_size: int = 200
    deaf: bool = False
    refused: frozenset[str] = frozenset()
    extra: list[Json] = field(default_factory=list)
    next_address: str | None = None
    named: str = BASE
    asked: list[str] = field(default_factory=list)

    def attach(self, router: respx.MockRouter) -> None:
        router.route(url__startswith=BASE).mock(side_effect=self.answer)

    def answer(self, request: httpx.Request) -> httpx.Response:
        form = request.content.decode() if request.method == "POST" else ""
        self.asked.append(f"{request.method} {request.url} {form}".strip())
        kind, _, identity = request.url.path.removeprefix("/fhir/").partition("/")
        if identity and identity != "_search":
            return self.read(kind, identity)
        query = parse_qs(form or request.url.query.decode())
        if self.refused & query.keys():
            text = f"Unknown search parameters {sorted(self.refused)} for a patient named Hazel"
            issue = {"severity": "error", "code": "not-supported", "diagnostics": text}
            return httpx.Response(400, json={"resourceType": "OperationOutcome", "issue": [issue]})
        return self.page(kind, query, form or request.url.query.decode())

    def read(self, kind: str, identity: str) -> httpx.Response:
        for resource in self.resources:
            if (resource["resourceType"], resource.get("id")) == (kind, identity):
                return httpx.Response(200, json=resource)
        return httpx.Response(404, json={"resourceType": "OperationOutcome", "issue": []})

    def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
        first = int(query.pop("page", ["0"])[0])
        found = [
            resource
            for resource in self.resources
            if self.deaf or (resource["resourceType"] == kind and matches(resource, query))
        ]
        part = found[first : first + self.page_size]
        entries: list[Json] = [{"resource": one, "search": {"mode": "match"}} for one in part]
        links: list[Json] = []
        if first + self.page_size < len(found) or self.next_address:
            bare = text.split("&page=")[0]
            following = self.next_address or f"{self.named}/{kind}?{bare}&page={first + self.page_size}"
            links = [{"relation": "next", "url": following}]
        if first == 0:
            entries += self.extra
        page = {"resourceType": "Bundle", "type": "searchset", "link": links, "entry": entries}
        return httpx.Response(200, json=page)


def matches(resource: Json, query: dict[str, list[str]]) -> bool:
    """Patient and codes only: the record of a test need not know all of FHIR."""
    text = json.dumps(resource)
    asked = next((query[name] for name in ("combo-code", "component-code", "code") if name in query), [""])
    wanted = [one.split("|")[-1] for one in asked[0].split(",")]
    # FHIR R4 search.html#reference: `p1` and `Patient/p1` are the same where the parameter allows one type only.
    subject = query.get("patient", [""])[0].removeprefix("Patient/")
    return f'"Patient/{subject}"' in text and (wanted == [""] or any(f'"{code}"' in text for code in wanted))


async def answered_from_record(
    operation: Operation,
    body: bytes,
    client: RecordClient,
    at_s: float,
    **more: Any,  # noqa: ANN401
) -> Answer:
    """The answer to a request that names a patient of the record."""
    asked = record_query_of(body, base_url=client.settings.base_url, at_s=at_s)
    assert asked is not None
    return await answer_from_record(operation, asked, RequestContext(at_s), record=client, **more)
