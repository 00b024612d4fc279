"""The HTTP client of the record: one guarded exchange, and the client that signs in with its token.

Everything that leaves this service goes through here: within limits of time and size, without redirects, cookies or
proxies, and only to addresses that a name may lead to.

A record that a caller names is spoken to only if it is listed, with the caller's token, for one question; that token is
never kept, and our own sign-in never sent along. The connections outlive the question, so that a clinician who waits
does not wait for a new one.

The view cache lets several questions asked at once share what they read of the record. It lives as long as one view.
Two questions that want the same wait for one reading of it (single flight); a reading that nobody waits for any longer
is ended. What failed is told exactly: name, port, or which part of TLS.

Source: HTTP semantics RFC 9110; FHIR R4 RESTful API (media types); TLS verify codes of OpenSSL (x509_vfy.h) and the
alerts of RFC 8446 section 6.
"""

from __future__ import annotations

import asyncio
import ssl
from collections import Counter
from collections.abc import Awaitable, Callable, Hashable, Iterable, Mapping
from dataclasses import replace
from types import TracebackType
from typing import Any, BinaryIO, Protocol, Self, TypeVar, cast

import httpx

from ebbmark.record.connection import (
    GuardedNetwork,
    GuardedTransport,
    Patience,
    RecordSettings,
    ReplyHolder,
    Resolve,
    SurprisingAddress,
    UnknownName,
    is_under,
    refusal_of,
    reply_holder,
    resolved,
)
from ebbmark.record.retry import WALL_CLOCK, CallFailure, Reply, RetryLimits, Waiting, is_utf8, note_refusal
from ebbmark.telemetry.measured import outgoing_call

T = TypeVar("T")


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
        self._transport = GuardedTransport(tls, GuardedNetwork(private_networks, resolve))

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
    ) -> Reply | CallFailure:
        """Make one attempt; a failure of the network is a value, not an exception.

        Args:
            url: absolute address; whether it may be called at all is the caller's to judge.
            headers: all headers beside those that say who asks.
            into: where the body of a 200 is written, of any size and for as long as pieces of it come; None to keep it.

        Returns:
            The reply, its body read up to the size limit; or the failure.
        """
        with reply_holder() as holder:
            if self.patience.memory is not None:
                await self.patience.memory.room(holder)
            with outgoing_call(method, url) as call:
                # Packed replies are refused: a small one could unpack to any size.
                own = {"Accept-Encoding": "identity", "User-Agent": "ebbmark", **call.headers}
                limits = {"timeout": self.patience.timeouts}
                sent = {**own, **(headers or {})}
                request = httpx.Request(method, url, content=content or None, headers=sent, extensions=limits)
                answer = await self._attempt(request, into, holder)
                lost = answer if isinstance(answer, CallFailure) else answer.lost
                call.outcome = lost.slug if lost is not None else answer.status if isinstance(answer, Reply) else ""
        return answer

    async def _attempt(self, request: httpx.Request, into: BinaryIO | None, holder: ReplyHolder) -> Reply | CallFailure:
        response: httpx.Response | None = None
        body: bytes | CallFailure
        try:
            async with asyncio.timeout(None if into is not None else self.patience.attempt_timeout_s) as limit:
                response = await self._transport.handle_async_request(request)
                kept = into if response.status_code == 200 else None
                body = await self._read(response, kept, limit, holder)
        except TimeoutError:
            body = CallFailure.TOO_SLOW
        except httpx.TransportError as error:
            body = _trouble_of(error)
        except ssl.SSLError as error:
            # With TLS 1.3 a server looks at our certificate after we believe to be connected, and its refusal comes
            # while we read; the library lets it through.
            body = CallFailure.OUR_CERTIFICATE if response is None and is_about_us(error) else CallFailure.CUT
        finally:
            if response is not None:
                await response.aclose()
        if response is None:
            return body if isinstance(body, CallFailure) else CallFailure.CUT
        return Reply(
            status=response.status_code,
            media_type=response.headers.get("content-type", "").partition(";")[0].strip().lower(),
            retry_after=response.headers.get("retry-after"),
            date=response.headers.get("date"),
            body=body if isinstance(body, bytes) else b"",
            lost=body if isinstance(body, CallFailure) else None,
            location=response.headers.get("content-location"),
        )

    async def _read(
        self, response: httpx.Response, into: BinaryIO | None, limit: asyncio.Timeout, holder: ReplyHolder
    ) -> bytes | CallFailure:
        if response.headers.get("content-encoding", "identity").strip().lower() != "identity":
            return CallFailure.UNREADABLE
        body = bytearray()
        async for piece in response.aiter_raw():
            if into is not None:
                into.write(piece)
                continue
            body += piece
            if len(body) > self.patience.max_response_bytes:
                return CallFailure.TOO_LARGE
            if self.patience.memory is not None:
                await self.patience.memory.take(holder, len(piece), limit)
        # JSON is UTF-8 (RFC 8259, section 8.1); what is not is known here, before anybody reads a part of it.
        return bytes(body) if is_utf8(body) else CallFailure.NOT_UTF8


