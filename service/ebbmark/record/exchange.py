"""How does one HTTP request go out, and one reply, or one named failure, come back?

Everything that leaves this service goes through here: within limits of time and size, without redirects, cookies or
proxies, and only to addresses that a name may lead to.

Source: HTTP semantics RFC 9110.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import httpcore
import httpx
import msgspec

from ebbmark.record.address_guard import GuardedNetwork, Resolve, SurprisingAddress, resolved
from ebbmark.record.retrying import Trouble
from ebbmark.telemetry.current import outgoing_call

__all__ = ["Answer", "Exchange", "Failure", "Patience", "Reply", "decoded"]

T = TypeVar("T")

_JSON_MEDIA_TYPES = frozenset({"", "application/fhir+json", "application/json", "application/json+fhir"})


@dataclass(frozen=True, slots=True)
class Patience:
    """How far our patience with another system goes.

    Attributes:
        connect_timeout_s: to open a connection, or to get a free one [s].
        read_timeout_s: to wait for the next piece of a reply, or to hand over the next piece of a request [s].
        attempt_timeout_s: one whole attempt, so that a reply that only drips ends too [s].
        max_response_bytes: longest reply that is read [bytes].
    """

    connect_timeout_s: float = 3.0
    read_timeout_s: float = 10.0
    attempt_timeout_s: float = 30.0
    max_response_bytes: int = 5_000_000

    @property
    def timeouts(self) -> dict[str, float | None]:
        """The timeouts as the HTTP library takes them."""
        return httpx.Timeout(
            connect=self.connect_timeout_s,
            pool=self.connect_timeout_s,
            read=self.read_timeout_s,
            write=self.read_timeout_s,
        ).as_dict()


@dataclass(frozen=True, slots=True)
class Reply:
    """A reply whose status line was read.

    Attributes:
        status: HTTP status.
        media_type: of the body, lower case, without parameters; empty where not stated.
        retry_after: the header as sent.
        body: the whole body; empty where it could not be read to its end. Not shown: it may hold patient data.
        lost: why the body could not be read to its end.
    """

    status: int
    media_type: str = ""
    retry_after: str | None = None
    body: bytes = field(default=b"", repr=False)
    lost: Trouble | None = None


@dataclass(frozen=True, slots=True)
class Failure:
    """No status was read, and why. The library's own message is left behind: it may hold an address or a token."""

    trouble: Trouble


Answer = Reply | Failure


class Exchange:
    """One pool of connections.

    It stands on httpx's transport, not on its client: a transport follows no redirect, keeps no cookie, reads no
    proxy or password from the environment, and writes no address to a log.
    """

    def __init__(
        self,
        patience: Patience,
        *,
        tls: ssl.SSLContext | None = None,
        private_networks: Iterable[str] = (),
        resolve: Resolve = resolved,
    ) -> None:
        self.patience = patience
        self._transport = _GuardedTransport(tls, GuardedNetwork(private_networks, resolve))

    async def aclose(self) -> None:
        """Close every connection."""
        await self._transport.aclose()

    @property
    def pool_use(self) -> tuple[int, int]:
        """Open connections, and how many of them carry a request."""
        return self._transport.pool_use

    async def ask(
        self, method: str, url: str, *, content: bytes = b"", headers: Mapping[str, str] | None = None
    ) -> Answer:
        """Make one attempt; a failure of the network is a value, not an exception.

        Args:
            method: HTTP method.
            url: absolute address; whether it may be called at all is the caller's to judge.
            content: body.
            headers: all headers beside those that say who asks.

        Returns:
            The reply, its body read up to the size limit; or the failure.
        """
        with outgoing_call(method, url) as call:
            answer = await self._attempt(method, url, content, {**call.headers, **(headers or {})})
            lost = answer.trouble if isinstance(answer, Failure) else answer.lost
            call.outcome = lost.slug if lost is not None else answer.status if isinstance(answer, Reply) else ""
        return answer

    async def _attempt(self, method: str, url: str, content: bytes, headers: Mapping[str, str]) -> Answer:
        request = httpx.Request(
            method,
            url,
            content=content or None,
            # Packed replies are refused: a small one could unpack to any size.
            headers={"Accept-Encoding": "identity", "User-Agent": "ebbmark", **headers},
            extensions={"timeout": self.patience.timeouts},
        )
        response: httpx.Response | None = None
        body: bytes | Trouble
        try:
            async with asyncio.timeout(self.patience.attempt_timeout_s):
                response = await self._transport.handle_async_request(request)
                body = await _read(response, self.patience.max_response_bytes)
        except TimeoutError:
            body = Trouble.TOO_SLOW
        except httpx.TransportError as error:
            body = _trouble_of(error)
        except ssl.SSLError as error:
            # With TLS 1.3 a server looks at our certificate after we believe to be connected, and its refusal comes
            # while we read; the library lets it through.
            body = Trouble.NOT_CONNECTED if response is None and _is_about_us(error) else Trouble.CUT
        finally:
            if response is not None:
                await response.aclose()
        if response is None:
            return Failure(body if isinstance(body, Trouble) else Trouble.CUT)
        return Reply(
            status=response.status_code,
            media_type=response.headers.get("content-type", "").partition(";")[0].strip().lower(),
            retry_after=response.headers.get("retry-after"),
            body=body if isinstance(body, bytes) else b"",
            lost=body if isinstance(body, Trouble) else None,
        )


