"""How is the record system spoken to: one request out, and one reply, or one named failure, back?

Source: FHIR R4 RESTful API (media types); HTTP semantics RFC 9110.
"""

from __future__ import annotations

import asyncio
import re
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self, TypeVar

import httpx
import msgspec

from ebbmark.record.addresses import refusal_of
from ebbmark.record.retrying import RetryLimits, Trouble

__all__ = ["Answer", "Failure", "RecordClient", "RecordSettings", "Reply", "decoded"]

T = TypeVar("T")

# RFC 6750 section 2.1, b64token.
_TOKEN = re.compile(r"[A-Za-z0-9\-._~+/]+=*")
_JSON_MEDIA_TYPES = frozenset({"", "application/fhir+json", "application/json", "application/json+fhir"})


@dataclass(frozen=True, slots=True)
class RecordSettings:
    """Where the record is and how far our patience goes.

    Attributes:
        base_url: FHIR base URL of the record.
        allowed_base_urls: base URLs that may be called at all; `base_url` must be one of them, or below one.
        bearer_token: access token sent to the record; never shown.
        connect_timeout_s: to open a connection, or to get a free one [s].
        read_timeout_s: to wait for the next piece of a reply, or to hand over the next piece of a request [s].
        attempt_timeout_s: one whole attempt, so that a reply that only drips ends too [s].
        max_attempts: attempts in all.
        max_total_wait_s: sum of the waits between attempts [s].
        max_response_bytes: longest reply that is read [bytes].
    """

    base_url: str
    allowed_base_urls: tuple[str, ...]
    bearer_token: str | None = field(default=None, repr=False)
    connect_timeout_s: float = 3.0
    read_timeout_s: float = 10.0
    attempt_timeout_s: float = 30.0
    max_attempts: int = 4
    max_total_wait_s: float = 30.0
    max_response_bytes: int = 5_000_000

    def __post_init__(self) -> None:
        """Refuse a token that cannot be a header, here and without showing it, rather than in a traceback."""
        if self.bearer_token is not None and not _TOKEN.fullmatch(self.bearer_token):
            raise ValueError("the bearer token of the record holds characters that no token may hold")
        if self.max_attempts < 1:
            raise ValueError("max_attempts must be at least 1")

    @property
    def limits(self) -> RetryLimits:
        """The bounds on repeats."""
        return RetryLimits(max_attempts=self.max_attempts, max_total_wait_s=self.max_total_wait_s)


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


class RecordClient:
    """One connection pool to one record.

    It stands on httpx's transport, not on its client: a transport follows no redirect, keeps no cookie, reads no
    proxy or password from the environment, and writes no address to a log.
    """

    def __init__(self, settings: RecordSettings, *, tls: ssl.SSLContext | None = None) -> None:
        self.settings = settings
        self._transport = httpx.AsyncHTTPTransport(verify=True if tls is None else tls, trust_env=False)

    async def __aenter__(self) -> Self:
        """Open nothing yet: connections are made when they are needed."""
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close every connection."""
        await self._transport.aclose()

    async def send(
        self, method: str, target: str = "", *, content: bytes = b"", headers: Mapping[str, str] | None = None
    ) -> Answer:
        """Make one attempt; a failure of the network is a value, not an exception.

        Args:
            method: HTTP method.
            target: path and query below the base URL, or an absolute URL that lies below it.
            content: body.
            headers: further headers.

        Returns:
            The reply, its body read up to the size limit; or the failure.
        """
        base = self.settings.base_url.rstrip("/")
        url = target if "://" in target else base + ("" if target[:1] in ("", "?") else "/") + target
        # Below the base, not merely allowed: the token belongs to this record and to no other one on the list.
        if refusal_of(base, self.settings.allowed_base_urls) or refusal_of(url, (base,)):
            return Failure(Trouble.NOT_ALLOWED)
        request = httpx.Request(
            method,
            url,
            content=content or None,
            headers={**self._own_headers(), **(headers or {})},
            extensions={"timeout": self._timeouts()},
        )
        return await self._exchange(request)

    async def _exchange(self, request: httpx.Request) -> Answer:
        response: httpx.Response | None = None
        body: bytes | Trouble
        try:
            async with asyncio.timeout(self.settings.attempt_timeout_s):
                response = await self._transport.handle_async_request(request)
                body = await _read(response, self.settings.max_response_bytes)
        except TimeoutError:
            body = Trouble.TOO_SLOW
        except httpx.TransportError as error:
            body = _trouble_of(error)
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

    def _own_headers(self) -> dict[str, str]:
        token = self.settings.bearer_token
        return {
            "Accept": "application/fhir+json",
            # Packed replies are refused: a small one could unpack to any size.
            "Accept-Encoding": "identity",
            "User-Agent": "ebbmark",
            **({"Authorization": f"Bearer {token}"} if token is not None else {}),
        }

    def _timeouts(self) -> dict[str, float | None]:
        settings = self.settings
        return httpx.Timeout(
            connect=settings.connect_timeout_s,
            pool=settings.connect_timeout_s,
            read=settings.read_timeout_s,
            write=settings.read_timeout_s,
        ).as_dict()


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


def _trouble_of(error: httpx.TransportError) -> Trouble:
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
