"""Run the load tests and print their tables.

    PYTHONPATH=tests python -m benchmarks.load                   about four minutes
    PYTHONPATH=tests python -m benchmarks.load --minutes 60      mixed traffic at 4 requests per second for an hour
    PYTHONPATH=tests python -m benchmarks.load --telemetry       what telemetry costs a request, off and on

Sender and service share the machine, so that the figures are those of this machine and, at high rates, of both.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import socket
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack
from typing import cast

from benchmarks.load.attack import ASKS_THE_RECORD, TRIAL, Attack, Service, mixed, record_after, serving
from benchmarks.speed.asking import caller
from benchmarks.speed.timing import medians_ms
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.boundary import Telemetry

STEADY = (50, 100, 150, 200, 250, 300)
SLOW_CLIENTS = 200
"""More than EBBMARK_REQUESTS_AT_ONCE, fewer than EBBMARK_CONNECTIONS_AT_ONCE."""
HALF_A_BODY = (
    b"POST /fhir/$titrate-peep HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/fhir+json\r\n"
    b"Content-Length: 50000\r\n\r\n{"
)
HEAD = f"{'':46}{'asked/s':>8}{'p50':>8}{'p95':>8}{'p99':>8}{'most':>9}{'MB':>6}{'files':>6}{'core':>6}  answers"


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print, and return 0: what is not borne is said, not hidden."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.load")
    parser.add_argument("--minutes", type=float, default=0.0, help="mixed traffic for so long, instead of the tables")
    parser.add_argument("--telemetry", action="store_true", help="what telemetry costs, instead of the tables")
    given = parser.parse_args(arguments)
    if given.telemetry:
        _telemetry()
        return 0
    if shutil.which("vegeta") is None:
        print("vegeta is not on the PATH: go install github.com/tsenart/vegeta/v12@v12.13.0", file=sys.stderr)
        return 2
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, load {load} (1, 5, 15 minutes)")
    if given.minutes:
        _endure(given.minutes)
    else:
        _tables()
    return 0


def _tables() -> None:
    print("\nOne process; times in ms from when each was sent; MB and open files after, core: share of one used")
    print(HEAD)
    with serving() as service:
        service.attack([TRIAL], per_s=50, for_s=2)
        for per_s in STEADY:
            _told(f"steady, a trial of 200 Observations, {per_s}/s", service, per_s=per_s, for_s=12)
        _told("burst: 2 s of 500/s", service, per_s=500, for_s=2)
        _told("after the burst: 50/s", service, per_s=50, for_s=5)
        with ExitStack() as held:
            for _ in range(SLOW_CLIENTS):
                one = held.enter_context(socket.create_connection(("127.0.0.1", service.port)))
                one.sendall(HALF_A_BODY)
            _told(f"beside {SLOW_CLIENTS} clients that send half a body: 50/s", service, per_s=50, for_s=12)
    for name, delay_s in (("answers in 5 s", 5.0), ("hangs", 3600.0)):
        with record_after(delay_s) as record, serving(EBBMARK_RECORD_BASE_URL=record) as service:
            service.attack([TRIAL], per_s=50, for_s=2)
            asking: list[Attack] = []
            aside = threading.Thread(
                target=lambda: asking.append(service.attack([ASKS_THE_RECORD], per_s=5, for_s=12))  # noqa: B023 - joined here
            )
            aside.start()
            _told(f"a record that {name}: 50/s that need none", service, per_s=50, for_s=12)
            aside.join()
            _row("   beside 5/s that ask it", 5, asking[0], service, 0.0)


def _telemetry() -> None:
    """Processor time of one request in process, the rivals by turns, so that a busy minute hits all alike."""
    bare = create_app(Settings())
    bare.user_middleware = [one for one in bare.user_middleware if one.cls is not cast("object", Telemetry)]
    nowhere = "http://127.0.0.1:9/v1/traces"
    rivals = {
        "without the layer of telemetry": bare,
        "off, as by default": create_app(Settings()),
        "metrics": create_app(Settings(metrics_port=0)),
        "metrics, and traces to a collector that is away": create_app(Settings(metrics_port=0, traces_to=nowhere)),
    }
    calls = {name: caller(app, TRIAL.path, TRIAL.body) for name, app in rivals.items()}
    taken = medians_ms(calls, rounds=40, collector=True)
    print(f"\nProcessor time of one request, a trial of 200 Observations\n{'':50}{'ms':>8}{'ratio':>8}")
    for name, ms in taken.items():
        print(f"{name:50}{ms:8.2f}{ms / taken['without the layer of telemetry']:8.3f}")


def _told(name: str, service: Service, *, per_s: int, for_s: float) -> None:
    before, began_s = service.sampled()["processor_s"], time.monotonic()
    found = service.attack([TRIAL], per_s=per_s, for_s=for_s)
    _row(name, per_s, found, service, (service.sampled()["processor_s"] - before) / (time.monotonic() - began_s))


def _row(name: str, per_s: int, found: Attack, service: Service, core: float) -> None:
    now = service.sampled()
    times = f"{found.p50_ms:8.1f}{found.p95_ms:8.1f}{found.p99_ms:8.1f}{found.most_ms:9.1f}"
    used = f"{now['memory_mb']:6.0f}{now['open_files']:6.0f}{core:6.2f}"
    answers = ", ".join(f"{count} x {status}" for status, count in sorted(found.statuses.items()))
    print(f"{name:46}{per_s:8}{times}{used}  {answers}", flush=True)


def _endure(minutes: float) -> None:
    """Mixed traffic in slices of two minutes; memory and open files after each."""
    print(f"\nMixed traffic, 4/s, {minutes:g} minutes; MB and open files after each slice of two minutes")
    print(HEAD)
    with record_after(0.02) as record, serving(EBBMARK_DEMO="true", EBBMARK_RECORD_BASE_URL=record) as service:
        targets = (*mixed(), ASKS_THE_RECORD)
        until_s = time.monotonic() + 60 * minutes
        began_s = time.monotonic()
        while time.monotonic() < until_s:
            found = service.attack(targets, per_s=4, for_s=min(120.0, max(1.0, until_s - time.monotonic())))
            _row(f"after {(time.monotonic() - began_s) / 60:.0f} min", 4, found, service, 0.0)


if __name__ == "__main__":
    sys.exit(main())
