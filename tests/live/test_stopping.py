"""A real process that is told to stop: requests under way are answered whole, later ones are not taken."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
PATIENT = {"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}
ASKS_THE_RECORD = json.dumps({"resourceType": "Parameters", "parameter": [PATIENT]})
TRIAL = (ROOT / "fixtures" / "clear-closing" / "request.json").read_text(encoding="utf-8")
TITRATE = "/fhir/$titrate-peep"

pytestmark = pytest.mark.live


@dataclass(slots=True)
class SlowRecord:
    """A record that holds every reply back until it may go, but for that to a look whether it is there."""

    base_url: str
    asked: threading.Event = field(default_factory=threading.Event)
    may_answer: threading.Event = field(default_factory=threading.Event)


@contextmanager
def slow_record() -> Iterator[SlowRecord]:
    record = SlowRecord("")

    class Door(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if not self.path.endswith("/metadata"):
                record.asked.set()
                record.may_answer.wait(30)
            self.send_response(404)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Door) as server:
        record.base_url = f"http://127.0.0.1:{server.server_port}/fhir"
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield record
        finally:
            record.may_answer.set()
            server.shutdown()
            thread.join()


@contextmanager
def service(**settings: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """The real service on a free port, ready to answer."""
    with subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve", "--port", "0"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        env={"PYTHONPATH": str(ROOT / "service"), "PATH": os.environ["PATH"], **settings},
    ) as process:
        assert process.stderr is not None
        try:
            port = int(process.stderr.readline().rsplit(":", 1)[1])
            assert asked(port, "GET", "/health/ready").status == 200
            yield process, port
        finally:
            process.kill()


@dataclass(frozen=True, slots=True)
class Reply:
    status: int
    body: Any


def asked(port: int, method: str, path: str, body: str | None = None) -> Reply:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=40)
    try:
        connection.request(method, path, body, {"Content-Type": "application/fhir+json"} if body else {})
        reply = connection.getresponse()
        return Reply(reply.status, json.loads(reply.read()))
    finally:
        connection.close()


def is_taken(port: int) -> bool:
    """Whether a new connection is taken and answered."""
    try:
        return asked(port, "GET", "/health/live").status == 200
    except OSError:
        return False


def waits_until_not_taken(port: int) -> None:
    ends_s = time.monotonic() + 10
    while is_taken(port):
        assert time.monotonic() < ends_s
        time.sleep(0.02)


def test_a_request_under_way_is_answered_whole_and_none_is_taken_after_the_signal() -> None:
    replies: list[Reply] = []
    with slow_record() as record, service(EBBMARK_RECORD_BASE_URL=record.base_url) as (process, port):
        asking = threading.Thread(target=lambda: replies.append(asked(port, "POST", TITRATE, ASKS_THE_RECORD)))
        asking.start()
        assert record.asked.wait(10)

        process.send_signal(signal.SIGTERM)
        waits_until_not_taken(port)
        assert process.poll() is None
        assert replies == []
        record.may_answer.set()
        asking.join()

        assert process.wait(20) in (0, -signal.SIGTERM)
    (reply,) = replies
    assert (reply.status, reply.body["resourceType"]) == (422, "OperationOutcome")


def test_an_idle_connection_is_closed_and_holds_nothing_up() -> None:
    with service() as (process, port), socket.create_connection(("127.0.0.1", port)) as idle:
        idle.sendall(b"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        came = b""
        while not came.endswith(b"}"):
            came += idle.recv(65536)

        process.send_signal(signal.SIGTERM)

        assert process.wait(10) in (0, -signal.SIGTERM)
        idle.settimeout(5)
        assert idle.recv(65536) == b""


def test_a_request_that_does_not_end_is_given_up_after_the_longest_wait() -> None:
    with (
        slow_record() as record,
        service(EBBMARK_RECORD_BASE_URL=record.base_url, EBBMARK_DRAIN_S="1") as (process, port),
        socket.create_connection(("127.0.0.1", port), timeout=20) as asking,
    ):
        head = f"POST {TITRATE} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/fhir+json\r\n"
        asking.sendall(f"{head}Content-Length: {len(ASKS_THE_RECORD)}\r\n\r\n{ASKS_THE_RECORD}".encode())
        assert record.asked.wait(10)

        process.send_signal(signal.SIGTERM)

        assert process.wait(20) in (0, -signal.SIGTERM)
        assert asking.recv(65536)[:13] in (b"", b"HTTP/1.1 500 ", b"HTTP/1.1 503 ")


def test_a_record_that_is_down_degrades_the_service_which_still_answers_what_needs_no_record() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        free = taken.getsockname()[1]
    with service(EBBMARK_RECORD_BASE_URL=f"http://127.0.0.1:{free}/fhir") as (_, port):
        ends_s = time.monotonic() + 10
        while (reply := asked(port, "GET", "/health/ready")).body["record"] == "not-looked-at-yet":
            assert time.monotonic() < ends_s
            time.sleep(0.02)
        answered = asked(port, "POST", TITRATE, TRIAL)

    assert (reply.status, reply.body["status"], reply.body["record"]) == (200, "degraded", "does-not-answer")
    assert answered.status == 200


def test_a_record_that_hangs_does_not_stop_answers_that_need_no_record() -> None:
    with slow_record() as record, service(EBBMARK_RECORD_BASE_URL=record.base_url) as (_, port):
        waiting = [threading.Thread(target=lambda: asked(port, "POST", TITRATE, ASKS_THE_RECORD)) for _ in range(30)]
        for one in waiting:
            one.start()
        assert record.asked.wait(10)

        answered = [asked(port, "POST", TITRATE, TRIAL).status for _ in range(3)]
        still = sum(one.is_alive() for one in waiting)
        record.may_answer.set()
        for one in waiting:
            one.join()

    assert answered == [200, 200, 200]
    assert still == 30
