"""A small record on a real socket that holds a patient charted just now, and keeps what is written to it."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from typing import Any

import httpx

from record.keeping_record import KeepingRecord

Json = dict[str, Any]
_TIME = re.compile(r"2026-03-0\dT\d\d:\d\d:\d\dZ")


def trial_of(patient: str, *, until: str, minutes_ago: float) -> list[Json]:
    """The embedded patient of two days as charted until then, moved in time so that this was a few minutes ago.

    Args:
        patient: id that the patient gets.
        until: instant of the embedded record, as it is spelled there.
        minutes_ago: where that instant comes to lie.
    """
    text = (files("ebbmark.web.page") / "scenarios" / "two-days.json").read_text(encoding="utf-8")
    moved = datetime.now(UTC) - timedelta(minutes=minutes_ago) - _moment(until)
    whole = json.loads(text.replace("hazel", patient).replace("Hazel", patient.capitalize()))
    kept = [one["resource"] for one in whole["entry"] if charted(one["resource"]) <= until]
    later: list[Json] = json.loads(_TIME.sub(lambda found: _spelled(_moment(found[0]) + moved), json.dumps(kept)))
    return later


def charted(resource: Json) -> str:
    """When it came into the record; the patient was there before."""
    return str(resource.get("effectiveDateTime") or resource.get("recordedDate") or "")


@contextmanager
def charted_record(*resources: Json) -> Iterator[tuple[str, KeepingRecord]]:
    """Serve on a free port of this machine until the block ends; yields the FHIR base URL and what is held."""
    record = KeepingRecord()
    for resource in resources:
        record.put(f"{resource['resourceType']}/{resource['id']}", resource)

    class Door(_Door):
        held = record

    server = ThreadingHTTPServer(("127.0.0.1", 0), Door)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/fhir", record
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class _Door(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    held: KeepingRecord
    lock = threading.Lock()

    def log_message(self, format: str, *args: object) -> None:
        """Nothing is said."""

    def do_GET(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
        with self.lock:
            reply = self.held.answer(httpx.Request(self.command, f"http://record{self.path}", content=body))
        content = reply.read()
        self.send_response(reply.status_code)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    do_POST = do_GET


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _spelled(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")