_REFUSED, _UNAUTHORIZED = 400, 401


class Tokens(Protocol):
    """Where access tokens come from."""

    async def token(self) -> str | CallFailure:
        """A token to use now, or why there is none."""

    def discard(self, token: str) -> None:
        """Forget this token: the record did not accept it."""


class RecordClient:
    """One connection pool to one record.

    Args:
        tls: trust and, for a record that asks for one, our client certificate; None for the usual trust.
        tokens: where access tokens come from; None where the settings hold a fixed one, or none is needed.
        exchange: connections that others use, too, and that are left open here; None for connections of its own.
        view_cache: what one view shares of what it reads; None where everything is read anew.
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
    def limits(self) -> RetryLimits:
        """The bounds on repeats."""
        return RetryLimits(self.settings.max_attempts, self.settings.max_total_wait_s)

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

    async def download(
        self, url: str, into: BinaryIO, *, elsewhere: Iterable[str], signed_in: bool
    ) -> Reply | CallFailure:
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
            return CallFailure.NOT_ALLOWED
        return await self._exchange.ask("GET", url, headers=headers, into=into)

    async def send(
        self,
        method: str,
        target: str = "",
        *,
        content: bytes = b"",
        headers: Mapping[str, str] | None = None,
        into: BinaryIO | None = None,
    ) -> Reply | CallFailure:
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
            return CallFailure.NOT_ALLOWED
        own = {"Accept": "application/fhir+json", **(headers or {})}

        async def ask(token: str | None) -> Reply | CallFailure:
            signed = own if token is None else {"Authorization": f"Bearer {token}", **own}
            return await self._exchange.ask(method, url, content=content, headers=signed, into=into)

        reply = await self._signed_in(ask)
        if isinstance(reply, Reply) and reply.status >= _REFUSED:
            note_refusal(self.settings.refusal_log, self.waiting.now(), f"{method} {target}", reply.status, reply.body)
        return reply

    async def _signed_in(self, ask: Callable[[str | None], Awaitable[Reply | CallFailure]]) -> Reply | CallFailure:
        tokens = self._tokens
        if tokens is None:
            return await ask(self.settings.bearer_token)
        token = await tokens.token()
        if isinstance(token, CallFailure):
            return token
        answer = await ask(token)
        if not (isinstance(answer, Reply) and answer.status == _UNAUTHORIZED):
            return answer
        tokens.discard(token)
        renewed = await tokens.token()
        return renewed if isinstance(renewed, CallFailure) else await ask(renewed)

    def _outward(self, url: str, base: str) -> str:
        """The address to call for one that the record gave, which may know itself by an internal name."""
        for internal_base_url in self.settings.internal_base_urls:
            if is_under(url, internal_base_url):
                return base + url[len(internal_base_url.rstrip("/")) :]
        return url


class CallerRecords:
    """The records that callers may name.

    Args:
        allowed_base_urls: their FHIR base addresses, or addresses above them.
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
            memory=patience.memory,
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
        """The record of one call."""
        settings = replace(self._settings, base_url=base_url, bearer_token=token)
        return RecordClient(settings, exchange=self._exchange)


