"""With which keys does a party that we trust sign just now?

Its JSON Web Key Set is fetched from the one address that the operator configured, kept in memory, fetched again when
it is old, and once when a token names a key that is not in it: that is how a rotation is noticed. However many tokens
name unknown keys, the set is not fetched more often than the shortest interval allows.

Source: RFC 7517; SMART App Launch 2.2, client-confidential-asymmetric (rotation); the intervals are common practice,
no published source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import Enum

from ebbmark.keys import PublicKey, read_public_keys
from ebbmark.record.address_guard import refusal_of
from ebbmark.record.client import Exchange, Reply
from ebbmark.record.retry import SingleFlight

__all__ = ["FixedKeys", "KeyLookup", "PublishedKeys"]

FRESH_S = 600.0
"""A set younger than this is used as it is [s]."""
USABLE_S = 3600.0
"""An older one is used up to this age where no newer can be had [s]."""
SHORTEST_INTERVAL_S = 30.0
"""Between two fetches for the sake of keys that are not in the set [s]."""
AFTER_FAILURE_S = 5.0
"""Between a failed fetch and the next [s]."""


class KeyLookup(Enum):
    """Why there is no key."""

    UNKNOWN = "unknown"
    UNAVAILABLE = "unavailable"


class FixedKeys:
    """Keys from a file, read once."""

    there = True

    def __init__(self, keys: tuple[PublicKey, ...]) -> None:
        self._keys = keys

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        """The key of this name for this algorithm."""
        return _among(self._keys, kid, algorithm)


class PublishedKeys:
    """Keys from an address.

    Args:
        url: of the JSON Web Key Set, configured by the operator; https, or on this machine.
        exchange: the connections.
        steady_s: seconds that never run back.

    Raises:
        ValueError: the address is not one that is called.
    """

    def __init__(self, url: str, *, exchange: Exchange, steady_s: Callable[[], float]) -> None:
        refusal = refusal_of(url, (url.split("?", 1)[0],))
        if refusal is not None:
            raise ValueError(f"the address of a key set {refusal.value}")
        self._url = url
        self._exchange = exchange
        self._steady_s = steady_s
        self._keys: tuple[PublicKey, ...] = ()
        self._fetched_at_s = self._failed_at_s = self._sought_at_s = -math.inf
        self._fetched = SingleFlight(self._fetch)

    @property
    def there(self) -> bool:
        """Whether a set was fetched that is not too old to be used."""
        return self._age_s() <= USABLE_S

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        """The key of this name for this algorithm, fetched if need be."""
        fetched = self._age_s() > FRESH_S and self._since_s(self._failed_at_s) >= AFTER_FAILURE_S
        if fetched:
            await self._fetched()
        found = self._known(kid, algorithm)
        if found is not KeyLookup.UNKNOWN or fetched:
            return found
        if self._fetched.under_way or self._since_s(self._sought_at_s) >= SHORTEST_INTERVAL_S:
            self._sought_at_s = self._steady_s()
            await self._fetched()
        return self._known(kid, algorithm)

    def _known(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        return _among(self._keys, kid, algorithm) if self.there else KeyLookup.UNAVAILABLE

    def _age_s(self) -> float:
        return self._since_s(self._fetched_at_s)

    def _since_s(self, at_s: float) -> float:
        return self._steady_s() - at_s

    async def _fetch(self) -> None:
        began_s = self._steady_s()
        answer = await self._exchange.ask("GET", self._url, headers={"Accept": "application/json"})
        keys = None
        if isinstance(answer, Reply) and answer.status == 200 and answer.lost is None:
            keys = read_public_keys(answer.body)
        if keys is None:
            self._failed_at_s = self._steady_s()
        else:
            self._keys, self._fetched_at_s = keys, began_s


def _among(keys: tuple[PublicKey, ...], kid: str, algorithm: str) -> PublicKey | KeyLookup:
    return next((key for key in keys if key.kid == kid and algorithm in key.algorithms), KeyLookup.UNKNOWN)
