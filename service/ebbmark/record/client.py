"""The HTTP client of the record: one guarded exchange, and the client that signs in with its token.

Everything that leaves this service goes through here: within limits of time and size, without redirects, cookies or
proxies, and only to addresses that a name may lead to.

A record that a caller names is spoken to only if it is listed, with the caller's token, for one question; that token is
never kept, and our own sign-in never sent along. The connections outlive the question, so that a clinician who waits
does not wait for a new one.

Source: HTTP semantics RFC 9110; FHIR R4 RESTful API (media types); bearer tokens RFC 6750.
"""

from __future__ import annotations

import asyncio
import re
import ssl
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol, Self, TypeVar

import httpcore
import httpx
import msgspec

from ebbmark.fhir.naming import ACCEPTS_EVERYTHING, AcceptedWrites
from ebbmark.record import connection
from ebbmark.record.connection import GuardedNetwork, Resolve, is_about_us, is_under, refusal_of, resolved
from ebbmark.record.refusal_log import note_refusal
from ebbmark.record.retry import WALL_CLOCK, CallFailure, RetryLimits, ViewCache, Waiting
from ebbmark.telemetry.measured import outgoing_call

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
        media_type: of the body, lower case, without parameters; empty where not stated.
        body: the whole body; empty where it could not be read to its end. Not shown: it may hold patient data.
        lost: why the body could not be read to its end.
        location: the Content-Location header as sent.
    """

    status: int
    media_type: str = ""
    retry_after: str | None = None
    body: bytes = field(default=b"", repr=False)
    lost: CallFailure | None = None
    date: str | None = field(default=None, compare=False)
    location: str | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Failure:
    """No status was read, and why. The library's own message is left behind: it may hold an address or a token."""

    trouble: CallFailure


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
        self,
        method: str,
        url: str,
        *,
        content: bytes = b"",
        headers: Mapping[str, str] | None = None,
        into: BinaryIO | None = None,
    ) -> Answer:
        """Make one attempt; a failure of the network is a value, not an exception.

        Args:
            url: absolute address; whether it may be called at all is the caller's to judge.
            headers: all headers beside those that say who asks.
            into: where the body of a 200 is written, of any size and for as long as pieces of it come; None to keep it.

        Returns:
            The reply, its body read up to the size limit; or the failure.
        """
        with outgoing_call(method, url) as call:
            answer = await self._attempt(method, url, content, {**call.headers, **(headers or {})}, into)
            lost = answer.trouble if isinstance(answer, Failure) else answer.lost
            call.outcome = lost.slug if lost is not None else answer.status if isinstance(answer, Reply) else ""
        return answer

    async def _attempt(
        self, method: str, url: str, content: bytes, headers: Mapping[str, str], into: BinaryIO | None
    ) -> Answer:
        request = httpx.Request(
            method,
            url,
            content=content or None,
            # Packed replies are refused: a small one could unpack to any size.
            headers={"Accept-Encoding": "identity", "User-Agent": "ebbmark", **headers},
            extensions={"timeout": self.patience.timeouts},
        )
        response: httpx.Response | None = None
        body: bytes | CallFailure
        try:
            async with asyncio.timeout(None if into is not None else self.patience.attempt_timeout_s):
                response = await self._transport.handle_async_request(request)
                kept = into if response.status_code == 200 else None
                body = await _read(response, self.patience.max_response_bytes, kept)
        except TimeoutError:
            body = CallFailure.TOO_SLOW
        except httpx.TransportError as error:
            body = connection.trouble_of(error)
        except ssl.SSLError as error:
            # With TLS 1.3 a server looks at our certificate after we believe to be connected, and its refusal comes
            # while we read; the library lets it through.
            body = CallFailure.OUR_CERTIFICATE if response is None and is_about_us(error) else CallFailure.CUT
        finally:
            if response is not None:
                await response.aclose()
        if response is None:
            return Failure(body if isinstance(body, CallFailure) else CallFailure.CUT)
        return Reply(
            status=response.status_code,
            media_type=response.headers.get("content-type", "").partition(";")[0].strip().lower(),
            retry_after=response.headers.get("retry-after"),
            date=response.headers.get("date"),
            body=body if isinstance(body, bytes) else b"",
            lost=body if isinstance(body, CallFailure) else None,
            location=response.headers.get("content-location"),
        )


class _GuardedTransport(httpx.AsyncHTTPTransport):
    """httpx's transport over a pool whose connections are guarded."""

    def __init__(self, tls: ssl.SSLContext | None, network: GuardedNetwork) -> None:
        context = connection.usual_trust() if tls is None else tls
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


async def _read(response: httpx.Response, max_bytes: int, into: BinaryIO | None) -> bytes | CallFailure:
    if response.headers.get("content-encoding", "identity").strip().lower() != "identity":
        return CallFailure.UNREADABLE
    body = bytearray()
    async for piece in response.aiter_raw():
        if into is not None:
            into.write(piece)
            continue
        body += piece
        if len(body) > max_bytes:
            return CallFailure.TOO_LARGE
    # JSON is UTF-8 (RFC 8259, section 8.1); what is not is known here, before anybody reads a part of it.
    return bytes(body) if connection.is_utf8(body) else CallFailure.NOT_UTF8


