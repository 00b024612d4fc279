"""A small record on a real socket: honours conditional create, and breaks the connection when told to."""

from __future__ import annotations

import json
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum, auto
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Fault(Enum):
    NONE = auto()
    CUT_UNREAD = auto()
    CUT_BEFORE_COMMIT = auto()
    CUT_AFTER_COMMIT = auto()
    RESET_AFTER_COMMIT = auto()
    HALF_A_REPLY = auto()
    SHORT_JSON = auto()
    GATEWAY_AFTER_COMMIT = auto()
    SILENT_AFTER_COMMIT = auto()
    DRIPPING_AFTER_COMMIT = auto()
    UNAVAILABLE = auto()
    REDIRECT = auto()
    ENDLESS = auto()


@dataclass(slots=True)
class LocalRecord:
    base_url: str = ""
    faults: list[Fault] = field(default_factory=list)
    stored: dict[str, str] = field(default_factory=dict)
    requests: list[dict[str, str]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    over: threading.Event = field(default_factory=threading.Event)

    def commit(self, body: bytes) -> bytes:
        entries = []
        with self.lock:
            for entry in json.loads(body)["entry"]:
                key = entry["request"]["ifNoneExist"]
                status = "200 OK" if key in self.stored else "201 Created"
                location = self.stored.setdefault(key, f"Observation/{len(self.stored) + 1}/_history/1")
                entries.append({"response": {"status": status, "location": location}})
        return json.dumps({"resourceType": "Bundle", "type": "transaction-response", "entry": entries}).encode()


@contextmanager
def local_record(*faults: Fault) -> Iterator[LocalRecord]:
    """Serve on a free port of this machine until the block ends; one fault per request, then none."""
    record = LocalRecord(faults=list(faults))

    class Door(_Door):
        state = record

    server = _Server(("127.0.0.1", 0), Door)
    record.base_url = f"http://127.0.0.1:{server.server_address[1]}/fhir"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield record
    finally:
        record.over.set()
        server.shutdown()
        thread.join()
        server.server_close()


class _Server(ThreadingHTTPServer):
    request_queue_size = 64  # the default of 5 makes twenty callers at once wait for a second


class _Door(BaseHTTPRequestHandler):
    state: LocalRecord
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: object) -> None:
        return

    def do_GET(self) -> None:
        self._answer(200, b"{}")

    def do_POST(self) -> None:
        fault = self.state.faults.pop(0) if self.state.faults else Fault.NONE
        self.state.requests.append({name.lower(): value for name, value in self.headers.items()})
        self.close_connection = True
        if fault is Fault.CUT_UNREAD:
            self._reset()
            return
        body = self.rfile.read(int(self.headers["Content-Length"]))
        match fault:
            case Fault.CUT_BEFORE_COMMIT:
                return
            case Fault.UNAVAILABLE:
                self._answer(503, b"", retry_after="7")
                return
            case Fault.REDIRECT:
                self._answer(307, b"", location=self.state.base_url + "/elsewhere")
                return
            case Fault.ENDLESS:
                self._pour()
                return
        self._reply_after_commit(fault, self.state.commit(body))

    def _reply_after_commit(self, fault: Fault, reply: bytes) -> None:
        match fault:
            case Fault.CUT_AFTER_COMMIT:
                return
            case Fault.RESET_AFTER_COMMIT:
                self._reset()
            case Fault.HALF_A_REPLY:
                self._answer(200, reply[: len(reply) // 2], length=len(reply))
            case Fault.SHORT_JSON:
                self._answer(200, reply[: len(reply) // 2])
            case Fault.GATEWAY_AFTER_COMMIT:
                self._answer(502, b"<html>Bad gateway</html>", media_type="text/html")
            case Fault.SILENT_AFTER_COMMIT:
                self.state.over.wait(20)
            case Fault.DRIPPING_AFTER_COMMIT:
                self._drip(reply)
            case _:
                self._answer(200, reply)

    def _answer(
        self,
        status: int,
        body: bytes,
        *,
        length: int | None = None,
        media_type: str = "application/fhir+json;charset=UTF-8",
        retry_after: str | None = None,
        location: str | None = None,
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", media_type)
        self.send_header("Content-Length", str(len(body) if length is None else length))
        self.send_header("Connection", "close")
        if retry_after is not None:
            self.send_header("Retry-After", retry_after)
        if location is not None:
            self.send_header("Location", location)
        self.end_headers()
        self.wfile.write(body)

    def _drip(self, reply: bytes) -> None:
        self._answer(200, b"", length=len(reply))
        try:
            for byte in reply:
                self.wfile.write(bytes([byte]))
                if self.state.over.wait(0.05):
                    return
        except OSError:
            return

    def _pour(self) -> None:
        self._answer(200, b"", length=10**12)
        try:
            while not self.state.over.is_set():
                self.wfile.write(b" " * 65536)
        except OSError:
            return

    def _reset(self) -> None:
        # Zero linger makes the close a reset instead of an orderly end.
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()
