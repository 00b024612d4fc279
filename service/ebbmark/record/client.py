"""How is the record system spoken to: to which address, signed in how, and what if it does not accept the sign-in?

Source: FHIR R4 RESTful API (media types); bearer tokens RFC 6750.
"""

from __future__ import annotations

import re
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Protocol, Self

from ebbmark.record.address_guard import refusal_of
from ebbmark.record.exchange import Answer, Exchange, Failure, Patience, Reply, decoded
from ebbmark.record.retrying import RetryLimits, Trouble
from ebbmark.record.shelf import Shelf

__all__ = ["Answer", "Failure", "RecordClient", "RecordSettings", "Reply", "Tokens", "decoded", "is_bearer_token"]

# RFC 6750 section 2.1, b64token.
_TOKEN = re.compile(r"[A-Za-z0-9\-._~+/]+=*")
_UNAUTHORIZED = 401


def is_bearer_token(text: str) -> bool:
    """Say whether a text can be sent as bearer token."""
    return _TOKEN.fullmatch(text) is not None


class Tokens(Protocol):
    """Where access tokens come from."""

    async def token(self) -> str | Trouble:
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
        max_attempts: attempts in all.
        max_total_wait_s: sum of the waits between attempts [s].
        max_response_bytes: longest reply that is read [bytes].
        private_networks: networks that are not global and that the record's name may still lead to, as 10.1.0.0/16.
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
        settings: where the record is.
        tls: trust and, for a record that asks for one, our client certificate; None for the usual trust.
        tokens: where access tokens come from; None where the settings hold a fixed one, or none is needed.
        exchange: connections that others use, too, and that are left open here; None for connections of its own.
        shelf: what one view shares of what it reads; None where everything is read anew.
    """

    def __init__(
        self,
        settings: RecordSettings,
        *,
        tls: ssl.SSLContext | None = None,
        tokens: Tokens | None = None,
        exchange: Exchange | None = None,
        shelf: Shelf | None = None,
    ) -> None:
        self.settings = settings
        self.shelf = shelf
        self._tokens = tokens
        self._shared = exchange is not None
        self._exchange = exchange or Exchange(settings.patience, tls=tls, private_networks=settings.private_networks)

    @property
    def pool_use(self) -> tuple[int, int]:
        """Open connections to the record, and how many of them carry a request."""
        return self._exchange.pool_use

    async def __aenter__(self) -> Self:
        """Open nothing yet: connections are made when they are needed."""
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close every connection of its own."""
        if not self._shared:
            await self._exchange.aclose()

    async def send(
        self, method: str, target: str = "", *, content: bytes = b"", headers: Mapping[str, str] | None = None
    ) -> Answer:
        """Make one attempt; a failure of the network is a value, not an exception.

        A token that the record does not accept is renewed once and the request sent once more: a 401 is said before
        anything is done.

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
        own = {"Accept": "application/fhir+json", **(headers or {})}
        tokens = self._tokens
        if tokens is None:
            return await self._exchange.ask(
                method, url, content=content, headers={**_bearer(self.settings.bearer_token), **own}
            )
        token = await tokens.token()
        if isinstance(token, Trouble):
            return Failure(token)
        answer = await self._exchange.ask(method, url, content=content, headers={**_bearer(token), **own})
        if not (isinstance(answer, Reply) and answer.status == _UNAUTHORIZED):
            return answer
        tokens.discard(token)
        renewed = await tokens.token()
        if isinstance(renewed, Trouble):
            return Failure(renewed)
        return await self._exchange.ask(method, url, content=content, headers={**_bearer(renewed), **own})


def _bearer(token: str | None) -> dict[str, str]:
    return {} if token is None else {"Authorization": f"Bearer {token}"}