def decoded(reply: Reply, shape: type[T]) -> T | None:
    """Parse a reply's JSON into the shape that the caller needs.

    Args:
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


# RFC 6750 section 2.1, b64token.
_TOKEN = re.compile(r"[A-Za-z0-9\-._~+/]+=*")
_REFUSED, _UNAUTHORIZED = 400, 401


def is_bearer_token(text: str) -> bool:
    """Say whether a text can be sent as bearer token."""
    return _TOKEN.fullmatch(text) is not None


class Tokens(Protocol):
    """Where access tokens come from."""

    async def token(self) -> str | CallFailure:
        """A token to use now, or why there is none."""

    def discard(self, token: str) -> None:
        """Forget this token: the record did not accept it."""


@dataclass(frozen=True, slots=True)
class RecordSettings:
    """Where the record is and how far our patience goes.

    Attributes:
        base_url: FHIR base URL of the record.
        allowed_base_urls: base URLs that may be called at all; `base_url` must be one of them, or below one.
        bearer_token: access token sent to the record where it is a fixed one; never shown.
        connect_timeout_s: to open a connection, or to get a free one [s].
        read_timeout_s: to wait for the next piece of a reply, or to hand over the next piece of a request [s].
        attempt_timeout_s: one whole attempt, so that a reply that only drips ends too [s].
        max_total_wait_s: sum of the waits between attempts [s].
        max_response_bytes: longest reply that is read [bytes].
        private_networks: networks that are not global and that the record's name may still lead to, as 10.1.0.0/16.
        write_timeout_s: all looks and attempts of one write-back together [s].
        plain_http_hosts: hosts with port that may be spoken to without encryption, as record:8080.
        searches_at_once: most searches of one question that run side by side.
        internal_base_urls: base addresses by which the record names itself in links; `base_url` is called in their
            place.
        accepts: what it takes of what this service writes.
        refusal_log: protected file for what it says word for word when it refuses; None for nowhere.
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
    private_networks: tuple[str, ...] = ()
    write_timeout_s: float = 25.0
    plain_http_hosts: tuple[str, ...] = ()
    searches_at_once: int = 3
    internal_base_urls: tuple[str, ...] = ()
    accepts: AcceptedWrites = ACCEPTS_EVERYTHING
    refusal_log: Path | None = None

    def __post_init__(self) -> None:
        """Refuse a token that cannot be a header, here and without showing it, rather than in a traceback."""
        if self.bearer_token is not None and not is_bearer_token(self.bearer_token):
            raise ValueError("the bearer token of the record holds characters that no token may hold")
        if self.max_attempts < 1:
            raise ValueError("max_attempts must be at least 1")

    @property
    def limits(self) -> RetryLimits:
        """The bounds on repeats."""
        return RetryLimits(max_attempts=self.max_attempts, max_total_wait_s=self.max_total_wait_s)

    @property
    def patience(self) -> Patience:
        """The bounds on one attempt."""
        return Patience(self.connect_timeout_s, self.read_timeout_s, self.attempt_timeout_s, self.max_response_bytes)


