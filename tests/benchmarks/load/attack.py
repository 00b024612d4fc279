"""A service under constant-rate load: its process with metrics, what is sent, and vegeta, which sends it.

vegeta (https://github.com/tsenart/vegeta, version 12) sends each request when it is due, whether or not earlier ones
were answered: `go install github.com/tsenart/vegeta/v12@v12.13.0`.
"""

from __future__ import annotations

import base64
import json
import os
import re
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from benchmarks.hooks.calls import calls
from benchmarks.speed.bodies import single_values

ROOT = Path(__file__).parents[3]
FHIR = "application/fhir+json"


@dataclass(frozen=True, slots=True)
class Target:
    """One request; without a body a GET."""

    path: str
    body: bytes = b""
    media_type: str = FHIR

    def line(self, port: int) -> bytes:
        """As vegeta reads it."""
        one = {
            "method": "POST" if self.body else "GET",
            "url": f"http://127.0.0.1:{port}{self.path}",
            "header": {"Content-Type": [self.media_type]},
            "body": base64.b64encode(self.body).decode(),
        }
        return json.dumps(one).encode() + b"\n"


TRIAL = Target("/fhir/$titrate-peep", single_values(200))
"""A trial of 200 Observations that come with the request: no record is needed."""

ASKS_THE_RECORD = Target(
    "/fhir/$titrate-peep",
    b'{"resourceType":"Parameters","parameter":[{"name":"patient-reference","valueReference":{"reference":"Patient/p1"}}]}',
)


def mixed() -> tuple[Target, ...]:
    """What a day brings: every operation, reports, cards, pages, definitions, and requests that are refused."""
    examples = ROOT / "service" / "ebbmark" / "web" / "examples"
    slugs = ("assess-candidate", "check-validity", "compare-markers", "compare-settings", "follow-trials", "next-step")
    asked = [Target(f"/fhir/${slug}", (examples / f"{slug}.json").read_bytes()) for slug in (*slugs, "plan-trial")]
    trial = json.loads(TRIAL.body)
    report = [{"name": "bundle", "resource": trial}, {"name": "with-report", "valueBoolean": True}]
    hooks = [Target(call.path, call.body, "application/json") for call in calls(time.time())]
    return (
        *asked,
        *[TRIAL] * 10,
        Target(TRIAL.path, single_values(1000)),
        Target(TRIAL.path, json.dumps({"resourceType": "Parameters", "parameter": report}).encode()),
        *hooks,
        Target(TRIAL.path, b'{"resourceType":"Bundle"'),
        Target(TRIAL.path, TRIAL.body.replace(b"cm[H2O]", b"furlong")),
        *[Target(path) for path in ("/fhir/metadata", "/health/ready", "/demo/", "/demo/clear-closing", "/nowhere")],
    )


@contextmanager
def record_after(delay_s: float) -> Iterator[str]:
    """The base URL of a record with one patient and a trial that just ended, which answers after so long."""
    whole = json.loads(calls(time.time())[1].body)["prefetch"]
    kept = [*whole["heights"]["entry"], *whole["mechanics"]["entry"]]
    pages = {
        "Patient": json.dumps(whole["patient"]).encode(),
        "Observation": json.dumps({**whole["mechanics"], "total": len(kept), "entry": kept}).encode(),
        "": b'{"resourceType":"Bundle","type":"searchset","total":0,"entry":[]}',
    }
    ended = threading.Event()

    class Door(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            ended.wait(delay_s)
            kind = re.split(r"[/?]", self.path.removeprefix("/fhir/"))[0]
            page = pages.get(kind, pages[""])
            self.send_response(200)
            self.send_header("Content-Type", FHIR)
            self.send_header("Content-Length", str(len(page)))
            self.end_headers()
            with suppress(ConnectionError):
                self.wfile.write(page)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Door) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/fhir"
        finally:
            ended.set()
            server.shutdown()


@dataclass(frozen=True, slots=True)
class Service:
    """A running process of the service."""

    port: int
    metrics_port: int

    def sampled(self) -> dict[str, float]:
        """Memory [MB], open files and processor time [s] of the process, by its own metrics."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.metrics_port}/metrics") as reply:
            text = reply.read().decode()
        found = {name: float(value) for name, value in re.findall(r"^process_(\w+) (\S+)$", text, re.MULTILINE)}
        return {
            "memory_mb": found["resident_memory_bytes"] / 2**20,
            "open_files": found["open_fds"],
            "processor_s": found["cpu_seconds_total"],
        }

    def attack(self, targets: Sequence[Target], *, per_s: float, for_s: float) -> Attack:
        """Send these by turns at a constant rate."""
        # A rate below one per second is one request in so many seconds.
        rate = f"{per_s:g}/1s" if per_s >= 1 else f"1/{1 / per_s:g}s"
        how = (f"-rate={rate}", f"-duration={for_s:g}s", "-timeout=65s", "-max-body=0", "-format=json")
        asked = b"".join(target.line(self.port) for target in targets)
        sent = subprocess.run(["vegeta", "attack", *how], input=asked, stdout=subprocess.PIPE, check=True).stdout
        report = subprocess.run(["vegeta", "report", "-type=json"], input=sent, stdout=subprocess.PIPE, check=True)
        return Attack.of(json.loads(report.stdout))


@dataclass(frozen=True, slots=True)
class Attack:
    """What came of it: times from when each was sent [ms], and how often each status came (0: no answer)."""

    p50_ms: float
    p95_ms: float
    p99_ms: float
    most_ms: float
    statuses: Mapping[str, int]

    @classmethod
    def of(cls, report: dict[str, Any]) -> Attack:
        """Read vegeta's report."""
        times = report["latencies"]
        half, most, nearly_all, longest = (times[name] / 1e6 for name in ("50th", "95th", "99th", "max"))
        return cls(half, most, nearly_all, longest, report["status_codes"])


@contextmanager
def serving(**settings: str) -> Iterator[Service]:
    """The service in a process of its own, with metrics and without sign-in."""
    path = f"{ROOT / 'service'}:{ROOT / 'tests'}"
    environment = {"PYTHONPATH": path, "PATH": os.environ["PATH"], "EBBMARK_METRICS_PORT": "0", **settings}
    with subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve", "--port", "0"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    ) as process:
        if process.stderr is None:
            raise RuntimeError("no output to read the addresses from")
        try:
            port = int(process.stderr.readline().rsplit(":", 1)[1])
            metrics = int(process.stderr.readline().rsplit(":", 1)[1].split("/")[0])
            threading.Thread(target=process.stderr.read, daemon=True).start()
            yield Service(port, metrics)
        finally:
            process.terminate()
