"""The service as its callers meet it: start to first answer, memory, requests per second over loopback."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median, quantiles
from threading import Thread

OURS = ("-m", "ebbmark", "serve", "--port", "0")
RIVALS = ("-m", "benchmarks.speed.serving")
STAY_S = 20.0
"""Longest a load test of one rival lasts in all [s]."""


@dataclass(frozen=True, slots=True)
class Start:
    """From the start of the process to its first answer [s], and its memory then and after 200 more [MB]."""

    first_answer_s: float
    memory_mb: float
    memory_later_mb: float


@dataclass(frozen=True, slots=True)
class Load:
    """Requests per second, and the time of one request: half were faster than p50, 99 of 100 faster than p99 [ms]."""

    per_s: float
    p50_ms: float
    p99_ms: float
    requests: int


def request_bytes(path: str, body: bytes, *, media_type: str = "application/fhir+json") -> bytes:
    """One HTTP/1.1 request as it goes over the wire."""
    if not body:
        return f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
    head = f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: {media_type}\r\nContent-Length: {len(body)}"
    return f"{head}\r\n\r\n".encode() + body


def start(body: bytes, *, times: int) -> Start:
    """Start the service so many times and ask it at once; medians."""
    request = request_bytes("/fhir/$titrate-peep", body)
    found = []
    for _ in range(times):
        began = time.perf_counter()
        with serving(OURS) as (process, port), socket.create_connection(("127.0.0.1", port)) as connection:
            ask_over(connection, request)
            first_s = time.perf_counter() - began
            first_mb = _resident_mb(process.pid)
            for _ in range(200):
                ask_over(connection, request)
            found.append((first_s, first_mb, _resident_mb(process.pid)))
    return Start(*(median(column) for column in zip(*found, strict=True)))


def under_load(requests: dict[str, bytes], *, callers: int, total: int, slices: int = 4) -> dict[str, Load]:
    """Each rival in its own process with one worker; they take turns in slices.

    Args:
        requests: what is sent: `ebbmark`, `hello` and `echo`.
        callers: connections at a time.
        total: requests in all, for each.
        slices: turns of each.
    """
    taken: dict[str, list[tuple[float, list[float]]]] = {name: [] for name in requests}
    with serving(OURS) as (_, ours), serving(RIVALS) as (_, others):
        ports = {name: ours if name == "ebbmark" else others for name in requests}
        for turn in range(slices + 1):
            for name, request in requests.items():
                # The first turn warms up and is thrown away.
                one = load(ports[name], request, callers, total // slices if turn else 20 * callers)
                if turn:
                    taken[name].append(one)
    return {name: _summary(turns) for name, turns in taken.items()}


def load(port: int, request: bytes, callers: int, total: int) -> tuple[float, list[float]]:
    """Wall time [s] and the time of each request [s], with so many callers that each wait for their answer."""
    times: list[list[float]] = [[] for _ in range(callers)]
    until = time.perf_counter() + STAY_S / 4

    def call(mine: list[float]) -> None:
        with socket.create_connection(("127.0.0.1", port)) as connection:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for _ in range(total // callers):
                began = time.perf_counter()
                ask_over(connection, request)
                ended = time.perf_counter()
                mine.append(ended - began)
                if ended > until:
                    return

    threads = [Thread(target=call, args=(mine,)) for mine in times]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return time.perf_counter() - began, [one for mine in times for one in mine]


def _summary(turns: list[tuple[float, list[float]]]) -> Load:
    every = [1000 * one for _, times in turns for one in times]
    cuts = quantiles(every, n=100)
    return Load(median(len(times) / wall for wall, times in turns), cuts[49], cuts[98], len(every))


def ask_over(connection: socket.socket, request: bytes) -> None:
    """Send a request and read its whole answer, which must be a good one."""
    connection.sendall(request)
    reply = b""
    while b"\r\n\r\n" not in reply:
        reply += _received(connection)
    head, _, body = reply.partition(b"\r\n\r\n")
    if not head.startswith(b"HTTP/1.1 200"):
        raise RuntimeError(f"refused: {reply[:500]!r}")
    lower = head.lower()
    length = int(lower[lower.index(b"content-length:") + 15 :].split(b"\r\n", 1)[0])
    missing = length - len(body)
    while missing > 0:
        missing -= len(_received(connection))


def _received(connection: socket.socket) -> bytes:
    piece = connection.recv(1 << 18)
    if not piece:
        raise RuntimeError("the connection was closed")
    return piece


@contextmanager
def serving(arguments: tuple[str, ...]) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """A server in its own process, and the port that it printed."""
    here = Path(__file__).parents[3]
    with subprocess.Popen(
        [sys.executable, *arguments],
        stdout=subprocess.DEVNULL,  # audit events, one line per request
        stderr=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": f"{here / 'service'}:{here / 'tests'}"},
    ) as process:
        if process.stderr is None:
            raise RuntimeError("no output to read the address from")
        line = process.stderr.readline()
        try:
            yield process, int(line.rsplit(":", 1)[-1])
        finally:
            process.terminate()


def _resident_mb(process: int) -> float:
    """Resident memory of a process, as Linux tells it [MB]."""
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    (line,) = [line for line in status.splitlines() if line.startswith("VmRSS:")]
    return int(line.split()[1]) / 1024


def _serve_rivals() -> None:
    """Hello and echo on one port, with the server settings of the service itself."""
    import uvicorn

    from benchmarks.speed.rivals import echo_app, hello_app

    app = echo_app()
    app.include_router(hello_app().router)
    listener = socket.create_server(("127.0.0.1", 0), backlog=2048)
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    print(f"http://127.0.0.1:{listener.getsockname()[1]}", file=sys.stderr, flush=True)
    config = uvicorn.Config(app, access_log=False, log_level="warning", server_header=False)
    uvicorn.Server(config).run(sockets=[listener])


if __name__ == "__main__":
    _serve_rivals()