class ViewCache:
    """The readings of one view, each made once.

    Attributes:
        reach_s: how far back the furthest of its questions goes [s before the end of what is asked]; 0 where that is
            not known, and each reads its own time.
    """

    def __init__(self) -> None:
        self.reach_s = 0.0
        self._readings: dict[Hashable, asyncio.Task[Any]] = {}
        self._waiting: Counter[Hashable] = Counter()

    async def once(self, key: Hashable, read: Callable[[], Awaitable[T]]) -> T:
        """Read, or wait for whoever reads the same."""
        if key not in self._readings:
            self._readings[key] = asyncio.ensure_future(_awaited(read))
        reading = self._readings[key]
        self._waiting[key] += 1
        try:
            # A question that gives up waiting must not end the reading that others wait for.
            return cast("T", await asyncio.shield(reading))
        finally:
            self._waiting[key] -= 1
            if not self._waiting[key] and not reading.done():
                # With nobody left it would go on asking the record after the view has been answered.
                del self._readings[key]
                reading.cancel()


async def _awaited(read: Callable[[], Awaitable[T]]) -> T:
    return await read()


# First match counts. What is not listed (a cut, a reset, a reply that is no HTTP) may have come after arrival.
_TROUBLES: tuple[tuple[type[httpx.TransportError], CallFailure], ...] = (
    (httpx.ConnectTimeout, CallFailure.CONNECT_TIMEOUT),
    (httpx.PoolTimeout, CallFailure.POOL_TIMEOUT),
    (httpx.WriteTimeout, CallFailure.WRITE_TIMEOUT),
    (httpx.ReadTimeout, CallFailure.READ_TIMEOUT),
    (httpx.ConnectError, CallFailure.NOT_CONNECTED),
    (httpx.LocalProtocolError, CallFailure.NOT_SENDABLE),
    (httpx.UnsupportedProtocol, CallFailure.NOT_SENDABLE),
)


def is_about_us(error: ssl.SSLError) -> bool:
    """Whether the server refused our certificate, or that there is none; it has then read no request."""
    reason = error.reason or ""
    return "ALERT" in reason and ("CERTIFICATE" in reason or "UNKNOWN_CA" in reason)


# X509_V_ERR_* of OpenSSL, x509_vfy.h: certificate not yet valid, has expired; hostname mismatch, IP address mismatch.
_VERIFY_NOT_VALID_NOW = frozenset({9, 10})


_VERIFY_OTHER_HOST = frozenset({62, 64})


_NO_TLS = ("WRONG_VERSION_NUMBER", "PROTOCOL_VERSION", "UNSUPPORTED_PROTOCOL", "RECORD_LAYER_FAILURE", "HTTP_REQUEST")


def _trouble_of(error: httpx.TransportError) -> CallFailure:
    """What a failure of the network was; its own message is left behind, since it may hold an address."""
    if isinstance(error, httpx.ConnectError):
        causes = _causes(error)
        for cause in causes:
            if isinstance(cause, SurprisingAddress):
                return CallFailure.SURPRISING_ADDRESS
            if isinstance(cause, UnknownName):
                return CallFailure.UNKNOWN_NAME
            if isinstance(cause, ssl.SSLError):
                return _tls_trouble_of(cause)
            if isinstance(cause, ConnectionRefusedError):
                return CallFailure.CLOSED_PORT
    return next((trouble for kind, trouble in _TROUBLES if isinstance(error, kind)), CallFailure.CUT)


def _causes(error: BaseException) -> list[BaseException]:
    found: list[BaseException] = []
    waiting = [error]
    while waiting:
        one = waiting.pop(0)
        found.append(one)
        # A host with several addresses fails with one exception for each of them.
        waiting += one.exceptions if isinstance(one, BaseExceptionGroup) else []
        cause = one.__cause__ or one.__context__
        waiting += [cause] if cause is not None and cause not in found else []
    return found


def _tls_trouble_of(error: ssl.SSLError) -> CallFailure:
    if isinstance(error, ssl.SSLCertVerificationError):
        if error.verify_code in _VERIFY_NOT_VALID_NOW:
            return CallFailure.NOT_VALID_NOW
        return CallFailure.WRONG_HOST_NAME if error.verify_code in _VERIFY_OTHER_HOST else CallFailure.UNKNOWN_AUTHORITY
    if is_about_us(error):
        return CallFailure.OUR_CERTIFICATE
    return CallFailure.NO_TLS if any(one in (error.reason or "") for one in _NO_TLS) else CallFailure.NOT_CONNECTED