class _GuardedTransport(httpx.AsyncHTTPTransport):
    """httpx's transport over a pool whose connections are guarded."""

    def __init__(self, tls: ssl.SSLContext | None, network: GuardedNetwork) -> None:
        context = httpx.create_ssl_context(trust_env=False) if tls is None else tls
        super().__init__(verify=context, trust_env=False)
        # httpx has no public way to give the pool a network. Should the name of the pool change, nothing may start.
        if not isinstance(vars(self).get("_pool"), httpcore.AsyncConnectionPool):
            raise RuntimeError("this version of httpx keeps its connections elsewhere; the guard cannot be set")
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=context,
            max_connections=100,
            max_keepalive_connections=20,
            keepalive_expiry=5.0,
            network_backend=network,
        )

    @property
    def pool_use(self) -> tuple[int, int]:
        connections = self._pool.connections
        return len(connections), sum(not one.is_idle() for one in connections)


async def _read(response: httpx.Response, max_bytes: int) -> bytes | Trouble:
    if response.headers.get("content-encoding", "identity").strip().lower() != "identity":
        return Trouble.UNREADABLE
    body = bytearray()
    async for piece in response.aiter_raw():
        body += piece
        if len(body) > max_bytes:
            return Trouble.TOO_LARGE
    return bytes(body)


# First match counts. What is not listed (a cut, a reset, a reply that is no HTTP) may have come after arrival.
_TROUBLES: tuple[tuple[type[httpx.TransportError], Trouble], ...] = (
    (httpx.ConnectTimeout, Trouble.CONNECT_TIMEOUT),
    (httpx.PoolTimeout, Trouble.POOL_TIMEOUT),
    (httpx.WriteTimeout, Trouble.WRITE_TIMEOUT),
    (httpx.ReadTimeout, Trouble.READ_TIMEOUT),
    (httpx.ConnectError, Trouble.NOT_CONNECTED),
    (httpx.LocalProtocolError, Trouble.NOT_SENDABLE),
    (httpx.UnsupportedProtocol, Trouble.NOT_SENDABLE),
)


def _is_about_us(error: ssl.SSLError) -> bool:
    """Whether the server refused our certificate, or that there is none; it has then read no request."""
    reason = error.reason or ""
    return "ALERT" in reason and ("CERTIFICATE" in reason or "UNKNOWN_CA" in reason)


def _trouble_of(error: httpx.TransportError) -> Trouble:
    if isinstance(error.__cause__, SurprisingAddress):
        return Trouble.SURPRISING_ADDRESS
    return next((trouble for kind, trouble in _TROUBLES if isinstance(error, kind)), Trouble.CUT)


def decoded(reply: Reply, shape: type[T]) -> T | None:
    """Parse a reply's JSON into the shape that the caller needs.

    Args:
        reply: what came back.
        shape: a msgspec Struct; fields that it does not name are passed over.

    Returns:
        The value; None where the body was lost, is declared as something else than JSON, is not JSON, or does
        not have the shape.
    """
    if reply.lost is not None or reply.media_type not in _JSON_MEDIA_TYPES:
        return None
    try:
        return msgspec.json.decode(reply.body, type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
