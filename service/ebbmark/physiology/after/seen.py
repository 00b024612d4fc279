"""What may be seen since a titration, in one form: which event, when, by which inputs, and the values that show it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from ebbmark.physiology.findings import Weight

__all__ = ["CodedChange", "Event", "Gap", "Seen"]


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
    TRIGGERS = "patient-triggers"
    PNEUMOTHORAX = "standing-pneumothorax"
    CARBON_DIOXIDE_LOST = "end-tidal-lost"
    AIR_TRAPPED = "air-trapped"
    LOWERED_AGAIN = "peep-lowered-again"


@dataclass(frozen=True, slots=True)
class CodedChange:
    """A change that was documented as such.

    Attributes:
        event: POSITION_CHANGED, MODE_CHANGED or TRANSPORT.
        at_s: when [s since 1970-01-01T00:00:00Z].
        words: what it was changed to, for people.
        source: index of the input.
        first: whether nothing was charted before it, so that it is a state and no change.
        breathing: what a mode in which the patient triggers or breathes does to a trial; None for any other value.
        charted: such a mode as it was charted, with its codes.
    """

    event: Event
    at_s: float
    words: str
    source: int
    first: bool = False
    breathing: Weight | None = None
    charted: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """One thing that happened.

    Attributes:
        event: which.
        kind: which message of `words/since_titration.py` tells it; several may belong to one event.
        from_s, until_s: first and last reading that shows it [s since 1970-01-01T00:00:00Z].
        sources: indices of the inputs that show it.
        citation: who says that it matters.
        values: what the message names.
        grave: whether it asks for somebody now.
    """

    event: Event
    kind: str
    from_s: float
    until_s: float
    sources: tuple[int, ...]
    citation: str
    values: Mapping[str, Any] = field(default_factory=dict)
    grave: bool = False


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that could not be looked for.

    Attributes:
        kind: which, and why.
        values: what its message names.
    """

    kind: str
    values: Mapping[str, Any] = field(default_factory=dict)
