"""Did the heart's rhythm change since the trial began, and does a signed limit stop the trial for it?

Only a change counts: a rhythm that was there before is none that the trial brought. A new rhythm that the site signed
as one that stops is a stop criterion. Any other new rhythm is told first and to be judged at the patient, and so is one
that was charted in a way that cannot be read. Source: arrhythmia ends the trials of common practice, with no published
list that was read; that any change asks for a look is this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.during.ages import age, clock
from ebbmark.physiology.during.doubts import AFTER_S
from ebbmark.physiology.during.rhythm_codes import Rhythm, Rhythms
from ebbmark.physiology.during.stop_answer import Held, Met, NotChecked, Why
from ebbmark.physiology.during.stop_criteria import StopCriterion
from ebbmark.physiology.during.stop_limits import StopLimits

__all__ = [
    "CHANGED",
    "NOT_READABLE",
    "RhythmChange",
    "check_rhythm",
    "not_readable",
    "rhythm_changes",
    "rhythm_is_current",
    "signed_and_long_known",
]

CHANGED: Final = "rhythm-changed-to-"
"""What the word begins with by which a change is acknowledged; its code follows."""

NOT_READABLE: Final = "rhythm-not-readable"
"""The word by which it is acknowledged that a charted rhythm could not be read here."""


@dataclass(frozen=True, slots=True)
class RhythmChange:
    """One rhythm of the trial that was not there before it.

    Attributes:
        before: the rhythm before; None where none was charted before.
        new: when it was first charted.
        last: the latest rhythm charted.
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

    @property
    def words(self) -> str:
        """From what to what, as a clause."""
        if self.known_s:
            hours = f"{self.known_s / 3600:.0f} h"
            return f"the heart rhythm is {self.new.words}, which had last been charted {hours} before the trial"
        before = f" from {self.before.words}" if self.before is not None else ""
        return f"the heart rhythm changed{before} to {self.new.words}"

    def sentence(self, limits: StopLimits, at_s: float) -> str:
        """What changed, and who judges it.

        Args:
            limits: in force.
            at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        """
        when = f"at {clock(self.new.at_s)} ({age(at_s - self.new.at_s)})"
        if self.known_s:
            words = f"{self.words[0].upper()}{self.words[1:]}"
            return (
                f"{words}. It is among those signed to stop at where they are new, and what was charted that long ago "
                "does not show that it is not; judge it at the patient."
            )
        gone = ""
        if not self.last.same_as(self.new):
            gone = f"; the latest, at {clock(self.last.at_s)}, is {self.last.words}"
        signed = "no limit is signed for it" if limits.rhythms_that_stop is None else "it is not on the signed list"
        words = f"{self.words[0].upper()}{self.words[1:]}"
        return f"{words} {when}{gone}; {signed}, so judge it at the patient."


def rhythm_changes(rhythms: Sequence[Rhythm], *, since_s: float) -> tuple[RhythmChange, ...]:
    """Rhythms since the start of the trial that differ from the one before it, each once, in order of time.

    Where none was charted before, the first one of the trial is what the others are held against.

    Args:
        rhythms: in order of time.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
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
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].

    Source: this project's choice.
    """
    stopping, usual = limits.rhythms_that_stop, _just_before(rhythms, since_s)
    if stopping is None or not usual or since_s - usual[-1].at_s <= AFTER_S:
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


def not_readable(rhythms: Rhythms, *, since_s: float, at_s: float) -> str:
    """Say that a rhythm was charted since the trial began that cannot be read, and none after it; empty where not.

    Args:
        rhythms: what was charted.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    latest_s = max((one.at_s for one in rhythms.read), default=float("-inf"))
    open_ones = [one for one in rhythms.unread if one.at_s is None or one.at_s >= max(since_s, latest_s)]
    if not open_ones:
        return ""
    last = open_ones[-1]
    when = "" if last.at_s is None else f" at {clock(last.at_s)} ({age(at_s - last.at_s)})"
    return f"A heart rhythm was charted{when} that cannot be read here: {last.why}. Look at the rhythm itself."


def rhythm_is_current(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float, at_s: float) -> bool:
    """Whether a rhythm of the trial is recent enough to show that a criterion is not met.

    Args:
        rhythms: in order of time.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    oldest_s = at_s - 60.0 * limits.oldest_reading_min.value
    return any(one.at_s >= max(since_s, oldest_s) for one in rhythms)


def check_rhythm(
    rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float, at_s: float
) -> Met | Held | NotChecked:
    """Hold the rhythms of the trial against the signed list.

    Args:
        rhythms: in order of time.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: the list's own.
    """
    stopping, criterion = limits.rhythms_that_stop, StopCriterion.RHYTHM
    during = [one for one in rhythms if one.at_s >= since_s]
    last = during[-1] if during else None
    shown = "" if last is None else f"; the latest heart rhythm is {last.words} ({age(at_s - last.at_s)})"
    if stopping is None:
        return NotChecked(criterion, Why.NO_LIMIT, f"No list of heart rhythms has been signed: not checked{shown}.")
    if last is None:
        return NotChecked(criterion, Why.NOT_SENT, "No coded heart rhythm was sent since the trial began: not checked.")
    usual = _just_before(rhythms, since_s)
    new = [one for one in during if one.among(stopping.codes) and (not usual or _differing(one, usual) is not None)]
    if new:
        before = _differing(new[0], usual)
        was = (
            f"after {before.words} before the trial"
            if before is not None
            else ("and none was charted before the trial, so that it counts as new")
        )
        still = last.among(stopping.codes)
        since = "" if len(during) == 1 or last is new[0] else f" The latest is {last.words} ({age(at_s - last.at_s)})."
        return Met(
            criterion=criterion,
            readings=len(new),
            value=None,
            limit=None,
            source=new[0].source,
            first_s=new[0].at_s,
            last_s=new[-1].at_s,
            still=still,
            sentence=(
                f"Stop criterion met: new heart rhythm {stopping.named(new[0])} at {clock(new[0].at_s)} "
                f"({age(at_s - new[0].at_s)}), {was}; it is among the rhythms signed to stop at ({stopping.source})."
                f"{since}"
            ),
        )
    if not rhythm_is_current(during, limits, since_s=since_s, at_s=at_s):
        oldest = limits.oldest_reading_min
        return NotChecked(
            criterion,
            Why.OLD,
            f"New heart rhythm: not checked, since the last one ({last.words}) is {age(at_s - last.at_s)}; one older "
            f"than {oldest.value:g} min does not show that it is not met ({oldest.source}).",
        )
    return Held(criterion, last.source, at_s - last.at_s, f"heart rhythm {last.words}, {age(at_s - last.at_s)}")
