"""How often one client may ask: a token bucket per client, in a store that replicas share or in this process.

Each bucket holds `burst` requests and fills at `per_minute`. Without a shared store, or while it does not answer, each
replica allows this much. Launches are counted by network address, the pages of a record by their tab. Source: the token
bucket is common practice, no published source; 429 and Retry-After RFC 6585, RFC 9110 section 10.2.3.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from fastapi import Request

from ebbmark.web.shared_store import SharedStore
from ebbmark.web.theme.pages import PageRefused

MOST_CLIENTS = 10_000
"""Buckets kept; the one unused for longest goes first, and comes back full."""


@dataclass(frozen=True, slots=True)
class RateLimit:
    """How often one client may ask.

    Attributes:
        per_minute: on average [requests/min]; positive.
        burst: at once, after a pause; at least 1.
    """

    per_minute: float
    burst: int


@dataclass(slots=True)
class RequestRates:
    """What each client has left: requests, and when that was true [s].

    Attributes:
        limit: how often one may ask.
        most_clients: of whom this process remembers that.
        store: shared by replicas; None where there is none.
        kind: what is counted, so that one store tells the buckets of different doors apart.
    """

    limit: RateLimit
    most_clients: int = MOST_CLIENTS
    store: SharedStore | None = None
    kind: str = ""
    _left: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    async def counted(self, client: str, *, at_s: float) -> float | None:
        """Count one request, for all replicas where they share a store that answers; as `wait_s`."""
        if self.store is not None:
            name, limit = f"{self.kind} {client}", self.limit
            shared_s = await self.store.wait_s(name, per_minute=limit.per_minute, burst=limit.burst)
            if shared_s is not None:
                return shared_s or None
        return self.wait_s(client, at_s=at_s)

    def wait_s(self, client: str, *, at_s: float) -> float | None:
        """Count one request in this process.

        Args:
            at_s: now, by a clock that never runs back [s].

        Returns:
            None where the request may go on; else how long until one may [s]. A refused request costs nothing.
        """
        left, then_s = self._left.pop(client, (float(self.limit.burst), at_s))
        per_s = self.limit.per_minute / 60
        left = min(float(self.limit.burst), left + (at_s - then_s) * per_s)
        allowed = left >= 1
        self._left[client] = (left - 1 if allowed else left, at_s)
        while len(self._left) > self.most_clients:
            self._left.popitem(last=False)
        return None if allowed else (1 - left) / per_s


def page_rates(
    limit: RateLimit | None, steady_s: Callable[[], float], store: SharedStore | None = None
) -> Callable[[Request], Awaitable[None]]:
    """A dependency of the routes of pages that counts each request, and refuses one too many as a page.

    Args:
        limit: how often; None for no limit.
        steady_s: seconds that never run back.
        store: shared by replicas; None where there is none.
    """
    # Buckets of their own: whoever tries many tabs must not push out those of other doors.
    launches = RequestRates(limit, store=store, kind="launches") if limit is not None else None
    tabs = RequestRates(limit, store=store, kind="tabs") if limit is not None else None

    async def counted(request: Request) -> None:
        tab = request.path_params.get("tab")
        if tab is None:
            rates, client = launches, request.client.host if request.client else ""
        else:
            rates, client = tabs, str(tab)
        wait_s = await rates.counted(client, at_s=steady_s()) if rates is not None else None
        if wait_s is not None:
            seconds = max(1, math.ceil(wait_s))
            raise PageRefused(
                429,
                "Too many requests",
                "This page was asked for too often in a short time, so it is not shown just now. Nothing was written.",
                todo=(f"Load it again in {seconds} s.",),
                headers={"Retry-After": str(seconds)},
            )

    return counted
