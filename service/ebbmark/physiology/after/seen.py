"""What may be seen since a titration, in one form: which event, when, by which inputs, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["CodedChange", "Event", "Seen", "after_titration"]


class Event(Enum):
    """What was seen."""

    OPEN_CIRCUIT = "disconnection-or-suction"
    PEEP_BELOW = "peep-below-suggestion"
    COMPLIANCE_LOST = "compliance-lost"
    OXYGENATION_LOST = "oxygenation-lost"
    PRESSURE_LOST = "arterial-pressure-fell"
    HEART_RATE_LOW = "heart-rate-low"
    HEART_RATE_HIGH = "heart-rate-high"
    POSITION_CHANGED = "position-changed"
    MODE_CHANGED = "mode-changed"
    TRANSPORT = "transport"


@dataclass(frozen=True, slots=True)
class CodedChange:
    """A change that was documented as such.

    Attributes:
        event: POSITION_CHANGED, MODE_CHANGED or TRANSPORT.
        at_s: when [s since 1970-01-01T00:00:00Z].
        words: what it was changed to, for people.
        source: index of the input.
        first: whether nothing was charted before it, so that it is a state and no change.
    """

    event: Event
    at_s: float
    words: str
    source: int
    first: bool = False


@dataclass(frozen=True, slots=True)
class Seen:
    """One thing that happened.

    Attributes:
        event: which.
        from_s, until_s: first and last reading that shows it [s since 1970-01-01T00:00:00Z].
        sources: indices of the inputs that show it.
        citation: who says that it matters.
        sentence: what, when and why it matters, in plain sentences.
        grave: whether it asks for somebody now.
    """

    event: Event
    from_s: float
    until_s: float
    sources: tuple[int, ...]
    citation: str
    sentence: str
    grave: bool = False


def after_titration(at_s: float, titrated_s: float) -> str:
    """How long after the titration, in words.

    Args:
        at_s: when [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set after the titration [s since 1970-01-01T00:00:00Z].
    """
    minutes = (at_s - titrated_s) / 60.0
    return f"{minutes:.0f} min after the titration" if minutes < 90 else f"{minutes / 60:.1f} h after the titration"
