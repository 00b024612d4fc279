from __future__ import annotations

import logging
import ssl

import anyio
import httpx
import msgspec
import pytest
import respx

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import CallFailure, Reply, decoded
from record.local_record import Fault, local_record

BASE = "https://record.example/fhir"
TOKEN = "not-a-real-token.0123456789"  # noqa: S105 - invented


async def send(target: str = "", method: str = "GET", **settings: object) -> Reply | CallFailure:
    known = msgspec.convert({"base_url": BASE, "allowed_base_urls": (BASE,), **settings}, RecordSettings)
    async with RecordClient(known) as client:
        return await client.send(method, target)


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("target", "address"),
    [
        ("", BASE),
        ("?_getpages=7", BASE + "?_getpages=7"),
        ("Patient/1", BASE + "/Patient/1"),
        (BASE + "/Patient?page=2", BASE + "/Patient?page=2"),
    ],
)
async def test_targets_lie_below_the_base(router: respx.MockRouter, target: str, address: str) -> None:
    route = router.get(url__eq=address).respond(200, json={"resourceType": "Bundle"})

    answer = await send(target)

    assert isinstance(answer, Reply)
    assert answer.status == 200
    assert route.call_count == 1


@pytest.mark.anyio
@pytest.mark.parametrize(
    "target", ["https://other.example/fhir", "http://record.example/fhir", "../admin", "https://record.example/", "a#b"]
)
async def test_a_target_elsewhere_is_never_called(target: str) -> None:
    with respx.mock(assert_all_called=False) as router:
        everything = router.route().respond(200)

        answer = await send(target)

        assert answer == CallFailure.NOT_ALLOWED
        assert everything.call_count == 0


@pytest.mark.anyio
async def test_a_base_that_is_not_on_the_list_is_never_called() -> None:
    with respx.mock(assert_all_called=False) as router:
        everything = router.route().respond(200)

        answer = await send(allowed_base_urls=("https://other.example/fhir",))

        assert answer == CallFailure.NOT_ALLOWED
        assert everything.call_count == 0


@pytest.mark.anyio
async def test_another_listed_record_does_not_get_this_ones_token() -> None:
    with respx.mock(assert_all_called=False) as router:
        other = router.route(host="other.example").respond(200)

        answer = await send("https://other.example/fhir", allowed_base_urls=(BASE, "https://other.example/fhir"))

        assert answer == CallFailure.NOT_ALLOWED
        assert other.call_count == 0


@pytest.mark.anyio
async def test_the_token_is_sent_and_not_shown(router: respx.MockRouter) -> None:
    route = router.get(BASE).respond(200)
    settings = RecordSettings(BASE, (BASE,), bearer_token=TOKEN)

    async with RecordClient(settings) as client:
        await client.send("GET")

    assert route.calls.last.request.headers["Authorization"] == f"Bearer {TOKEN}"
    assert TOKEN not in repr(settings)


@pytest.mark.anyio
async def test_without_a_token_none_is_sent(router: respx.MockRouter) -> None:
    route = router.get(BASE).respond(200)

    await send()

    assert "Authorization" not in route.calls.last.request.headers


@pytest.mark.parametrize("token", ["", "two words", "line\r\nbreak", "gr\u00fcn"])
def test_a_token_that_no_header_can_hold_is_refused_without_showing_it(token: str) -> None:
    with pytest.raises(ValueError, match="bearer token") as refused:
        RecordSettings(BASE, (BASE,), bearer_token=token)

    assert not token or token not in str(refused.value)


def test_no_attempt_at_all_is_no_setting() -> None:
    with pytest.raises(ValueError, match="max_attempts"):
        RecordSettings(BASE, (BASE,), max_attempts=0)


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("error", "trouble"),
    [
        (httpx.ConnectTimeout, CallFailure.CONNECT_TIMEOUT),
        (httpx.ReadTimeout, CallFailure.READ_TIMEOUT),
        (httpx.WriteTimeout, CallFailure.WRITE_TIMEOUT),
        (httpx.PoolTimeout, CallFailure.POOL_TIMEOUT),
        (httpx.ConnectError, CallFailure.NOT_CONNECTED),
        (httpx.ReadError, CallFailure.CUT),
        (httpx.WriteError, CallFailure.CUT),
        (httpx.CloseError, CallFailure.CUT),
        (httpx.RemoteProtocolError, CallFailure.CUT),
        (httpx.LocalProtocolError, CallFailure.NOT_SENDABLE),
        (httpx.UnsupportedProtocol, CallFailure.NOT_SENDABLE),
    ],
)
async def test_each_failure_of_the_network_has_its_name(
    router: respx.MockRouter, error: type[httpx.TransportError], trouble: CallFailure
) -> None:
    router.get(BASE).mock(side_effect=error)

    assert await send() == trouble


