"""What has one view read already? Several questions asked at once share what they read of the record.

A shelf lives as long as one view and holds nothing longer: the next view reads anew. Two questions that want the same
wait for one reading of it. Where it is known that one of them goes further back, all that want the same codes share
that reading, and each gets what the record would have sent for its own time. What could not be read together, since it
would be too much, or fails for something in it, is read by each on its own. A reading that nobody waits for any longer
is ended.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Hashable
from typing import Any, TypeVar, cast

__all__ = ["Shelf"]

T = TypeVar("T")


class Shelf:
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
        """Read, or wait for whoever reads the same.

        Args:
            key: tells what is read.
            read: does it, never raising for a failure of the network.
        """
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
