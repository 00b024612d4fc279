"""Connections on a real socket: what is sent half, twice, without end or not at all, and what becomes of it."""

from __future__ import annotations

import asyncio
import select
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress

import pytest
import uvicorn
from fastapi import FastAPI, Request

from ebbmark.fhir.problems import Rejected
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.body import read_body
from ebbmark.web.boundary import Boundary, rejected
from ebbmark.web.health import Probes, health_router
from ebbmark.web.limits import Load, bounded_protocol
from web.browsing import free_port

PATIENCE_S = 20.0
"""A test that waits longer has failed; nothing is measured."""


@contextmanager
def served(app: FastAPI, *, most: int = 50, head_s: float = 0.2, idle_s: int = 1) -> Iterator[int]:
    port = free_port()
    config = uvicorn.Config(
        app,
        port=port,
        http=bounded_protocol(most, head_s),
        log_level="critical",
        timeout_keep_alive=idle_s,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            threading.Event().wait(0.01)
        yield port
    finally:
        server.should_exit = True
        thread.join()


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with served(create_app(Settings())) as port:
        yield port


@contextmanager
def connected(port: int) -> Iterator[socket.socket]:
    with closing(socket.create_connection(("127.0.0.1", port), PATIENCE_S)) as connection:
        yield connection


def until_closed(connection: socket.socket) -> bytes:
    received = b""
    try:
        while piece := connection.recv(65_536):
            received += piece
    except ConnectionResetError:
        pass
    return received


def said(port: int, request: bytes) -> bytes:
    """Everything that comes back until the service ends the connection."""
    with connected(port) as connection:
        connection.sendall(request)
        return until_closed(connection)


HEALTH = b"GET /health/live HTTP/1.1\r\nHost: localhost\r\n\r\n"
POST = b"POST /fhir/$titrate-peep HTTP/1.1\r\nHost: localhost\r\n"


def test_a_connection_on_which_nothing_comes_is_given_up(port: int) -> None:
    assert said(port, b"") == b""


def test_a_head_that_is_sent_half_is_given_up(port: int) -> None:
    assert said(port, b"GET /health/live HTTP/1.1\r\nHost: loc") == b""


def test_a_second_head_that_is_sent_half_is_given_up(port: int) -> None:
    received = said(port, HEALTH + b"GET /health/li")

    assert received.count(b"200 OK") == 1


def test_a_connection_is_kept_for_the_next_request_and_given_up_where_none_comes(port: int) -> None:
    received = said(port, HEALTH + HEALTH)

    assert received.count(b"200 OK") == 2


def test_a_length_said_in_two_ways_is_refused_and_nothing_after_it_is_read(port: int) -> None:
    smuggled = POST + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + HEALTH

    received = said(port, smuggled)

    assert received.startswith(b"HTTP/1.1 400")
    assert received.count(b"HTTP/1.1") == 1
    assert b'"Content-Length and Transfer-Encoding' in received or b"length in two ways" in received


@pytest.mark.parametrize(
    "head",
    [
        b"Content-Type: text/plain\r\nContent-Length: 400000\r\n",  # 415
        b"Content-Type: application/fhir+json\r\nContent-Length: 9000000\r\n",  # 413
    ],
    ids=["another media type", "too long"],
)
def test_a_refusal_reaches_a_caller_that_is_still_sending_and_ends_the_connection(port: int, head: bytes) -> None:
    length = int(head.rsplit(b" ", 1)[1])
    with connected(port) as connection:
        connection.sendall(POST + head + b"\r\n")

        def send_on() -> None:
            with suppress(OSError):
                connection.sendall(b" " * length)

        sender = threading.Thread(target=send_on)
        sender.start()
        received = until_closed(connection)
        sender.join()

    assert received.startswith((b"HTTP/1.1 415", b"HTTP/1.1 413"))
    assert b"\r\nconnection: close\r\n" in received.lower()
    assert received.rstrip().endswith(b"}")


def test_a_refusal_that_did_not_need_the_body_is_not_followed_by_reading_for_ever(port: int) -> None:
    received = said(port, POST + b"Content-Type: text/plain\r\nContent-Length: 400000\r\n\r\n{")

    assert received.startswith(b"HTTP/1.1 415")


@pytest.mark.parametrize("path", [b"/fhir/$ttrate-peep", b"/f", b"/app/x/", b"/fhir/$titrate-peep"])
def test_a_chunk_that_is_none_is_refused_without_a_fault_in_the_log(
    port: int, caplog: pytest.LogCaptureFixture, path: bytes
) -> None:
    head = b"POST " + path + b" HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"

    assert said(port, head + b"-5\r\n").startswith(b"HTTP/1.1 4")
    assert "unforeseen" not in caplog.text


def test_one_connection_too_many_is_told_to_come_back() -> None:
    with (
        served(create_app(Settings()), most=2, head_s=PATIENCE_S) as port,
        connected(port) as one,
        connected(port) as two,
    ):
        for connection in (one, two):
            connection.sendall(HEALTH)
            assert connection.recv(20).startswith(b"HTTP/1.1 200")

        received = said(port, b"")

    assert received.startswith(b"HTTP/1.1 503")
    assert b"retry-after" in received


@contextmanager
def held(load: Load) -> Iterator[int]:
    """A service of which one request is in progress, with a body of 1,000 bytes, until the block ends."""
    app = FastAPI()
    inside, go_on = threading.Event(), threading.Event()

    @app.post("/slow")
    async def slow(request: Request) -> None:
        await request.body()
        inside.set()
        await asyncio.to_thread(go_on.wait)

    @app.post("/read")
    async def read(request: Request) -> int:
        return len(await read_body(request.stream(), 10_000))

    app.include_router(health_router(Probes(None, None, (), time.monotonic), load))
    app.add_exception_handler(Rejected, rejected)
    app.add_middleware(Boundary, load=load)
    with served(app, head_s=PATIENCE_S) as port, connected(port) as first:
        first.sendall(b"POST /slow HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n\r\n" + b" " * 1000)
        assert inside.wait(PATIENCE_S)
        try:
            yield port
        finally:
            go_on.set()
        assert first.recv(20).startswith(b"HTTP/1.1 200")


def closing_after(request: bytes) -> bytes:
    return request.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n", 1)


READ = b"POST /read HTTP/1.1\r\nHost: localhost\r\n"
READY = closing_after(HEALTH.replace(b"live", b"ready"))


@pytest.mark.parametrize(
    "load", [Load(most_requests=1), Load(most_bytes=1_500)], ids=["as many requests", "as many bytes"]
)
def test_one_too_many_is_refused_before_its_body_and_health_still_answers(load: Load) -> None:
    with held(load) as port:
        refused = said(port, READ + b"Content-Length: 501\r\nExpect: 100-continue\r\n\r\n")
        live, ready = said(port, closing_after(HEALTH)), said(port, READY)

    assert refused.startswith(b"HTTP/1.1 503")
    assert b"retry-after: 2" in refused
    assert b"100 Continue" not in refused
    assert live.startswith(b"HTTP/1.1 200")
    assert ready.startswith(b"HTTP/1.1 200")
    assert (load.requests, load.held_bytes) == (0, 0)


def test_bytes_that_were_not_announced_count_as_they_come() -> None:
    with held(Load(most_bytes=1_500)) as port:
        chunked = READ + b"Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n"

        taken = said(port, chunked + b"1f4\r\n" + b" " * 500 + b"\r\n0\r\n\r\n")
        refused = said(port, chunked + b"1f5\r\n" + b" " * 501 + b"\r\n0\r\n\r\n")

    assert taken.endswith(b"500")
    assert refused.startswith(b"HTTP/1.1 503")
    assert b"retry-after: 2" in refused


def test_bodies_that_are_on_their_way_keep_nobody_out() -> None:
    load = Load(most_requests=2)
    with held(load) as port, ExitStack() as slow:
        for _ in range(5):
            slow.enter_context(connected(port)).sendall(READ + b"Content-Length: 2\r\n\r\n1")
        taken = said(port, closing_after(READ + b"Content-Length: 2\r\n\r\n12"))

    assert taken.startswith(b"HTTP/1.1 200")
    assert (load.requests, load.reading) == (0, 0)


def test_a_request_may_be_one_too_many_once_its_body_is_there() -> None:
    half = b"POST /slow HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2\r\n\r\n1"
    load = Load(most_requests=2)
    with held(load) as port, connected(port) as one, connected(port) as two:
        for connection in (one, two):
            connection.sendall(half)
        while load.reading < 2:
            time.sleep(0.005)
        for connection in (one, two):
            connection.sendall(b"2")
        (first, *_), _, _ = select.select([one, two], [], [], PATIENCE_S)

        refused = first.recv(20)

    assert refused.startswith(b"HTTP/1.1 503")


def test_ready_says_that_the_service_is_full_and_stays_ready() -> None:
    with held(Load(most_requests=1)) as port:
        full = said(port, READY)
    with held(Load(most_requests=2)) as port:
        free = said(port, READY)

    assert b'"status":"ready"' in full
    assert b'"load":"full"' in full
    assert b'"load":"free"' in free
