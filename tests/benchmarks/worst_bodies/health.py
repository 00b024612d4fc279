"""How long health takes while eight callers send the worst bodies, beside a control on the same machine.

The control is a server that does nothing but answer, asked at the same moments: what both wait is the machine's, what
health waits longer is ours. `PYTHONPATH=tests python -m benchmarks.worst_bodies.health [--seconds 10]`.
"""

from __future__ import annotations

import argparse
import asyncio
import gzip
import os
import re
import subprocess
import sys
import threading
import time
from collections import deque
from typing import Any

from benchmarks.worst_bodies.__main__ import CASES, with_devices
from ebbmark.fhir.reading.request import DEFAULT_LIMITS
from fhir_builders import bundle, height, patient, to_bytes, trial_observations

CALLERS = 8
EVERY_S = 0.02
REPLY = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}"
CONTROL = f"""
import asyncio
async def talk(reader, writer):
    while await reader.readuntil(b"\\r\\n\\r\\n"):
        writer.write({REPLY!r})
async def main():
    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    print("on http://127.0.0.1:%d" % server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()
asyncio.run(main())
"""


def worst_bodies() -> dict[str, bytes]:
    """For each case the longest body that is read."""
    found = {}
    for name, build in {**CASES, "devices": with_devices}.items():
        for count in (32_000, 16_000, 8_000, 4_000):
            resources = build(count)
            kinds = {resource["resourceType"] for resource in resources if isinstance(resource, dict)}
            whole: dict[str, Any] = bundle(*[] if "Patient" in kinds else [patient()], height(), *trial_observations())
            whole["entry"] += [
                {"resource": resource} if isinstance(resource, dict) else resource for resource in resources
            ]
            body = to_bytes(whole)
            if len(body) <= DEFAULT_LIMITS.max_bytes:
                found[name] = body
                break
    return found


async def _asked(port: int, request: bytes, waits_s: list[float], until_s: float, every_s: float) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    while time.monotonic() < until_s:
        began_s = time.monotonic()
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = re.search(rb"content-length: (\d+)", head, re.IGNORECASE)
        await reader.readexactly(int(length[1]) if length else 0)
        waits_s.append(time.monotonic() - began_s)
        await asyncio.sleep(every_s)
    writer.close()


def _started(*command: str) -> tuple[subprocess.Popen[str], int]:
    process = subprocess.Popen(
        [sys.executable, *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ}
    )
    assert process.stdout is not None
    for line in process.stdout:
        if found := re.search(r"on http://127\.0\.0\.1:(\d+)", line):
            # What it logs is read on, since it would wait where nobody reads.
            threading.Thread(target=deque, args=(process.stdout, 0), daemon=True).start()
            return process, int(found[1])
    raise RuntimeError("it did not start")


def _request(method: str, path: str, body: bytes = b"", more: str = "") -> bytes:
    head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/fhir+json\r\n{more}"
    return f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body


async def _measured(health: int, control: int, body: bytes | None, seconds: float, more: str = "") -> list[list[float]]:
    until_s = time.monotonic() + seconds
    waits: list[list[float]] = [[], [], []]
    asked = [
        _asked(health, _request("GET", "/health/live"), waits[0], until_s, EVERY_S),
        _asked(control, _request("GET", "/"), waits[1], until_s, EVERY_S),
    ]
    if body is not None:
        sent = _request("POST", "/fhir/$titrate-peep", body, more)
        asked += [_asked(health, sent, waits[2], until_s, 0.0) for _ in range(CALLERS)]
    await asyncio.gather(*asked)
    return waits


def _said(waits_s: list[float]) -> str:
    ordered = sorted(waits_s)
    return f"{ordered[len(ordered) * 95 // 100] * 1000:7.0f}{ordered[-1] * 1000:7.0f}"


def main() -> None:
    """Print one line per case: 95th percentile and longest wait of health and of the control [ms], and the answers."""
    parser = argparse.ArgumentParser(description="Health beside the worst bodies, and a control.")
    parser.add_argument("--seconds", type=float, default=10.0, help="for each case (10)")
    seconds = parser.parse_args().seconds
    os.environ |= {"EBBMARK_REQUESTS_PER_MINUTE": "1000000"}
    service, health = _started("-m", "ebbmark", "serve", "--port", "0")
    beside, control = _started("-c", CONTROL)
    try:
        print(f"{'case':34}{'health p95':>11}{'max':>6}{'control p95':>12}{'max':>6}{'answers':>9}")
        for name, body in {"nobody": None, **worst_bodies(), "devices, packed": b""}.items():
            packed = name == "devices, packed"
            sent = gzip.compress(worst_bodies()["devices"]) if packed else body
            more = "Content-Encoding: gzip\r\n" if packed else ""
            waits = asyncio.run(_measured(health, control, sent, seconds, more))
            print(f"{name:34}  {_said(waits[0])}    {_said(waits[1])}{len(waits[2]):9}", flush=True)
    finally:
        for one in (service, beside):
            one.kill()


if __name__ == "__main__":
    main()
