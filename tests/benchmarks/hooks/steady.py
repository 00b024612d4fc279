"""Calls at a steady rate: each is sent when it is due, however long the ones before it take."""

from __future__ import annotations

import socket
import time
from collections.abc import Sequence
from threading import Thread

from benchmarks.speed.serving import ask_over

CONNECTIONS = 25
"""Each is due every half second at 50 calls per second; a late call starts late and counts from when it was due."""


def at_a_rate(ports: Sequence[int], request: bytes, *, per_s: float, total: int) -> list[float]:
    """The time of each call from when it was due to the last byte of its answer [s].

    Args:
        ports: on this machine, of replicas that share the calls evenly.
        request: as it goes over the wire.
        per_s: calls per second.
        total: calls in all.
    """
    times: list[list[float]] = [[] for _ in range(CONNECTIONS)]
    began = time.perf_counter() + 0.1

    def call(first: int, mine: list[float]) -> None:
        with socket.create_connection(("127.0.0.1", ports[first % len(ports)])) as connection:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for number in range(first, total, CONNECTIONS):
                due = began + number / per_s
                time.sleep(max(0.0, due - time.perf_counter()))
                ask_over(connection, request)
                mine.append(time.perf_counter() - due)

    threads = [Thread(target=call, args=(number, mine)) for number, mine in enumerate(times)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return [one for mine in times for one in mine]
