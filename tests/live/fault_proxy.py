"""A proxy on a real socket between our client and a real record, which breaks what passes through it.

Which request meets which fault is drawn from a seeded generator, in the order in which requests arrive. With several
clients that order is not the same twice: the seed gives the same sequence of faults, not the same run.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from enum import Enum
from random import Random
from types import TracebackType
from typing import Self

LOOPBACK = "127.0.0.1"


class Fault(Enum):
    """What happens to one request; the value says it in a table."""

    NONE = "none: passed on, answered"
    CUT_UNFORWARDED = "cut before anything reached the record"
    CUT_HALF_FORWARDED = "cut after half the request reached the record"
    CUT_AT_WORK = "cut at both ends while the record was at work"
    CUT_BEFORE_REPLY = "cut after the record's work, before its reply"
    CUT_IN_REPLY = "cut within the reply"
    SHORT_REPLY = "reply ends early, its length says so too"
    LATE_REPLY = "reply held until nobody waits for it"
    DRIPPING_REPLY = "reply comes byte by byte"
    LATE_REQUEST = "request held, reaches the record during the repeat"
    HELD_REQUEST = "request held until all writers have ended, then released"
    TWICE = "passed on and answered; a copy arrives once all writers have ended"
    TWICE_AT_ONCE = "passed on twice at once, answered"
    BUSY_SECONDS = "429 with Retry-After in seconds"
    BUSY_DATE = "429 with Retry-After as a date"
    BUSY_LONG = "429 with a Retry-After beyond our patience"
    ERROR_UNFORWARDED = "500 of a gateway, nothing reached the record"
    ERROR_AFTER_WORK = "500 of a gateway, after the record's work"
    OWN_ERROR_AFTER_WORK = "500 with an OperationOutcome, after the record's work"
    BAD_GATEWAY_AFTER_WORK = "502 of a gateway, after the record's work"
    RECORD_DOWN = "the record was down or went down"


Weather = Mapping[Fault, float]
"""How probable each fault is; what is left to 1 passes unharmed."""

CALM: Weather = {}
MIXED: Weather = {
    Fault.CUT_UNFORWARDED: 0.04,
    Fault.CUT_HALF_FORWARDED: 0.04,
    Fault.CUT_AT_WORK: 0.05,
    Fault.CUT_BEFORE_REPLY: 0.06,
    Fault.CUT_IN_REPLY: 0.04,
    Fault.SHORT_REPLY: 0.04,
    Fault.LATE_REPLY: 0.03,
    Fault.DRIPPING_REPLY: 0.01,
    Fault.LATE_REQUEST: 0.04,
    Fault.HELD_REQUEST: 0.04,
    Fault.TWICE: 0.04,
    Fault.TWICE_AT_ONCE: 0.04,
    Fault.BUSY_SECONDS: 0.03,
    Fault.BUSY_DATE: 0.03,
    Fault.BUSY_LONG: 0.01,
    Fault.ERROR_UNFORWARDED: 0.03,
    Fault.ERROR_AFTER_WORK: 0.03,
    Fault.OWN_ERROR_AFTER_WORK: 0.01,
    Fault.BAD_GATEWAY_AFTER_WORK: 0.03,
}
FAILING: Weather = {
    Fault.ERROR_UNFORWARDED: 0.25,
    Fault.ERROR_AFTER_WORK: 0.125,
    Fault.OWN_ERROR_AFTER_WORK: 0.125,
}
CROWDED: Weather = {Fault.BUSY_SECONDS: 0.3, Fault.BUSY_DATE: 0.3, Fault.BUSY_LONG: 0.1}

_OUTCOME = (
    b'{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception",'
    b'"diagnostics":"invented for a test"}]}'
)
_PAGE = b"<html><body>Sorry</body></html>"
_JSON, _HTML = "application/fhir+json", "text/html"
_BEYOND_PATIENCE_S = 3600
_OF_READS = 0.1
"""How many of the faults meet requests that write nothing: each write is led by several of them."""


@dataclass(frozen=True, slots=True)
class _Request:
    head: bytes
    body: bytes

    @property
    def writes(self) -> bool:
        """Whether it is a transaction."""
        method, _, rest = self.head.partition(b" ")
        return method == b"POST" and rest.partition(b" ")[0].rstrip(b"/").endswith(b"/fhir")

    @property
    def on_the_wire(self) -> bytes:
        # As HTTP/1.0, so that the reply comes in one piece and ends with the connection.
        first, _, rest = self.head.partition(b"\r\n")
        return first.replace(b"HTTP/1.1", b"HTTP/1.0") + b"\r\n" + rest + self.body


@dataclass(frozen=True, slots=True)
class _Reply:
    status: str
    media_type: str
    body: bytes
    retry_after: str = ""

    def head(self, length: int) -> bytes:
        wait = f"Retry-After: {self.retry_after}\r\n" if self.retry_after else ""
        return (
            f"HTTP/1.1 {self.status}\r\nContent-Type: {self.media_type}\r\n{wait}Content-Length: {length}\r\n\r\n"
        ).encode()


class FaultProxy:
    """One proxy in front of one record on this machine.

    Args:
        port: of the record.
        seed: of the faults.
        read_timeout_s: the client's patience with a reply [s]; late is later than that.
        repeat_after_s: the client's shortest wait before a repeat of what may have arrived [s].

    Attributes:
        counts: how often each fault happened.
        weather: how probable each fault is from now on.
        deaf: whether no reply of the record's gets through from now on, as shortly before its end.
    """

    def __init__(self, port: int, *, seed: int, read_timeout_s: float, repeat_after_s: float) -> None:
        self.counts: Counter[Fault] = Counter()
        self.weather: Weather = CALM
        self.deaf = False
        self._port = port
        self._random = Random(seed)
        self._read_timeout_s = read_timeout_s
        self._repeat_after_s = repeat_after_s
        self._under_way: set[asyncio.Task[_Reply | None]] = set()
        self._talks: set[asyncio.Task[None]] = set()
        self._held: list[_Request] = []
        self._server: asyncio.Server | None = None

    @property
    def base_url(self) -> str:
        """Where the client is to go."""
        assert self._server is not None
        return f"http://{LOOPBACK}:{self._server.sockets[0].getsockname()[1]}/fhir"

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, LOOPBACK, 0)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        for task in (*self._talks, *self._under_way):
            task.cancel()
        await asyncio.gather(*self._talks, *self._under_way, return_exceptions=True)
        await self._server.wait_closed()

    async def release(self) -> None:
        """Pass on what was held, the oldest last, each once what came before it has been answered."""
        while self._held:
            await self._passed_on(self._held.pop())

    async def idle(self) -> None:
        """Wait until nothing that a client sent is still on its way to the record, or at work there."""
        while self._under_way:
            await asyncio.wait(self._under_way)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talk = asyncio.current_task()
        assert talk is not None
        self._talks.add(talk)
        try:
            while (request := await _request_from(reader)) is not None:
                passes = not request.writes and self._random.random() > _OF_READS
                await self._meet(Fault.NONE if passes else self._drawn(), request, writer)
        except (OSError, asyncio.CancelledError):
            pass  # the client went away, or the run is over
        finally:
            self._talks.discard(talk)
            writer.transport.abort()

    def _drawn(self) -> Fault:
        faults = list(self.weather)
        left = 1.0 - sum(self.weather.values())
        (fault,) = self._random.choices([*faults, Fault.NONE], [*self.weather.values(), left])
        return fault

    async def _meet(self, fault: Fault, request: _Request, writer: asyncio.StreamWriter) -> None:
        ways: dict[Fault, Callable[[_Request, asyncio.StreamWriter], Awaitable[Fault | None]]] = {
            Fault.CUT_UNFORWARDED: self._cut_unforwarded,
            Fault.CUT_HALF_FORWARDED: self._cut_half_forwarded,
            Fault.CUT_AT_WORK: self._cut_at_work,
            Fault.LATE_REQUEST: self._delay_request,
            Fault.HELD_REQUEST: self._hold_request,
        }
        if fault in ways:
            self.counts[fault] += 1
            await ways[fault](request, writer)
        elif (reply := self._own_reply(fault)) is not None:
            self.counts[fault] += 1
            writer.write(reply.head(len(reply.body)) + reply.body)
            await writer.drain()
        else:
            await self._after_work(fault, request, writer)

    def _own_reply(self, fault: Fault) -> _Reply | None:
        """The reply of a gateway that passes nothing on."""
        wait_s = self._random.randint(1, 2)
        at = format_datetime(datetime.now(UTC) + timedelta(seconds=wait_s), usegmt=True)
        waits = {Fault.BUSY_SECONDS: str(wait_s), Fault.BUSY_DATE: at, Fault.BUSY_LONG: str(_BEYOND_PATIENCE_S)}
        if fault in waits:
            return _Reply("429 Too Many Requests", _HTML, _PAGE, waits[fault])
        return _Reply("500 Internal Server Error", _HTML, _PAGE) if fault is Fault.ERROR_UNFORWARDED else None

    async def _after_work(self, fault: Fault, request: _Request, writer: asyncio.StreamWriter) -> None:
        if fault is Fault.TWICE:
            self._held.append(request)
        if fault is Fault.TWICE_AT_ONCE:
            self._passed_on(request)
        reply = await asyncio.shield(self._passed_on(request))
        if reply is None or self.deaf:
            self.counts[Fault.RECORD_DOWN] += 1
            await self._without_record(writer)
            return
        self.counts[fault] += 1
        whole, half = reply.head(len(reply.body)), reply.body[: len(reply.body) // 2]
        match fault:
            case Fault.CUT_BEFORE_REPLY:
                self._cut(writer)
            case Fault.CUT_IN_REPLY:
                writer.write(whole + half)
                await writer.drain()
                self._cut(writer, orderly=True)
            case Fault.SHORT_REPLY:
                writer.write(reply.head(len(half)) + half)
            case Fault.LATE_REPLY:
                await asyncio.sleep(self._read_timeout_s * 1.2)
                writer.write(whole + reply.body)
            case Fault.DRIPPING_REPLY:
                writer.write(whole)
                for byte in reply.body:
                    writer.write(bytes([byte]))
                    await writer.drain()
                    await asyncio.sleep(self._read_timeout_s / 10.0)
            case Fault.ERROR_AFTER_WORK | Fault.OWN_ERROR_AFTER_WORK | Fault.BAD_GATEWAY_AFTER_WORK:
                media_type, body = (_JSON, _OUTCOME) if fault is Fault.OWN_ERROR_AFTER_WORK else (_HTML, _PAGE)
                status = "502 Bad Gateway" if fault is Fault.BAD_GATEWAY_AFTER_WORK else "500 Internal Server Error"
                writer.write(_Reply(status, media_type, body).head(len(body)) + body)
            case _:
                writer.write(whole + reply.body)
        await writer.drain()

    async def _without_record(self, writer: asyncio.StreamWriter) -> None:
        if self._random.random() < 0.5:
            self._cut(writer)
            return
        writer.write(_Reply("503 Service Unavailable", _HTML, _PAGE, "2").head(len(_PAGE)) + _PAGE)
        await writer.drain()

    async def _cut_unforwarded(self, _: _Request, writer: asyncio.StreamWriter) -> None:
        self._cut(writer)

    async def _cut_half_forwarded(self, request: _Request, writer: asyncio.StreamWriter) -> None:
        sent = request.on_the_wire
        await self._thrown_at_the_record(sent[: len(sent) // 2], stay_s=0.0)
        self._cut(writer)

    async def _cut_at_work(self, request: _Request, writer: asyncio.StreamWriter) -> None:
        # Somewhere between reading the request and answering it: the record may or may not commit.
        await self._thrown_at_the_record(request.on_the_wire, stay_s=self._random.uniform(0.0, 0.3))
        self._cut(writer)

    async def _hold_request(self, request: _Request, writer: asyncio.StreamWriter) -> None:
        self._held.append(request)
        await asyncio.sleep(self._read_timeout_s * 1.2)
        self._cut(writer)

    async def _delay_request(self, request: _Request, writer: asyncio.StreamWriter) -> None:
        about_s = self._read_timeout_s + self._repeat_after_s
        self._passed_on(request, after_s=about_s + self._random.uniform(-0.1, 0.1))
        # The client gives up by itself and closes; cut here only what it left open.
        await asyncio.sleep(about_s)
        self._cut(writer)

    async def _thrown_at_the_record(self, what: bytes, *, stay_s: float) -> None:
        with suppress(OSError):
            _, writer = await asyncio.open_connection(LOOPBACK, self._port)
            writer.write(what)
            await writer.drain()
            await asyncio.sleep(stay_s)
            writer.transport.abort()

    def _passed_on(self, request: _Request, *, after_s: float = 0.0) -> asyncio.Task[_Reply | None]:
        """The record's reply in time; it is fetched to its end whatever becomes of the client."""
        task = asyncio.create_task(self._ask_record(request, after_s))
        self._under_way.add(task)
        task.add_done_callback(self._under_way.discard)
        return task

    async def _ask_record(self, request: _Request, after_s: float) -> _Reply | None:
        await asyncio.sleep(after_s)
        try:
            reader, writer = await asyncio.open_connection(LOOPBACK, self._port)
            try:
                writer.write(request.on_the_wire)
                await writer.drain()
                return _reply_from(await reader.read())
            finally:
                writer.transport.abort()
        except OSError:
            return None

    def _cut(self, writer: asyncio.StreamWriter, *, orderly: bool | None = None) -> None:
        """Close, half of the times by a reset instead of an orderly end."""
        opened = writer.get_extra_info("socket")
        if not (self._random.random() < 0.5 if orderly is None else orderly) and opened is not None:
            with suppress(OSError):
                opened.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        writer.close()


async def _request_from(reader: asyncio.StreamReader) -> _Request | None:
    try:
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(_header(head, b"content-length") or 0)
        return _Request(head, await reader.readexactly(length))
    except asyncio.IncompleteReadError:
        return None


def _reply_from(received: bytes) -> _Reply | None:
    """What the record sent; None where it died before the end."""
    head, end, body = received.partition(b"\r\n\r\n")
    length = _header(head + b"\r\n", b"content-length")
    if not end or (length is not None and int(length) != len(body)):
        return None
    status = head.partition(b"\r\n")[0].partition(b" ")[2].decode()
    media_type = _header(head + b"\r\n", b"content-type") or b"application/octet-stream"
    return _Reply(status, media_type.decode(), body)


def _header(head: bytes, name: bytes) -> bytes | None:
    for line in head.split(b"\r\n")[1:]:
        found, _, value = line.partition(b":")
        if found.strip().lower() == name:
            return value.strip()
    return None
