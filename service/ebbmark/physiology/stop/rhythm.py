"""The heart's rhythm during a trial: what changed since it began, and whether a signed list stops the trial for it.

Only a change counts: a rhythm that was there before is none that the trial brought. A new rhythm that the site signed
as one that stops is a stop criterion. Any other new rhythm is told first and to be judged at the patient, and so is one
that was charted in a way that cannot be read. Source: arrhythmia ends the trials of common practice, with no published
list that was read; that any change asks for a look is this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.stop.limits import Rhythm, Rhythms, RhythmsThatStop, StopLimits, UnreadRhythm

CHANGED: Final = "rhythm-changed-to-"
"""What the word begins with by which a change is acknowledged; its code follows."""

NOT_READABLE: Final = "rhythm-not-readable"
"""The word by which it is acknowledged that a charted rhythm could not be read here."""

LONG_AGO_S: Final = 3600.0
"""A rhythm charted longer before the trial than this does not show that the same one is not new [s]. Our choice."""


@dataclass(frozen=True, slots=True)
class RhythmChange:
    """One rhythm of the trial that was not there before it.

    Attributes:
        before: the rhythm before; None where none was charted before.
        new: when it was first charted.
        known_s: how long before the trial it had been charted last, where it was signed and that is too long ago to
            show that it is not new [s]; else 0.
    """

    before: Rhythm | None
    new: Rhythm
    last: Rhythm
    known_s: float = 0.0

    @property
    def slug(self) -> str:
        """The word by which it is acknowledged: all of its codes, so that it covers no other that shares one."""
        return CHANGED + "+".join(dict.fromkeys(code for _, code in sorted(self.new.keys)))


@dataclass(frozen=True, slots=True)
class RhythmState:
    """The rhythms of a trial against the signed list.

    Attributes:
        stopping: the signed list; None where there is none.
        new: rhythms of the trial on that list that were not there before it, in order of time.
        before: what the first of them differs from; None where none was charted before.
        last: the latest rhythm of the trial; None where none was charted.
        charted: how many were charted during the trial.
        current: whether the latest is recent enough to show that the criterion is not met.
    """

    stopping: RhythmsThatStop | None
    new: tuple[Rhythm, ...]
    before: Rhythm | None
    last: Rhythm | None
    charted: int
    current: bool

    @property
    def still(self) -> bool:
        """Whether the latest rhythm is on the list."""
        return self.stopping is not None and self.last is not None and self.last.among(self.stopping.codes)


def rhythm_state(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float, at_s: float) -> RhythmState:
    """Hold the rhythms of the trial against the signed list.

    Args:
        rhythms: in order of time.
    """
    stopping = limits.rhythms_that_stop
    during = [one for one in rhythms if one.at_s >= since_s]
    usual = _just_before(rhythms, since_s)
    listed = [one for one in during if stopping is not None and one.among(stopping.codes)]
    new = tuple(one for one in listed if not usual or _differing(one, usual) is not None)
    return RhythmState(
        stopping=stopping,
        new=new,
        before=_differing(new[0], usual) if new else None,
        last=during[-1] if during else None,
        charted=len(during),
        current=rhythm_is_current(during, limits, since_s=since_s, at_s=at_s),
    )


def rhythm_changes(rhythms: Sequence[Rhythm], *, since_s: float) -> tuple[RhythmChange, ...]:
    """Rhythms since the start of the trial that differ from the one before it, each once, in order of time.

    Where none was charted before, the first one of the trial is what the others are held against.

    Args:
        rhythms: in order of time.
    """
    during = [one for one in rhythms if one.at_s >= since_s]
    if not during:
        return ()
    usual = _just_before(rhythms, since_s) or during[:1]
    found: list[RhythmChange] = []
    for one in during:
        other = _differing(one, usual)
        if other is not None and not any(one.same_as(seen.new) for seen in found):
            found.append(RhythmChange(other, one, during[-1]))
    return tuple(found)


def signed_and_long_known(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float) -> tuple[RhythmChange, ...]:
    """Rhythms of the trial that are signed to stop at and are not new only by a chart of long before.

    Args:
        rhythms: in order of time.

    Source: this project's choice.
    """
    stopping, usual = limits.rhythms_that_stop, _just_before(rhythms, since_s)
    if stopping is None or not usual or since_s - usual[-1].at_s <= LONG_AGO_S:
        return ()
    during = [one for one in rhythms if one.at_s >= since_s]
    same = [one for one in during if one.among(stopping.codes) and _differing(one, usual) is None]
    return tuple(RhythmChange(usual[-1], one, during[-1], since_s - usual[-1].at_s) for one in same[:1])


def _just_before(rhythms: Sequence[Rhythm], since_s: float) -> list[Rhythm]:
    """The latest rhythm before the trial; several where the chart gave more than one for that moment."""
    before = [one for one in rhythms if one.at_s < since_s]
    return [one for one in before if one.at_s == before[-1].at_s]


def _differing(one: Rhythm, usual: Sequence[Rhythm]) -> Rhythm | None:
    """What it differs from: where the chart contradicted itself, a rhythm is new unless it agrees with all of it."""
    return next((other for other in usual if not one.same_as(other)), None)


def not_readable(rhythms: Rhythms, *, since_s: float) -> UnreadRhythm | None:
    """The rhythm that was charted since the trial began and cannot be read, where none was charted after it."""
    latest_s = max((one.at_s for one in rhythms.read), default=float("-inf"))
    open_ones = [one for one in rhythms.unread if one.at_s is None or one.at_s >= max(since_s, latest_s)]
    return open_ones[-1] if open_ones else None


def rhythm_is_current(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float, at_s: float) -> bool:
    """Whether a rhythm of the trial is recent enough to show that a criterion is not met.

    Args:
        rhythms: in order of time.
    """
    oldest_s = at_s - 60.0 * limits.oldest_reading_min.value
    return any(one.at_s >= max(since_s, oldest_s) for one in rhythms)
