"""A record in memory that keeps what is written to it: conditional creates, versions, `ifMatch`, searches."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from email.utils import formatdate
from typing import Any, Literal
from urllib.parse import parse_qs, unquote

import httpx
import respx

BASE = "https://record.example/fhir"
Json = dict[str, Any]


@dataclass(slots=True)
class KeepingRecord:
    """Holds resources by `Type/id`.

    Attributes:
        held: newest version of each.
        before_commit: called once with the record before the next transaction that writes results is carried out: the
            moment at which another writer comes in between.
        deaf: whether it ignores every search parameter.
        heeds_conditions: whether it honours `ifNoneExist`.
        heeds_versions: whether it honours `ifMatch`.
        refused_types: types that it does not take.
        failing: types that cannot be searched.
        search_status: what searches are answered with where they fail.
        posts: transactions that came in.
        says_changes: what it makes of `_lastUpdated` with `_summary=count`: passes both over, counts everything it
            holds, counts what was stored since, or refuses.
        stored_s: when each was stored last.
        asked: what was searched for.
        reads: what was read by its address.
    """

    held: dict[str, Json] = field(default_factory=dict)
    before_commit: Callable[[KeepingRecord], None] | None = None
    deaf: bool = False
    heeds_conditions: bool = True
    heeds_versions: bool = True
    refused_types: frozenset[str] = frozenset()
    failing: frozenset[str] = frozenset()
    search_status: int = 200
    posts: int = 0
    says_changes: Literal["passes over", "counts all", "counts since", "refuses"] = "passes over"
    stored_s: dict[str, float] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    reads: list[str] = field(default_factory=list)
    clock: int = 0

    def attach(self, router: respx.MockRouter) -> None:
        router.route(url__startswith=BASE).mock(side_effect=self.answer)

    def answer(self, request: httpx.Request) -> httpx.Response:
        kind, _, identity = request.url.path.removeprefix("/fhir").strip("/").partition("/")
        if kind == "metadata":
            headers = {"Date": formatdate(usegmt=True)}
            able = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}
            return httpx.Response(200, json=able, headers=headers)
        if request.method == "DELETE":
            self.held.pop(f"{kind}/{identity}", None)
            return httpx.Response(204)
        if request.method == "POST" and not kind:
            return self.transact(json.loads(request.content))
        query = parse_qs(request.content.decode() or request.url.query.decode())
        if identity and identity != "_search":
            self.reads.append(f"{kind}/{identity}")
            found = self.held.get(f"{kind}/{identity}")
            return httpx.Response(200 if found else 404, json=found or {"resourceType": "OperationOutcome"})
        self.asked.append(f"{kind}?{request.content.decode() or request.url.query.decode()}")
        if "_lastUpdated" in query and self.says_changes != "passes over":
            return self.counted(kind, query)
        if kind in self.failing:
            return httpx.Response(500, json={"resourceType": "OperationOutcome", "issue": []})
        if self.search_status != 200:
            return httpx.Response(self.search_status, json={"resourceType": "OperationOutcome", "issue": []})
        entries = [{"resource": one} for one in self.held.values() if self.deaf or self.matches(one, kind, query)]
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset", "entry": entries})

    def counted(self, kind: str, query: dict[str, list[str]]) -> httpx.Response:
        if self.says_changes == "refuses":
            return httpx.Response(400, json={"resourceType": "OperationOutcome", "issue": []})
        since_s = datetime.fromisoformat(query["_lastUpdated"][0].removeprefix("gt")).timestamp()
        every = self.says_changes == "counts all"
        total = sum(
            place.startswith(f"{kind}/") and (every or stored_s > since_s) for place, stored_s in self.stored_s.items()
        )
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset", "total": total})

    def transact(self, bundle: Json) -> httpx.Response:
        self.posts += 1
        if self.before_commit is not None and any(one["request"]["url"] != "List" for one in bundle["entry"]):
            meanwhile, self.before_commit = self.before_commit, None
            meanwhile(self)
        entries = bundle["entry"]
        if self.refused_types & {entry["resource"]["resourceType"] for entry in entries}:
            return httpx.Response(422, json={"resourceType": "OperationOutcome", "issue": []})
        for entry in entries:
            wanted = entry["request"].get("ifMatch")
            if (
                wanted
                and self.heeds_versions
                and wanted != f'W/"{self.held[entry["request"]["url"]]["meta"]["versionId"]}"'
            ):
                return httpx.Response(412, json={"resourceType": "OperationOutcome", "issue": []})
        places: dict[str, str] = {}
        statuses = []
        for entry in entries:
            request = entry["request"]
            there = self.found_again(request.get("ifNoneExist"), request["url"])
            place = there or (
                request["url"] if request["method"] == "PUT" else f"{request['url']}/{len(self.held) + 1}"
            )
            places[entry.get("fullUrl", f"#{len(places)}")] = place
            if there is None:
                self.put(place, entry["resource"])
            statuses.append("201" if there is None and request["method"] == "POST" else "200")
        for place in places.values():
            self.held[place] = self.linked(self.held[place], places)
        replies = [
            {"response": {"status": status, "location": f"{place}/_history/{self.held[place]['meta']['versionId']}"}}
            for status, place in zip(statuses, places.values(), strict=True)
        ]
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "transaction-response", "entry": replies})

    def found_again(self, condition: str | None, kind: str) -> str | None:
        if condition is None or not self.heeds_conditions:
            return None
        code = unquote(condition.partition("&")[0].partition("|")[2])
        return next((place for place, one in self.held.items() if place.startswith(kind) and code in named(one)), None)

    def put(self, place: str, resource: Json) -> None:
        self.clock += 1
        version = str(int(self.held.get(place, {"meta": {"versionId": "0"}})["meta"]["versionId"]) + 1)
        meta = {
            **resource.get("meta", {}),
            "versionId": version,
            "lastUpdated": f"2026-03-02T12:{self.clock // 60:02d}:{self.clock % 60:02d}Z",
        }
        self.stored_s[place] = time.time()
        self.held[place] = {**resource, "id": place.partition("/")[2], "meta": meta}

    def linked(self, value: Any, places: dict[str, str]) -> Any:  # noqa: ANN401 - any JSON
        if isinstance(value, list):
            return [self.linked(one, places) for one in value]
        if isinstance(value, dict):
            return {name: self.linked(one, places) for name, one in value.items()}
        return places.get(value, value) if isinstance(value, str) and value.startswith("urn:") else value

    def matches(self, one: Json, kind: str, query: dict[str, list[str]]) -> bool:
        def wanted(name: str) -> list[str]:
            return query[name][0].split(",")

        codes = [coding["code"] for coding in one.get("code", {}).get("coding", ())]
        return (
            one["resourceType"] == kind
            and ("_id" not in query or one["id"] in wanted("_id"))
            and ("_tag" not in query or any(code.partition("|")[2] in named(one) for code in wanted("_tag")))
            and ("code" not in query or any(code.partition("|")[2] in codes for code in wanted("code")))
            and ("identifier" not in query or any(v.partition("|")[2] in named(one) for v in wanted("identifier")))
        )

    def results(self) -> dict[str, Json]:
        """Everything beside the List that names what is current."""
        return {place: one for place, one in self.held.items() if one["resourceType"] != "List"}

    def current(self) -> list[str]:
        """Identities that the List names."""
        (named,) = [one for one in self.held.values() if one["resourceType"] == "List"]
        return [entry["item"]["identifier"]["value"] for entry in named.get("entry", ())]

    def of(self, code: str) -> list[Json]:
        """Every version in force of our Observations of this code."""
        return [
            one
            for one in self.held.values()
            if one["resourceType"] == "Observation"
            and code in [coding["code"] for coding in one["code"].get("coding", ())]
        ]


def named(resource: Json) -> list[str]:
    """Values of its identifiers and codes of its tags."""
    tags = [tag["code"] for tag in resource.get("meta", {}).get("tag", ())]
    identifiers = resource.get("identifier", [])
    return tags + [identifier["value"] for identifier in identifiers]
