"""HL7 v2 on the wire: messages in ER7 form, their acknowledgements, and the MLLP listener that takes and gives them.

The parser is tolerant and bounded. A frame is <VT> message <FS><CR>; one write may hold several. Messages of one
connection are carried one after the other, so that a sender's order is kept.

Sources: HL7 v2 transport specification, MLLP release 1; HL7 v2.6 chapter 2 (delimiters, escapes, original and enhanced
acknowledgement, segments MSH, MSA, ERR); tables 0008 (acknowledgement), 0155 (when to acknowledge), 0211 (character
set), 0357 (error condition), 0516 (severity). In the field AE and CE mean "send again", AR and CR "never": common
practice, no published source.
"""

from __future__ import annotations

import asyncio
import logging
import re
import ssl
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from ipaddress import IPv4Network, IPv6Network, ip_address
from pathlib import Path

_LOG = logging.getLogger("ebbmark.bridge")

ACCEPTED, AGAIN, NEVER = "A", "E", "R"
Verdict = str
"""Second letter of the acknowledgement code: `A` accepted, `E` send again, `R` never send this again."""

_LONGEST_ID = 199
_MOST_SEGMENTS = 5_000
_LINES = re.compile(r"\r\n|\r|\n")
_ESCAPE_NAMES = "FSRET"
"""In the order of the delimiters: field, component, repetition, escape, subcomponent."""

