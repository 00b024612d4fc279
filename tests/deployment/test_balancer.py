"""What the proxy in front does that the service cannot: the example for HAProxy, run with shorter waits and bounds."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from web.browsing import free_port

CONFIGURATION = Path(__file__).parents[2] / "deploy" / "balancer" / "haproxy.cfg"
PATIENCE_S = 20.0
SHORTER = {"timeout http-request 10s": "timeout http-request 300ms", "gt 100 }": "gt 3 }"}
ANSWER = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
POST = b"POST /fhir/$titrate-peep HTTP/1.1\r\nHost: localhost\r\n"


def _answer_all(replica: socket.socket, heard: list[bytes]) -> None:
    with suppress(OSError):
        while True:
            connection, _ = replica.accept()
            with connection:
                request = connection.recv(65_536)
                if b"/fhir/" in request:
                    heard.append(request)
                connection.sendall(ANSWER)


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, list[bytes]]]:
    """The port of the proxy, and what the replica behind it hears below /fhir."""
    if shutil.which("haproxy") is None:
        pytest.skip("HAProxy is not installed on this machine")
    text = CONFIGURATION.read_text(encoding="utf-8")
    for usual, short in SHORTER.items():
        assert text.count(usual) == 1
        text = text.replace(usual, short)
    file = tmp_path_factory.mktemp("balancer") / "haproxy.cfg"
    file.write_text(text, encoding="utf-8")
    heard: list[bytes] = []
    with closing(socket.create_server(("127.0.0.1", 0))) as replica:
        threading.Thread(target=_answer_all, args=(replica, heard), daemon=True).start()
        address, port = f"127.0.0.1:{replica.getsockname()[1]}", free_port()
        named = {"REPLICA_1": address, "REPLICA_2": address, "LISTEN": f"127.0.0.1:{port}"}
        process = subprocess.Popen(["haproxy", "-db", "-q", "-f", str(file)], env={**os.environ, **named})
        try:
            while True:
                with suppress(OSError), closing(socket.create_connection(("127.0.0.1", port), PATIENCE_S)):
                    break
                assert process.poll() is None
                threading.Event().wait(0.02)
            yield port, heard
        finally:
            process.terminate()
            process.wait()


def said(port: int, request: bytes) -> bytes:
    """What comes back until the proxy ends the connection, which it may do at once."""
    received = b""
    with (
        suppress(ConnectionResetError),
        closing(socket.create_connection(("127.0.0.1", port), PATIENCE_S)) as connection,
    ):
        connection.sendall(request)
        while piece := connection.recv(65_536):
            received += piece
    return received


@pytest.mark.parametrize(
    ("request_", "status"),
    [
        (b"GET /fhir/metadata HTTP/1.1\r\nHost: loc", b"408"),
        (POST + b"Content-Length: 5000\r\n\r\n{", b"408"),
        (POST + b"Content-Length: 2000001\r\n\r\n" + b" " * 40_000, b"413"),
    ],
    ids=["half a head", "a body that does not come", "a body that is too long"],
)
def test_what_would_hold_a_connection_never_reaches_a_replica(
    proxied: tuple[int, list[bytes]], request_: bytes, status: bytes
) -> None:
    port, heard = proxied

    received = said(port, request_)

    assert received.startswith(b"HTTP/1.1 " + status)
    assert heard == []


def test_one_address_opens_so_many_connections_and_no_more(proxied: tuple[int, list[bytes]]) -> None:
    port, _ = proxied
    opened = [socket.create_connection(("127.0.0.1", port), PATIENCE_S) for _ in range(3)]
    for one in opened:
        # Answered and kept open: the proxy has counted it.
        one.sendall(b"GET /health/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert one.recv(65_536).startswith(b"HTTP/1.1 200")

    refused = said(port, b"")
    for one in opened:
        one.close()

    assert refused == b""


def test_a_request_passes(proxied: tuple[int, list[bytes]]) -> None:
    port, heard = proxied

    received = said(port, POST + b"Content-Length: 2\r\nConnection: close\r\n\r\n{}")

    assert received.startswith(b"HTTP/1.1 200")
    assert heard[-1].endswith(b"{}")


def test_the_cookies_of_a_session_pass_whole_where_other_proxies_cut_headers_at_8_kb(
    proxied: tuple[int, list[bytes]],
) -> None:
    port, heard = proxied
    cookies = b"; ".join(b"session-%d=" % number + b"x" * 3_800 for number in range(3))

    received = said(port, POST + b"Cookie: " + cookies + b"\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}")

    assert received.startswith(b"HTTP/1.1 200")
    assert cookies in heard[-1]
