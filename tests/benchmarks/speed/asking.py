"""One request through an ASGI application, as bare as it can be: no client and no socket."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from starlette.types import ASGIApp, Message


def caller(app: ASGIApp, path: str, body: bytes, *, media: bytes = b"application/fhir+json") -> Callable[[], bytes]:
    """A function that posts the body and returns the body of the reply, all on one event loop."""
    loop = asyncio.new_event_loop()
    headers = [
        (b"host", b"127.0.0.1:8087"),
        (b"content-type", media),
        (b"accept", media),
        (b"content-length", str(len(body)).encode()),
    ]
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": headers,
        "client": ("127.0.0.1", 50000),
        "server": ("127.0.0.1", 8087),
    }

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    def ask() -> bytes:
        sent: list[Message] = []

        async def send(message: Message) -> None:
            sent.append(message)

        loop.run_until_complete(app(dict(scope), receive, send))
        if sent[0]["status"] != 200:
            raise RuntimeError(f"refused: {sent[1]['body'][:500]!r}")
        reply: bytes = sent[1]["body"]
        return reply

    return ask
