"""Readings that were sent and cannot be used: no unit, a bound instead of a number, not confirmed, ahead of now.

Such a reading is no reading, and it is not nothing either: it may be one that meets a stop criterion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.physiology.readings import Quantity

__all__ = ["Doubt", "Doubts", "latest_doubt"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reading that was sent and cannot be used.

    Attributes:
        quantity: what it is of.
        value: in the unit of the quantity as far as that can be told; None where nothing is known of it.
        side: "below" or "above" where the value is a bound; empty where it is the value itself.
        at_s: when; None where that is not known [s since 1970-01-01T00:00:00Z].
        shown: its value as it was sent; empty where there is none.
        why: why it cannot be used, as a plain sentence.
    """

    quantity: Quantity
    value: float | None
    side: str
    at_s: float | None
    shown: str
    why: str


@dataclass(frozen=True, slots=True)
class Doubts:
    """All of one request, in an order that does not depend on the order received; for the identity of an answer."""

    doubts: tuple[Doubt, ...]


def latest_doubt(doubts: Sequence[Doubt], quantity: Quantity, *, since_s: float) -> Doubt | None:
    """The latest reading of a quantity that was sent since the trial began and cannot be used.

    Args:
        doubts: what was sent and cannot be used, in order of time.
        quantity: of which.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
    """
    of_it = [one for one in doubts if one.quantity is quantity and (one.at_s is None or one.at_s >= since_s)]
    return of_it[-1] if of_it else None
