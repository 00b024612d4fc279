"""A FHIR R4 record in memory, as a process of its own: what a write-back relies on, fast enough for ten thousand.

`PYTHONPATH=tests python -m live.memory_record [--port 0] [--data FOLDER]` prints its base URL, and serves until it is
ended. Transactions (all or nothing, one at a time), conditional create, `ifMatch`, versions, references that must lead
somewhere, searches with pages. `tests/record/test_record_contract.py` asks the same of it as of the Java record. What
it confirms lies in a file before it says so, and is there again after a kill.

Source: FHIR R4 http.html#transaction, #ccreate, #concurrency; search.html.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import socket
import struct
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode

import msgspec
import uvicorn

from ebbmark.fhir.times import seconds
from live.record_server import LOOPBACK

Json = dict[str, Any]
TYPES = (
    "CodeSystem", "DetectedIssue", "Device", "DiagnosticReport", "Encounter", "GuidanceResponse", "List", "Observation",
    "Patient", "Provenance",
)  # fmt: skip
TOKENS = frozenset({"identifier", "_tag", "code", "patient", "_id"})
PASSED_OVER = frozenset({"_count", "_sort", "_total", "_summary", "_offset"})
LONGEST_WORK_S = 0.03
"""A transaction is carried out at some moment within this time, so that whoever cuts its connection may come first."""
_HEAD = struct.Struct("<Id")


class Refused(Exception):
    """A status, and nothing was changed."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


