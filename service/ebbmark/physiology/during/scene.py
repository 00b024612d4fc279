"""What is known at the moment of the question, and the form of a check: from the scene to what it found."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from math import inf
from typing import Any

from ebbmark.physiology.during.running import RunningTrial
from ebbmark.physiology.patient.titration import Beside
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Doubt, Quantity, Reading
from ebbmark.physiology.stop.criteria import StopAnswer
from ebbmark.physiology.stop.limits import NO_RHYTHM, Rhythms, StopLimits

__all__ = ["Check", "Concern", "Consequence", "Scene"]


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is known at the moment of the question.

    Attributes:
        running: the trial as it stands.
        readings: what can be used, in any order.
        doubts: what was sent and cannot be used.
        stops: the stop criteria.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        protocol: the rules for reading a trial.
        rhythms: what was charted of the heart's rhythm.
        acknowledged: what a clinician has acknowledged, by its word.
        beside: Conditions, changes of position and mode, limits of the checks.
    """

    running: RunningTrial
    readings: Sequence[Reading]
    doubts: Sequence[Doubt]
    stops: StopAnswer
    limits: StopLimits
    since_s: float
    at_s: float
    protocol: Protocol
    rhythms: Rhythms = NO_RHYTHM
    acknowledged: Collection[str] = ()
    beside: Beside = field(default_factory=Beside)

    def latest(self, quantity: Quantity, from_s: float = -inf) -> Reading | None:
        """The latest reading of a quantity since a moment."""
        of_it = [one for one in self.readings if one.quantity is quantity and one.at_s >= from_s]
        return max(of_it, key=lambda one: (one.at_s, one.source), default=None)


class Consequence(Enum):
    """What a finding asks for, gravest first."""

    LOOK_UNLIKE_CLOSING = "look-unlike-closing"  # and closing is not called either
    LOOK = "look"
    MEASURE = "measure"
    READ_AGAIN = "read-again"
    TELL = "tell"
    TELL_LAST = "tell-last"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class Concern:
    """What one check found.

    Attributes:
        slug: which; the sentence for it stands in `words/next_step.py`.
        values: what the sentence names.
        name: word by which a clinician acknowledges it; empty where nobody can.
    """

    slug: str
    values: Mapping[str, Any] = field(default_factory=dict)
    name: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """One row: what is asked for where the check finds something."""

    consequence: Consequence
    judge: Callable[[Scene], Iterator[Concern]]
