"""How do many callers that want the same thing at once share one run of getting it?"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Generic, TypeVar

__all__ = ["SingleFlight"]

T = TypeVar("T")


class SingleFlight(Generic[T]):
    """One run at a time; whoever asks meanwhile gets its outcome.

    Args:
        run: does the work, never raising for a failure of the network.
    """

    def __init__(self, run: Callable[[], Awaitable[T]]) -> None:
        self._run = run
        self._flight: asyncio.Task[T] | None = None

    async def __call__(self) -> T:
        """Join the run under way, or start one."""
        if self._flight is None:
            self._flight = asyncio.create_task(self._landed())
        # A caller that gives up waiting must not end the run that others wait for.
        return await asyncio.shield(self._flight)

    @property
    def under_way(self) -> bool:
        """Whether a run has begun and not ended."""
        return self._flight is not None

    async def _landed(self) -> T:
        try:
            return await self._run()
        finally:
            self._flight = None

    def cancel(self) -> None:
        """End a run that nobody waits for any more."""
        if self._flight is not None:
            self._flight.cancel()
