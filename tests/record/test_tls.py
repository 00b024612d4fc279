"""Mutual TLS with a real server that asks for a certificate."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx
import pytest
import respx

from certificates import Certificates, certificates
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings, client_tls
from ebbmark.record.retry import CallFailure, Reply
from record.local_record import local_record

BASE = "https://record.example/fhir"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return certificates(tmp_path_factory.mktemp("certificates"))


@contextmanager
def demanding_record(made: Certificates) -> Iterator[str]:
    """A record that speaks only to those who show a certificate of the test's authority."""

    class Door(BaseHTTPRequestHandler):
        def log_message(self, format: str, *args: object) -> None:
            return

        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"{}")

    class Server(ThreadingHTTPServer):
        def handle_error(self, request: object, client_address: object) -> None:
            return  # a refused handshake is what some tests want

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(made.server, made.server_key)
    context.load_verify_locations(made.authority)
    context.verify_mode = ssl.CERT_REQUIRED
    server = Server(("127.0.0.1", 0), Door)
    server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"https://127.0.0.1:{server.server_address[1]}/fhir"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


async def asked(made: Certificates, tls: ssl.SSLContext | None) -> Reply | CallFailure:
    with demanding_record(made) as base:
        async with RecordClient(RecordSettings(base, (base,)), tls=tls) as client:
            return await client.send("GET")


@pytest.mark.anyio
async def test_a_record_that_asks_for_a_certificate_is_shown_ours(made: Certificates) -> None:
    tls = client_tls(certificate=made.client, key=made.client_key, authorities=made.authority)

    answer = await asked(made, tls)

    assert isinstance(answer, Reply)
    assert answer.status == 200


@pytest.mark.anyio
async def test_without_a_certificate_it_does_not_speak_to_us(made: Certificates) -> None:
    tls = client_tls(certificate=None, key=None, authorities=made.authority)

    # Either its alert is read, or the connection is gone before.
    assert await asked(made, tls) in (CallFailure.OUR_CERTIFICATE, CallFailure.CUT)


def alert(reason: str) -> ssl.SSLError:
    error = ssl.SSLError(1, f"[SSL: {reason}]")
    error.reason = reason
    return error


class _AlertWhileReading(httpx.AsyncByteStream):
    async def __aiter__(self) -> AsyncIterator[bytes]:
        yield b"{"
        raise alert("TLSV13_ALERT_CERTIFICATE_REQUIRED")


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("reason", "trouble"),
    [
        ("TLSV13_ALERT_CERTIFICATE_REQUIRED", CallFailure.OUR_CERTIFICATE),
        ("TLSV1_ALERT_UNKNOWN_CA", CallFailure.OUR_CERTIFICATE),
        ("SSLV3_ALERT_BAD_CERTIFICATE", CallFailure.OUR_CERTIFICATE),
        ("DECRYPTION_FAILED_OR_BAD_RECORD_MAC", CallFailure.CUT),
    ],
)
async def test_an_alert_of_the_other_side_is_a_value(
    router: respx.MockRouter, reason: str, trouble: CallFailure
) -> None:
    def refuses(_: httpx.Request) -> httpx.Response:
        raise alert(reason)

    router.get(BASE).mock(side_effect=refuses)

    async with RecordClient(RecordSettings(BASE, (BASE,))) as client:
        assert await client.send("GET") == trouble


@pytest.mark.anyio
async def test_an_alert_after_the_status_does_not_say_that_nothing_arrived(router: respx.MockRouter) -> None:
    router.get(BASE).mock(side_effect=lambda _: httpx.Response(200, stream=_AlertWhileReading()))

    async with RecordClient(RecordSettings(BASE, (BASE,))) as client:
        assert await client.send("GET") == Reply(200, lost=CallFailure.CUT)


@pytest.mark.anyio
async def test_an_authority_that_is_not_trusted_gets_nothing_from_us(made: Certificates) -> None:
    tls = client_tls(certificate=made.client, key=made.client_key, authorities=None)

    assert await asked(made, tls) == CallFailure.UNKNOWN_AUTHORITY


@pytest.mark.anyio
async def test_a_certificate_for_another_name_is_told_as_that(made: Certificates) -> None:
    tls = client_tls(certificate=made.client, key=made.client_key, authorities=made.authority)

    with demanding_record(made) as base:
        named = base.replace("127.0.0.1", "localhost")
        async with RecordClient(RecordSettings(named, (named,)), tls=tls) as client:
            assert await client.send("GET") == CallFailure.WRONG_HOST_NAME


@pytest.mark.anyio
async def test_a_certificate_that_expired_is_told_as_that(tmp_path: Path) -> None:
    expired = certificates(tmp_path, days=-1)
    tls = client_tls(certificate=expired.client, key=expired.client_key, authorities=expired.authority)

    assert await asked(expired, tls) == CallFailure.NOT_VALID_NOW


@pytest.mark.anyio
async def test_a_port_that_is_closed_and_one_that_speaks_no_tls_are_told_apart(made: Certificates) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        nothing = f"https://127.0.0.1:{closed.getsockname()[1]}/fhir"
    with local_record() as plain:
        clear = plain.base_url.replace("http:", "https:")
        for base, trouble in ((nothing, CallFailure.CLOSED_PORT), (clear, CallFailure.NO_TLS)):
            async with RecordClient(RecordSettings(base, (base,))) as client:
                assert await client.send("GET") == trouble


def test_each_fault_of_a_connection_has_its_own_sentence_and_names_a_setting_where_one_helps() -> None:
    faults = (
        CallFailure.CLOSED_PORT,
        CallFailure.UNKNOWN_NAME,
        CallFailure.UNKNOWN_AUTHORITY,
        CallFailure.WRONG_HOST_NAME,
        CallFailure.NO_TLS,
        CallFailure.OUR_CERTIFICATE,
        CallFailure.SURPRISING_ADDRESS,
    )

    sentences = [fault.words for fault in faults]

    assert len(set(sentences)) == len(faults)
    assert all("EBBMARK_" in sentence for sentence in sentences)
    assert {fault.transient for fault in faults} == {True, False}


def test_nothing_configured_is_the_usual_trust() -> None:
    assert client_tls(certificate=None, key=None, authorities=None) is None


def test_older_protocols_are_not_spoken(made: Certificates) -> None:
    tls = client_tls(certificate=None, key=None, authorities=made.authority)

    assert tls is not None
    assert tls.minimum_version is ssl.TLSVersion.TLSv1_2
    assert tls.check_hostname


def test_files_that_cannot_be_used_are_refused_without_their_content(made: Certificates, tmp_path: Path) -> None:
    broken = tmp_path / "broken.pem"
    broken.write_text("SECRET")
    refused = [
        {"certificate": None, "key": made.client_key, "authorities": None},
        {"certificate": broken, "key": made.client_key, "authorities": None},
        {"certificate": made.client, "key": made.server_key, "authorities": None},
        {"certificate": tmp_path / "absent.pem", "key": None, "authorities": None},
        {"certificate": None, "key": None, "authorities": broken},
        {"certificate": None, "key": None, "authorities": tmp_path / "absent.pem"},
    ]

    for files in refused:
        with pytest.raises(ValueError, match=r"certificate") as told:
            client_tls(**files)
        assert "SECRET" not in str(told.value)
        assert str(tmp_path) not in str(told.value)
