"""Asking the application in process, byte for byte: no client library stands between a test and the door."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from starlette.types import ASGIApp, Message, Scope

from ebbmark.settings import Settings
from ebbmark.web.app import create_app

OPERATION = "/fhir/$titrate-peep"
FHIR = {"content-type": "application/fhir+json", "accept": "application/fhir+json"}


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back; `taken` counts the pieces of the body that the door asked for."""

    status: int
    headers: dict[str, str]
    body: bytes
    taken: int

    @property
    def json(self) -> dict[str, Any]:
        read: dict[str, Any] = json.loads(self.body)
        return read

    @property
    def issues(self) -> list[dict[str, Any]]:
        assert self.json["resourceType"] == "OperationOutcome", self.json["resourceType"]
        issues: list[dict[str, Any]] = self.json["issue"]
        return issues

    @property
    def errors(self) -> list[dict[str, Any]]:
        return [issue for issue in self.issues if issue["severity"] == "error"]


def plain_app() -> ASGIApp:
    """The application as it comes, without a record."""
    return create_app(Settings())


def ask(
    app: ASGIApp,
    body: bytes | Iterable[bytes] = b"",
    *,
    method: str = "POST",
    path: str = OPERATION,
    query: str = "",
    headers: Mapping[str, str] | list[tuple[str, str]] = FHIR,
    client: str = "127.0.0.1",
) -> Reply:
    """One request; a body that is not bytes is handed over piece by piece, headers as a list may repeat."""
    given = list(headers.items()) if isinstance(headers, Mapping) else headers
    return asyncio.run(_exchange(app, _scope(method, path, query, given, client), body))


async def _exchange(app: ASGIApp, scope: Scope, body: bytes | Iterable[bytes]) -> Reply:
    pieces = iter([body] if isinstance(body, bytes) else body)
    taken = 0
    sent: list[Message] = []

    async def receive() -> Message:
        nonlocal taken
        piece = next(pieces, None)
        taken += piece is not None
        return {"type": "http.request", "body": piece or b"", "more_body": piece is not None}

    async def send(message: Message) -> None:
        sent.append(message)

    await app(scope, receive, send)
    start, *rest = sent
    given = {name.decode(): value.decode() for name, value in start["headers"]}
    return Reply(start["status"], given, b"".join(message.get("body", b"") for message in rest), taken)


def _scope(method: str, path: str, query: str, headers: list[tuple[str, str]], client: str) -> Scope:
    return {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "headers": [(name.lower().encode(), value.encode("latin-1")) for name, value in headers],
        "client": (client, 50000),
        "server": ("127.0.0.1", 8087),
    }
