"""A clock that stands still and a sleep that only notes how long it was asked to last."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def noon() -> datetime:
    return NOON


@dataclass(slots=True)
class Waits:
    asked_s: list[float] = field(default_factory=list)

    async def __call__(self, seconds: float) -> None:
        self.asked_s.append(seconds)