@pytest.mark.anyio
async def test_a_redirect_is_shown_and_not_followed() -> None:
    with respx.mock(assert_all_called=False) as router:
        router.get(BASE).respond(307, headers={"Location": "https://other.example/fhir"})
        other = router.route(host="other.example").respond(200)

        answer = await send()

        assert answer == Reply(307)
        assert other.call_count == 0


@pytest.mark.anyio
async def test_a_reply_at_the_size_limit_is_read(router: respx.MockRouter) -> None:
    router.get(BASE).respond(200, content=b"x" * 100)

    assert await send(max_response_bytes=100) == Reply(200, body=b"x" * 100)


@pytest.mark.anyio
async def test_a_reply_over_the_size_limit_is_dropped(router: respx.MockRouter) -> None:
    router.get(BASE).respond(200, content=b"x" * 101)

    assert await send(max_response_bytes=100) == Reply(200, lost=CallFailure.TOO_LARGE)


@pytest.mark.anyio
async def test_a_reply_that_is_not_utf8_is_not_read(router: respx.MockRouter) -> None:
    router.get(url__eq=BASE).respond(200, content=b'{"resourceType":"Bundle","id":"\xff"}')

    assert await send() == Reply(200, lost=CallFailure.NOT_UTF8)


@pytest.mark.anyio
async def test_a_packed_reply_is_not_unpacked(router: respx.MockRouter) -> None:
    route = router.get(BASE).respond(200, headers={"Content-Encoding": "gzip"}, content=b"")

    assert await send() == Reply(200, lost=CallFailure.UNREADABLE)
    assert route.calls.last.request.headers["Accept-Encoding"] == "identity"


@pytest.mark.anyio
async def test_the_environment_names_no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    with local_record() as record:
        answer = await send("metadata", base_url=record.base_url, allowed_base_urls=(record.base_url,))

    assert isinstance(answer, Reply)
    assert answer.status == 200


@pytest.mark.anyio
async def test_a_closed_port_is_told_as_that() -> None:
    with local_record() as record:
        gone = record.base_url

    assert await send(base_url=gone, allowed_base_urls=(gone,)) == CallFailure.CLOSED_PORT


@pytest.mark.anyio
async def test_plain_text_where_encryption_is_spoken_is_told_as_that() -> None:
    with local_record() as record:
        base = record.base_url.replace("http://", "https://")

        answer = await send(base_url=base, allowed_base_urls=(base,))

    assert answer == CallFailure.NO_TLS


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("fault", "answer"),
    [
        (Fault.CUT_UNREAD, CallFailure.CUT),
        (Fault.CUT_BEFORE_COMMIT, CallFailure.CUT),
        (Fault.CUT_AFTER_COMMIT, CallFailure.CUT),
        (Fault.RESET_AFTER_COMMIT, CallFailure.CUT),
        (Fault.SILENT_AFTER_COMMIT, CallFailure.READ_TIMEOUT),
        (Fault.HALF_A_REPLY, Reply(200, "application/fhir+json", lost=CallFailure.CUT)),
        (Fault.DRIPPING_AFTER_COMMIT, Reply(200, "application/fhir+json", lost=CallFailure.TOO_SLOW)),
        (Fault.ENDLESS, Reply(200, "application/fhir+json", lost=CallFailure.TOO_LARGE)),
        (Fault.UNAVAILABLE, Reply(503, "application/fhir+json", retry_after="7")),
        (Fault.REDIRECT, Reply(307, "application/fhir+json")),
    ],
)
async def test_a_real_socket_fails_as_its_name_says(fault: Fault, answer: Reply | CallFailure) -> None:
    with local_record(fault) as record:
        settings = RecordSettings(
            record.base_url,
            (record.base_url,),
            # Short only where the record falls silent: elsewhere a slow machine must not look like a fault.
            read_timeout_s=0.4 if fault is Fault.SILENT_AFTER_COMMIT else 20.0,
            attempt_timeout_s=1.0 if fault is Fault.DRIPPING_AFTER_COMMIT else 20.0,
            max_response_bytes=1_000_000,
        )
        async with RecordClient(settings) as client:
            seen = await client.send("POST", content=b'{"entry":[{"request":{"ifNoneExist":"identifier=a"}}]}')

    assert seen == answer