class RecordClient:
    """One connection pool to one record.

    Args:
        tls: trust and, for a record that asks for one, our client certificate; None for the usual trust.
        tokens: where access tokens come from; None where the settings hold a fixed one, or none is needed.
        exchange: connections that others use, too, and that are left open here; None for connections of its own.
        view_cache: what one view shares of what it reads; None where everything is read anew.
        waiting: how time passes between two attempts.
    """

    def __init__(
        self,
        settings: RecordSettings,
        *,
        tls: ssl.SSLContext | None = None,
        tokens: Tokens | None = None,
        exchange: Exchange | None = None,
        view_cache: ViewCache | None = None,
        waiting: Waiting = WALL_CLOCK,
    ) -> None:
        self.settings = settings
        self.waiting = waiting
        self.view_cache = view_cache
        self._tokens = tokens
        self._shared = exchange is not None
        self._exchange = exchange or Exchange(settings.patience, tls=tls, private_networks=settings.private_networks)

    @property
    def pool_use(self) -> tuple[int, int]:
        """Open connections to the record, and how many of them carry a request."""
        return self._exchange.pool_use

    @property
    def sign_in(self) -> Tokens | None:
        """Where access tokens come from; None where a fixed one, or none, is sent."""
        return self._tokens

    async def __aenter__(self) -> Self:
        """Open nothing yet: connections are made when they are needed."""
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close every connection of its own."""
        if not self._shared:
            await self._exchange.aclose()

    async def download(self, url: str, into: BinaryIO, *, elsewhere: Iterable[str], signed_in: bool) -> Answer:
        """Fetch a file that the record made for us.

        Args:
            url: absolute address, below the base URL or one of those.
            elsewhere: further base URLs below which it may lie.
            signed_in: whether the token goes along, which it never does beyond the base URL.
        """
        headers = {"Accept": "application/fhir+ndjson"}
        base, plain = self.settings.base_url.rstrip("/"), self.settings.plain_http_hosts
        url = self._outward(url, base)
        if signed_in and not refusal_of(url, (base,), plain):
            return await self.send("GET", url, headers=headers, into=into)
        if refusal_of(url, (base, *elsewhere), plain):
            return Failure(CallFailure.NOT_ALLOWED)
        return await self._exchange.ask("GET", url, headers=headers, into=into)

    async def send(
        self,
        method: str,
        target: str = "",
        *,
        content: bytes = b"",
        headers: Mapping[str, str] | None = None,
        into: BinaryIO | None = None,
    ) -> Answer:
        """Make one attempt; a failure of the network is a value, not an exception.

        A token that the record does not accept is renewed once and the request sent once more: a 401 is said before
        anything is done.

        Args:
            target: path and query below the base URL, or an absolute URL that lies below it.
            into: where the body of a 200 is written; None to keep it.

        Returns:
            The reply, its body read up to the size limit; or the failure.
        """
        base = self.settings.base_url.rstrip("/")
        below = base + ("" if target[:1] in ("", "?") else "/") + target
        url = self._outward(target, base) if "://" in target else below
        plain = self.settings.plain_http_hosts
        # Below the base, not merely allowed: the token belongs to this record and to no other one on the list.
        if refusal_of(base, self.settings.allowed_base_urls, plain) or refusal_of(url, (base,), plain):
            return Failure(CallFailure.NOT_ALLOWED)
        own = {"Accept": "application/fhir+json", **(headers or {})}

        async def ask(token: str | None) -> Answer:
            signed = own if token is None else {"Authorization": f"Bearer {token}", **own}
            return await self._exchange.ask(method, url, content=content, headers=signed, into=into)

        reply = await self._signed_in(ask)
        if isinstance(reply, Reply) and reply.status >= _REFUSED:
            note_refusal(self.settings.refusal_log, self.waiting.now(), f"{method} {target}", reply.status, reply.body)
        return reply

    async def _signed_in(self, ask: Callable[[str | None], Awaitable[Answer]]) -> Answer:
        tokens = self._tokens
        if tokens is None:
            return await ask(self.settings.bearer_token)
        token = await tokens.token()
        if isinstance(token, CallFailure):
            return Failure(token)
        answer = await ask(token)
        if not (isinstance(answer, Reply) and answer.status == _UNAUTHORIZED):
            return answer
        tokens.discard(token)
        renewed = await tokens.token()
        return Failure(renewed) if isinstance(renewed, CallFailure) else await ask(renewed)

    def _outward(self, url: str, base: str) -> str:
        """The address to call for one that the record gave, which may know itself by an internal name."""
        for one in self.settings.internal_base_urls:
            if is_under(url, one):
                return base + url[len(one.rstrip("/")) :]
        return url


class CallerRecords:
    """The records that callers may name.

    Args:
        allowed_base_urls: their FHIR base addresses, or addresses above them.
        patience: how far it goes with each reply.
        tls: trust for all of them; None for the usual.
        private_networks: networks that are not global and that their names may still lead to.
        plain_http_hosts: hosts with port that may be spoken to without encryption.
        resolve: finds the addresses of a name.
    """

    def __init__(
        self,
        allowed_base_urls: Iterable[str],
        *,
        patience: Patience,
        tls: ssl.SSLContext | None = None,
        private_networks: tuple[str, ...] = (),
        plain_http_hosts: tuple[str, ...] = (),
        resolve: Resolve = resolved,
    ) -> None:
        self._settings = RecordSettings(
            base_url="",
            allowed_base_urls=tuple(allowed_base_urls),
            connect_timeout_s=patience.connect_timeout_s,
            read_timeout_s=patience.read_timeout_s,
            attempt_timeout_s=patience.attempt_timeout_s,
            max_attempts=2,
            max_total_wait_s=1.0,
            max_response_bytes=patience.max_response_bytes,
            private_networks=private_networks,
            plain_http_hosts=plain_http_hosts,
        )
        self._exchange = Exchange(patience, tls=tls, private_networks=private_networks, resolve=resolve)

    async def aclose(self) -> None:
        """Close every connection."""
        await self._exchange.aclose()

    def refusal(self, base_url: str) -> str:
        """Why a record may not be asked, as a clause; empty where it may."""
        reason = refusal_of(base_url, self._settings.allowed_base_urls, self._settings.plain_http_hosts)
        return f"the fhirServer {reason.value}" if reason is not None else ""

    def record(self, base_url: str, token: str) -> RecordClient:
        """The record of one call.

        Args:
            base_url: FHIR base address, found allowed.
            token: access token that the caller sent for it.
        """
        settings = replace(self._settings, base_url=base_url, bearer_token=token)
        return RecordClient(settings, exchange=self._exchange)