class MemoryRecord:
    """Every version of every resource by `Type/id`, and what searches find it by."""

    def __init__(self, data: Path | None = None) -> None:
        self._versions: dict[str, list[bytes]] = {}
        self._found_by: dict[tuple[str, str, str], dict[str, None]] = defaultdict(dict)
        self._ids = 0
        self._log: int | None = None
        if data is not None:
            file = data / "transactions"
            for at_s, body in _logged(file):
                self.transact(msgspec.json.decode(body), at_s)
            self._log = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def carry_out(self, bundle: Json) -> Json:
        """Carry a transaction out and keep it.

        Raises:
            Refused: a condition is not met, or a reference leads nowhere.
        """
        at_s = time.time()
        reply = self.transact(bundle, at_s)
        if self._log is not None:
            body = msgspec.json.encode(bundle)
            os.write(self._log, _HEAD.pack(len(body), at_s) + body)
        return reply

    def transact(self, bundle: Json, at_s: float) -> Json:
        """The same, at this moment and for now."""
        entries = bundle["entry"]
        places: dict[str, str] = {}
        work: list[tuple[str, str, Json]] = []
        ids = self._ids
        for number, entry in enumerate(entries):
            request = entry["request"]
            place, there = request["url"], False
            if request["method"] == "PUT":
                wanted = request.get("ifMatch")
                if wanted and wanted != f'W/"{len(self._versions.get(place, ()))}"':
                    raise Refused(409)
            else:
                matches = self._matching(request["url"], request.get("ifNoneExist"))
                if len(matches) > 1:
                    raise Refused(412)
                there = bool(matches)
                ids += not there
                place = matches[0] if there else f"{request['url']}/{ids}"
            places[entry.get("fullUrl") or f"#{number}"] = place
            work.append(("" if there else request["method"], place, entry["resource"]))
        written = [(place, _linked(resource, places)) for method, place, resource in work if method]
        now_there = {place for place, _ in written}
        for _, resource in written:
            for reference in _references(resource):
                base = reference.partition("/_history/")[0]
                if base.partition("/")[0] in TYPES and base not in self._versions and base not in now_there:
                    raise Refused(400)
        self._ids = ids
        new = {place for place in now_there if place not in self._versions}
        for place, resource in written:
            self._put(place, resource, at_s)
        return {
            "resourceType": "Bundle",
            "type": "transaction-response",
            "entry": [
                {
                    "response": {
                        "status": "201 Created" if place in new else "200 OK",
                        "location": f"{place}/_history/{len(self._versions[place])}",
                    }
                }
                for _, place, _ in work
            ],
        }

    def read(self, place: str, version: str = "") -> bytes:
        """One resource, or one version of it."""
        held = self._versions.get(place, [])
        number = int(version) if version.isdigit() else len(held)
        if not 1 <= number <= len(held):
            raise Refused(404)
        return held[number - 1]

    def search(self, kind: str, asked: Sequence[tuple[str, str]], base: str) -> Json:
        """One page of what matches all parameters; what is not known here is refused."""
        given = dict(asked)
        if kind not in TYPES or {name for name, _ in asked} - TOKENS - PASSED_OVER - {"date"}:
            raise Refused(400)
        sets = [set(self._any(kind, name, value)) for name, value in asked if name in TOKENS]
        found = set.intersection(*sets) if sets else set(self._found_by[kind, "", ""])
        dates = [value for name, value in asked if name == "date"]
        places = sorted(one for one in found if not dates or _within(msgspec.json.decode(self.read(one)), dates))
        bundle: Json = {"resourceType": "Bundle", "type": "searchset", "total": len(places), "link": []}
        if given.get("_summary") == "count":
            return bundle
        start, count = int(given.get("_offset", 0)), int(given.get("_count", 20))
        if start + count < len(places):
            more = [(name, value) for name, value in asked if name != "_offset"] + [("_offset", str(start + count))]
            bundle["link"] = [{"relation": "next", "url": f"{base}/{kind}?{urlencode(more)}"}]
        page = places[start : start + count]
        bundle["entry"] = [
            {"fullUrl": f"{base}/{one}", "resource": msgspec.Raw(self.read(one)), "search": {"mode": "match"}}
            for one in page
        ]
        return bundle

    def _matching(self, kind: str, condition: str | None) -> list[str]:
        if condition is None:
            return []
        sets = [set(self._any(kind, name, value)) for name, value in parse_qsl(condition)]
        return sorted(set.intersection(*sets))

    def _any(self, kind: str, name: str, values: str) -> Iterator[str]:
        for value in values.split(","):
            if name == "patient" and "/" not in value:
                value = f"Patient/{value}"
            yield from self._found_by.get((kind, name, value), ())

    def _put(self, place: str, resource: Json, at_s: float) -> None:
        kind, _, identity = place.partition("/")
        held = self._versions.setdefault(place, [])
        for key in _keys(msgspec.json.decode(held[-1])) if held else ():
            self._found_by[key].pop(place, None)
        instant = datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")
        meta = {**resource.get("meta", {}), "versionId": str(len(held) + 1), "lastUpdated": instant}
        now = {**resource, "resourceType": kind, "id": identity, "meta": meta}
        held.append(msgspec.json.encode(now))
        for key in _keys(now):
            self._found_by[key][place] = None


def _logged(file: Path) -> Iterator[tuple[float, bytes]]:
    held = file.read_bytes() if file.exists() else b""
    start = 0
    while start + _HEAD.size <= len(held):
        length, at_s = _HEAD.unpack_from(held, start)
        body = held[start + _HEAD.size : start + _HEAD.size + length]
        if len(body) < length:
            break  # cut by the kill, and never confirmed
        yield at_s, body
        start += _HEAD.size + length
    if start < len(held):
        os.truncate(file, start)


def _keys(resource: Json) -> Iterator[tuple[str, str, str]]:
    kind = resource["resourceType"]
    yield kind, "", ""
    yield kind, "_id", resource["id"]
    codes = resource.get("code", {}).get("coding", ()) if isinstance(resource.get("code"), dict) else ()
    listed = (
        ("identifier", "value", resource.get("identifier", ())),
        ("_tag", "code", resource["meta"].get("tag", ())),
        ("code", "code", codes),
    )
    for name, field, tokens in listed:
        for token in tokens:
            yield kind, name, f"{token.get('system', '')}|{token.get(field)}"
    subject = resource.get("subject") or resource.get("patient")
    if isinstance(subject, dict):
        yield kind, "patient", subject.get("reference", "")