@pytest.mark.anyio
async def test_no_address_no_token_and_no_body_reaches_a_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    with local_record(Fault.HALF_A_REPLY) as record:
        settings = RecordSettings(record.base_url, (record.base_url,), bearer_token=TOKEN)
        async with RecordClient(settings) as client:
            await client.send("GET", "Patient?identifier=urn:test|MRN-4711")
            await client.send("POST", content=b'{"entry":[{"request":{"ifNoneExist":"identifier=MRN-4711"}}]}')

    logged = "\n".join(f"{message.getMessage()} {message.args!r}" for message in caplog.records)
    assert "connect_tcp" in logged  # the capture does see the library's own log
    assert "4711" not in logged
    assert TOKEN not in logged


@pytest.mark.anyio
async def test_many_at_once_share_one_client() -> None:
    answers: list[Reply | CallFailure] = []
    with local_record() as record:
        async with RecordClient(RecordSettings(record.base_url, (record.base_url,))) as client:

            async def one() -> None:
                answers.append(await client.send("GET", "metadata"))

            async with anyio.create_task_group() as group:
                for _ in range(20):
                    group.start_soon(one)

    assert answers == [Reply(200, "application/fhir+json", body=b"{}")] * 20


class _CountingContext(ssl.SSLContext):
    handshakes = 0

    def wrap_bio(
        self,
        incoming: ssl.MemoryBIO,
        outgoing: ssl.MemoryBIO,
        server_side: bool = False,
        server_hostname: str | bytes | None = None,
        session: ssl.SSLSession | None = None,
    ) -> ssl.SSLObject:
        self.handshakes += 1
        return super().wrap_bio(incoming, outgoing, server_side, server_hostname, session)


@pytest.mark.anyio
async def test_a_sites_own_trust_is_used() -> None:
    context = _CountingContext(ssl.PROTOCOL_TLS_CLIENT)
    with local_record() as record:
        base = record.base_url.replace("http://", "https://")
        async with RecordClient(RecordSettings(base, (base,)), tls=context) as client:
            await client.send("GET", "metadata")

    assert context.handshakes == 1


class _Bundle(msgspec.Struct, rename="camel"):
    resource_type: str


@pytest.mark.parametrize("media_type", ["", "application/fhir+json", "application/json", "application/json+fhir"])
def test_json_is_read_under_each_of_its_names(media_type: str) -> None:
    reply = Reply(200, media_type, body=b'{"resourceType":"Bundle","total":3}')

    assert decoded(reply, _Bundle) == _Bundle("Bundle")


@pytest.mark.parametrize(
    "reply",
    [
        Reply(200, "text/html", body=b'{"resourceType":"Bundle"}'),
        Reply(200, "application/fhir+xml", body=b"<Bundle/>"),
        Reply(200, body=b""),
        Reply(200, body=b'{"resourceType":"Bun'),
        Reply(200, body=b'{"resourceType":3}'),
        Reply(200, body=b"[]"),
        Reply(200, body=b'{"resourceType":"\xff\xfe"}'),
        Reply(200, body=b'{"resourceType":"Bundle","x":NaN}'),
        Reply(200, body=b'{"resourceType":"Bundle","x":' + b"[" * 100_000 + b"]" * 100_000 + b"}"),
        Reply(200, lost=CallFailure.CUT),
    ],
)
def test_what_is_not_the_json_asked_for_is_none(reply: Reply) -> None:
    assert decoded(reply, _Bundle) is None


def test_a_reply_does_not_show_its_body() -> None:
    assert "MRN-4711" not in repr(Reply(200, body=b"MRN-4711"))
