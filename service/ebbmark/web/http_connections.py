"""HTTP/1.1 connections with limits that the server beneath (uvicorn, h11) does not have.

| what | limit |
|---|---|
| a head, from its first byte or the opening of the connection | `HEAD_S` |
| a connection between two requests | `IDLE_S` |
| a body | `body.LONGEST_WAIT_S` |
| a response that nobody reads, after it is complete | `IDLE_S` and `FLUSH_S` |
| open connections | `connections_at_once` |

What this cannot do, and a proxy in front must: refuse a caller that opens connections faster than they time out, limit
them per address, and end TLS.

Source: RFC 9112 section 9.5 (time-outs of connections); RFC 6585 and RFC 9110 section 15.6.4 (503). The limits are
this project's choice.
"""

from __future__ import annotations

import asyncio
from typing import cast

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
IDLE_S = 5
FLUSH_S = 20.0

_TOO_MANY = (
    b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: text/plain\r\nretry-after: 2\r\nconnection: close\r\n"
    b"content-length: 47\r\n\r\nToo many connections are open; ask again in 2 s"
)


class _Bounded(H11Protocol):
    """A connection that is given up where a head, the next request or a reader of the response does not come."""

    most, head_s = 0, HEAD_S
    _head: asyncio.TimerHandle | None = None
    _flush: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > self.most:
            transport.write(_TOO_MANY)
            self._give_up()
            return
        self._head = self.loop.call_later(self.head_s, self._give_up)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        waits = self.cycle is None or self.cycle.response_complete
        if not waits:
            self._disarm()
        elif self._head is None and not self.transport.is_closing():
            self._head = self.loop.call_later(self.head_s, self._give_up)

    def connection_lost(self, exc: Exception | None) -> None:
        self._disarm()
        if self._flush is not None:
            self._flush.cancel()
        super().connection_lost(exc)

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._give_up()

    def _give_up(self) -> None:
        self.transport.close()
        # Closing waits until what was written is read: not for ever.
        self._flush = self._flush or self.loop.call_later(FLUSH_S, self.transport.abort)

    def _disarm(self) -> None:
        if self._head is not None:
            self._head.cancel()
            self._head = None


def bounded_protocol(most_connections: int, head_s: float = HEAD_S) -> type[asyncio.Protocol]:
    """The protocol class for uvicorn.

    Args:
        most_connections: open at once; one more is told to come back, and closed.
        head_s: longest wait for a head [s].
    """
    limits = {"most": most_connections, "head_s": head_s}
    return cast("type[asyncio.Protocol]", type("BoundedConnection", (_Bounded,), limits))