def _within(resource: Json, dates: Sequence[str]) -> bool:
    period = resource.get("effectivePeriod", {})
    when = resource.get("effectiveDateTime", "")
    start, end = seconds(period.get("start", when)), seconds(period.get("end", when))
    bounds = [(date[:2], seconds(date[2:])) for date in dates]
    if not all(isinstance(one, float) for one in (start, end, *(at for _, at in bounds))):
        return False
    return all({"ge": end >= at, "le": start <= at}[how] for how, at in bounds)  # type: ignore[operator]


def _linked(value: Any, places: Mapping[str, str]) -> Any:  # noqa: ANN401 - any JSON
    if isinstance(value, list):
        return [_linked(one, places) for one in value]
    if isinstance(value, dict):
        return {name: _linked(one, places) for name, one in value.items()}
    return places.get(value, value) if isinstance(value, str) and value.startswith("urn:") else value


def _references(value: Any) -> Iterator[str]:  # noqa: ANN401 - any JSON
    if isinstance(value, list):
        for one in value:
            yield from _references(one)
    elif isinstance(value, dict):
        for name, one in value.items():
            if name == "reference" and isinstance(one, str):
                yield one
            else:
                yield from _references(one)


class Door:
    """The record behind HTTP (ASGI)."""

    def __init__(self, record: MemoryRecord) -> None:
        self._record = record
        self._random = random.Random(1)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ANN401 - ASGI
        if scope["type"] != "http":
            return
        body, more = b"", True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            body, more = body + message.get("body", b""), message.get("more_body", False)
        host = dict(scope["headers"]).get(b"host", b"").decode()
        try:
            status, content = await self._answered(scope, body, f"http://{host}/fhir")
        except Refused as refused:
            issue = {"severity": "error", "code": "conflict" if refused.status == 409 else "processing"}
            status, content = (
                refused.status,
                msgspec.json.encode({"resourceType": "OperationOutcome", "issue": [issue]}),
            )
        headers = [(b"content-type", b"application/fhir+json"), (b"content-length", str(len(content)).encode())]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": content})

    async def _answered(self, scope: Json, body: bytes, base: str) -> tuple[int, bytes]:
        method, path = scope["method"], scope["path"].removeprefix("/fhir").strip("/")
        kind, _, identity = path.partition("/")
        if path == "metadata":
            search = [{"type": one, "interaction": [{"code": "search-type"}]} for one in TYPES]
            able = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": [{"resource": search}]}
            return 200, msgspec.json.encode(able)
        if method == "GET" and identity:
            place, _, version = path.partition("/_history/")
            return 200, self._record.read(place, version)
        if method == "GET" or identity == "_search":
            asked = parse_qsl((body if identity else scope["query_string"]).decode())
            return 200, msgspec.json.encode(self._record.search(kind, asked, base))
        resource = msgspec.json.decode(body)
        if path:
            request = {"method": method, "url": path}
            resource = {"type": "transaction", "entry": [{"resource": resource, "request": request}]}
        if resource.get("type") != "transaction" or method not in ("POST", "PUT"):
            raise Refused(400)
        await asyncio.sleep(self._random.uniform(0.0, LONGEST_WORK_S))
        reply = self._record.carry_out(resource)
        if not path:
            return 200, msgspec.json.encode(reply)
        done = reply["entry"][0]["response"]
        return int(done["status"][:3]), self._record.read(done["location"].partition("/_history/")[0])


def main() -> None:
    """Serve until ended."""
    parser = argparse.ArgumentParser(description="A FHIR record in memory for tests.")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--data", type=Path)
    asked = parser.parse_args()
    config = uvicorn.Config(Door(MemoryRecord(asked.data)), log_config=None, lifespan="off")
    listener = socket.create_server((LOOPBACK, asked.port), backlog=2048)
    sys.stdout.write(f"http://{LOOPBACK}:{listener.getsockname()[1]}/fhir\n")
    sys.stdout.flush()
    uvicorn.Server(config).run(sockets=[listener])


if __name__ == "__main__":
    main()