CHARACTER_SETS = {
    "": "ascii",
    "ASCII": "ascii",
    "UNICODE UTF-8": "utf-8",
    **{f"8859/{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
}
"""Table 0211; where MSH-18 is empty, bytes beyond ASCII stand in no field that is used."""


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """One ERR segment.

    Attributes:
        location: ERR-2, as `PID^1^3`: segment and its number within the message, then the field where one is meant.
        code: ERR-3, of table 0357.
        severity: ERR-4, of table 0516.
    """

    location: str
    code: int
    sentence: str
    severity: str = "E"


class Refused(Exception):
    """A message that is not carried.

    Args:
        location: what it is about, as `PID^1^3`.
        code: of table 0357.
    """

    def __init__(self, location: str, code: int, sentence: str, verdict: Verdict = NEVER) -> None:
        super().__init__(sentence)
        self.row = ErrorRow(location, code, sentence)
        self.verdict = verdict


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment; field numbers are those of the standard, also in MSH.

    Attributes:
        fields: as sent; the name stands at 0.
        delimiters: field, component, repetition, escape, subcomponent.
    """

    fields: tuple[str, ...]
    delimiters: str

    @property
    def name(self) -> str:
        """`MSH`, `PID` ..."""
        return self.fields[0]

    def raw(self, field: int) -> str:
        """A field as sent; empty where it is missing or the explicit null."""
        text = self.fields[field] if field < len(self.fields) else ""
        return "" if text == '""' else text

    def repetitions(self, field: int) -> list[list[str]]:
        """Each repetition of a field as its components, subcomponents still in them."""
        text = self.raw(field)
        return [one.split(self.delimiters[1]) for one in text.split(self.delimiters[2])] if text else []

    def text(self, field: int, component: int = 1) -> str:
        """One component of the first repetition, escapes resolved; empty where it is missing."""
        first = next(iter(self.repetitions(field)), [])
        return self.plain(first[component - 1]) if component <= len(first) else ""

    def plain(self, text: str) -> str:
        """Escapes of delimiters resolved; others stay as they are."""
        mark = self.delimiters[3]
        if mark not in text:
            return "" if text == '""' else text.strip()
        meant = dict(zip(_ESCAPE_NAMES, self.delimiters, strict=True))
        pattern = re.compile(re.escape(mark) + "([FSTRE])" + re.escape(mark))
        return pattern.sub(lambda found: meant[found[1]], text).strip()


def header_of(content: bytes) -> Segment | None:
    """The MSH of a message, byte for byte as Latin-1; None where there is none, so that nothing can be acknowledged."""
    line = _LINES.split(content[:20_000].decode("latin-1"), maxsplit=1)[0]
    delimiters = line[3:8]
    if (
        not line.startswith("MSH")
        or len(set(delimiters)) != 5
        or any(delimiter.isalnum() or delimiter <= " " for delimiter in delimiters)
    ):
        return None
    segment = segment_of(line, delimiters)
    control = segment.raw(10)
    return segment if 0 < len(control) <= _LONGEST_ID and segment.raw(9) else None


def segments_of(content: bytes, header: Segment) -> tuple[Segment, ...]:
    """All segments in the character set that MSH-18 names.

    Raises:
        Refused: the character set is another one, the bytes do not fit it, or there are too many segments.
    """
    named = header.text(18).upper()
    if named not in CHARACTER_SETS:
        raise Refused("MSH^1^18", 103, f"This character set is not read; accepted: {', '.join(CHARACTER_SETS)[2:]}.")
    try:
        text = content.decode(CHARACTER_SETS[named], errors="strict" if named else "replace")
    except UnicodeDecodeError:
        raise Refused("MSH^1^18", 102, "The message holds bytes that its character set does not have.") from None
    lines = lines_of(text)
    if len(lines) > _MOST_SEGMENTS:
        raise Refused("", 100, f"The message has more than {_MOST_SEGMENTS} segments.")
    return tuple(segment_of(line, header.delimiters) for line in lines)


def lines_of(text: str) -> list[str]:
    """The lines of a message that are not blank."""
    return [line for line in _LINES.split(text) if line.strip()]


def segment_of(line: str, delimiters: str) -> Segment:
    """One line as its fields."""
    fields = line.split(delimiters[0])
    if fields[0] == "MSH":
        fields.insert(1, delimiters[0])
    return Segment(tuple(fields), delimiters)


def acknowledgements(
    header: Segment, verdict: Verdict, rows: Sequence[ErrorRow], *, now: datetime, identity: str
) -> Iterator[bytes]:
    """The acknowledgements that the sender asked for: none, one, or an accept and an application acknowledgement.

    Args:
        header: MSH of the message, which says in MSH-15 and MSH-16 what is asked for.
    """
    accept, application = header.text(15).upper(), header.text(16).upper()
    if not accept and not application:
        # Original mode: always one.
        application = "AL"
    for letter, asked in (("C", accept), ("A", application)):
        if asked == "AL" or (asked == "ER" and verdict != ACCEPTED) or (asked == "SU" and verdict == ACCEPTED):
            yield _acknowledgement(header, letter + verdict, rows, now, f"{identity}{letter}")


def _acknowledgement(header: Segment, code: str, rows: Sequence[ErrorRow], now: datetime, identity: str) -> bytes:
    bar, caret = header.delimiters[0], header.delimiters[1]
    # Sender and receiver change places; the fields go back as they came.
    ends = [header.raw(field) for field in (5, 6, 3, 4)]
    kind = caret.join(("ACK", header.text(9, 2) or "R01", "ACK"))
    stamp = now.strftime("%Y%m%d%H%M%S%z")
    version = header.raw(12) or "2.6"
    head = ["MSH", header.delimiters[1:], *ends, stamp, "", kind, identity, header.raw(11) or "P", version]
    if profile := header.raw(21):
        # IHE PCD-01 asks for the profile in every message of the transaction, acknowledgements among them.
        head += [""] * 8 + [profile]
    lines = [bar.join(head), bar.join(("MSA", code, header.raw(10)))]
    for row in rows:
        condition = caret.join((str(row.code), "", "HL70357"))
        location = row.location.replace("^", caret)
        lines.append(
            bar.join(("ERR", "", location, condition, row.severity, "", "", "", _escaped(row.sentence, header)))
        )
    return ("\r".join(lines) + "\r").encode("latin-1", errors="replace")


def _escaped(text: str, header: Segment) -> str:
    mark = header.delimiters[3]
    names = dict(zip(header.delimiters, _ESCAPE_NAMES, strict=True))
    return "".join(f"{mark}{names[one]}{mark}" if one in names else one for one in text)


Answer = Callable[[bytes], Awaitable[list[bytes] | None]]
"""From a message without its frame to its acknowledgements."""

_CLOSING_S = 5.0
"""Longest wait for a peer to take note of the end [s]."""

START, END = b"\x0b", b"\x1c\r"


@dataclass(frozen=True, slots=True)
class Limits:
    """What the door lets in.

    Attributes:
        idle_s: longest silence between two messages [s].
        message_s: longest time from the first byte of a message to its last, and to hand over a reply [s].
        drain_s: longest wait for messages that are being carried, once told to stop [s].
    """

    networks: Sequence[IPv4Network | IPv6Network] = ()
    connections: int = 50
    message_bytes: int = 1_000_000
    idle_s: float = 3600.0
    message_s: float = 30.0
    drain_s: float = 25.0


async def listen(
    answer: Answer,
    *,
    host: str,
    port: int,
    limits: Limits,
    stopping: asyncio.Event,
    started: Callable[[int], None],
    tls: ssl.SSLContext | None = None,
) -> None:
    """Carry messages until told to stop.

    Args:
        port: port to listen on; 0 takes a free one.
        stopping: set to stop: no new message is begun, those under way are finished.

    Raises:
        OSError: the address cannot be listened on.
    """
    waiting: set[asyncio.Task[None]] = set()
    open_now: set[asyncio.Task[None]] = set()

    async def converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - a connection is a task
        why_not = (
            f"{limits.connections} are open already"
            if len(open_now) >= limits.connections
            else "EBBMARK_BRIDGE_NETWORKS does not name its address"
            if not _may_connect(writer, limits.networks)
            else "the bridge is stopping"
            if stopping.is_set()
            else ""
        )
        if why_not:
            peer = writer.get_extra_info("peername")
            _LOG.warning("A connection of %s was refused: %s.", peer[0] if peer else "a peer that is gone", why_not)
            await _close(writer)
            return
        open_now.add(task)
        try:
            while not stopping.is_set():
                waiting.add(task)
                content = await _next(reader, limits)
                waiting.discard(task)
                replies = await answer(content) if content is not None else None
                if replies is None:
                    break
                for reply in replies:
                    writer.write(START + reply + END)
                async with asyncio.timeout(limits.message_s):
                    await writer.drain()
        except (OSError, TimeoutError):
            _LOG.info("A connection ended.")
        except asyncio.CancelledError:
            # Told to stop while it waited, or while it was carrying for longer than may be waited for.
            pass
        finally:
            waiting.discard(task)
            await _close(writer)
            open_now.discard(task)

    server = await asyncio.start_server(converse, host, port, ssl=tls, limit=limits.message_bytes)
    started(server.sockets[0].getsockname()[1])
    await stopping.wait()
    server.close()
    for task in list(waiting):
        task.cancel()
    if open_now:
        _, late = await asyncio.wait(list(open_now), timeout=limits.drain_s)
        for task in late:
            task.cancel()
        if late:
            await asyncio.wait(late)


async def _close(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with suppress(OSError, TimeoutError):
        async with asyncio.timeout(_CLOSING_S):
            await writer.wait_closed()


def _may_connect(writer: asyncio.StreamWriter, networks: Sequence[IPv4Network | IPv6Network]) -> bool:
    if not networks:
        return True
    peer = writer.get_extra_info("peername")
    if not peer:
        return False  # it is gone already
    address = ip_address(peer[0].partition("%")[0])
    plain = getattr(address, "ipv4_mapped", None) or address
    return any(plain in network for network in networks)


async def _next(reader: asyncio.StreamReader, limits: Limits) -> bytes | None:
    """The next message without its frame; None where the peer has ended, or sends what is no frame."""
    try:
        first = b"\n"
        while first in (b"\r", b"\n"):
            async with asyncio.timeout(limits.idle_s):
                first = await reader.readexactly(1)
        if first != START:
            _LOG.warning("Bytes outside a frame: the connection is closed.")
            return None
        async with asyncio.timeout(limits.message_s):
            return (await reader.readuntil(END))[: -len(END)]
    except asyncio.LimitOverrunError:
        _LOG.warning("A message longer than %d bytes: the connection is closed.", limits.message_bytes)
    except asyncio.IncompleteReadError:
        pass
    return None


class _LoggedHandshake(ssl.SSLObject):
    """Says why a handshake failed: asyncio drops such a connection without a word."""

    def do_handshake(self) -> None:
        """Log a failure on its way out."""
        try:
            super().do_handshake()
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise  # not a failure: more bytes are needed
        except ssl.SSLCertVerificationError as error:
            _LOG.warning("A TLS connection was refused: the sender's certificate, %s.", error.verify_message)
            raise
        except ssl.SSLError as error:
            words = (error.reason or "no reason given").lower().replace("_", " ")
            _LOG.warning("A TLS connection was refused: %s.", words)
            raise


def server_tls(certificate: Path | None, client_authorities: Path | None) -> ssl.SSLContext | None:
    """The TLS context of the bridge; None where it speaks plain TCP.

    Raises:
        ValueError: a file cannot be used.
    """
    if certificate is None:
        if client_authorities is not None:
            raise ValueError("EBBMARK_BRIDGE_CLIENT_AUTHORITIES is set without EBBMARK_BRIDGE_CERTIFICATE")
        return None
    try:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.sslobject_class = _LoggedHandshake
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(certificate, password="")
        if client_authorities is not None:
            context.load_verify_locations(client_authorities)
            context.verify_mode = ssl.CERT_REQUIRED
    except (OSError, ValueError):
        raise ValueError("a file of EBBMARK_BRIDGE_CERTIFICATE or its neighbours cannot be read") from None
    return context
