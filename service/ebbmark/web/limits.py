"""How often may one client ask? A token bucket per client, in the memory of this process.

Each bucket holds `burst` requests and fills at `per_minute`. Several replicas do not share buckets: each allows this
much. Source: the token bucket is common practice, no published source; 429 and Retry-After RFC 6585, RFC 9110.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

__all__ = ["RateLimit", "RequestRates"]

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
    """What each client has left: requests, and when that was true [s]."""

    limit: RateLimit
    most_clients: int = MOST_CLIENTS
    _left: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    def wait_s(self, client: str, *, at_s: float) -> float | None:
        """Count one request.

        Args:
            client: whose.
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
