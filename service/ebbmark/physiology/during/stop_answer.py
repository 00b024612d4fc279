"""What do the readings say of each stop criterion? Met, checked and not met, or not checked, and why not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from ebbmark.physiology.during.stop_criteria import StopCriterion
from ebbmark.physiology.during.stop_limits import Limit

__all__ = ["Held", "Met", "NotChecked", "StopAnswer", "Why"]


@dataclass(frozen=True, slots=True)
class Met:
    """One criterion that was met, with the first reading that met it and the last.

    Attributes:
        criterion: which one.
        readings: how many readings met it.
        value: of the reading furthest beyond the limit [unit of its quantity; a share for volumes]; None for a rhythm.
        limit: the number and its source; None for a rhythm, of which a list is signed.
        source: index of the input of that reading.
        first_s, last_s: first and last time that it was met [s since 1970-01-01T00:00:00Z].
        still: whether the latest reading of that quantity meets it too.
        sentence: one or two plain sentences.
    """

    criterion: StopCriterion
    readings: int
    value: float | None
    limit: Limit | None
    source: int
    first_s: float
    last_s: float
    still: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Held:
    """One criterion that was checked and not met.

    Attributes:
        criterion: which one.
        source: index of the input of the latest reading that was judged.
        age_s: of that reading [s].
        sentence: value and age, as a phrase.
    """

    criterion: StopCriterion
    source: int
    age_s: float
    sentence: str


class Why(Enum):
    """Why a criterion could not be checked."""

    NO_LIMIT = "no-limit"
    NOT_SENT = "not-sent"
    OLD = "old"


@dataclass(frozen=True, slots=True)
class NotChecked:
    """One criterion that could not be checked, and why, in a plain sentence."""

    criterion: StopCriterion
    why: Why
    sentence: str


@dataclass(frozen=True, slots=True)
class StopAnswer:
    """What the readings say about stopping.

    Attributes:
        met: criteria met, in a fixed order; those that still hold are marked.
        held: criteria checked and not met.
        not_checked: criteria that could not be checked, each with its reason.
        signature: who answers for the limits.
        sentence: the answer in one to three plain sentences; never says that a trial is safe.
    """

    met: tuple[Met, ...]
    held: tuple[Held, ...]
    not_checked: tuple[NotChecked, ...]
    signature: str
    sentence: str
