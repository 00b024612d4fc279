"""The door of the bridge: MLLP frames on TCP or TLS, within limits of size, time and number.

A frame is <VT> message <FS><CR>; one write may hold several. Messages of one connection are carried one after the
other, so that a sender's order is kept. Source: HL7 v2 transport specification, MLLP release 1.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address
from pathlib import Path

from ebbmark.bridge.delivery import Bridge

__all__ = ["Limits", "listen", "server_tls"]

_LOG = logging.getLogger("ebbmark.bridge")

_CLOSING_S = 5.0
"""Longest wait for a peer to take note of the end [s]."""

START, END = b"\x0b", b"\x1c\r"


@dataclass(frozen=True, slots=True)
class Limits:
    """What the door lets in.

    Attributes:
        networks: of the peers that may connect; empty for all.
        connections: most at once.
        message_bytes: longest message.
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
    bridge: Bridge,
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
        bridge: what carries them.
        host: address to listen on.
        port: port to listen on; 0 takes a free one.
        limits: what is let in.
        stopping: set to stop: no new message is begun, those under way are finished.
        started: is told the port.
        tls: context of the server; None for plain TCP.

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
                replies = await bridge.answer(content) if content is not None else None
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

    Args:
        certificate: PEM file with certificate and key (EBBMARK_BRIDGE_CERTIFICATE); None for plain TCP.
        client_authorities: PEM file with those whose certificates senders must show; None where they need none.

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
