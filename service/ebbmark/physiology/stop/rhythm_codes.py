"""Coded heart rhythms, and those at which a site stops. Codes only; words are never interpreted.

No list stands here: which rhythms end a trial is signed by a clinician of the site, with the codes that its monitors
or its staff chart.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.message import Value, message

__all__ = [
    "NO_RHYTHM",
    "Rhythm",
    "RhythmCode",
    "Rhythms",
    "RhythmsThatStop",
    "UnreadRhythm",
]


@dataclass(frozen=True, slots=True, order=True)
class RhythmCode:
    """One code of a rhythm.

    Attributes:
        system: code system.
        code: in it.
        display: in words; may be empty.
    """

    system: str
    code: str
    display: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What the code is told by."""
        return self.system, self.code


@dataclass(frozen=True, slots=True)
class Rhythm:
    """One rhythm as it was charted.

    Attributes:
        at_s: when [s since 1970-01-01T00:00:00Z].
        codes: all codes that it was given, at least one.
        source: index of the input.
    """

    at_s: float
    codes: tuple[RhythmCode, ...]
    source: int

    @property
    def words(self) -> Value:
        """For people; a bare code is said to be one."""
        named = " / ".join(dict.fromkeys(one.display for one in self.codes if one.display))
        return named or message("rhythm.coded", system=self.codes[0].system, code=self.codes[0].code)

    def same_as(self, other: Rhythm) -> bool:
        """Whether they share a code, and no code system tells them apart.

        Two that share none may mean the same, and nobody here knows that. Of two that share a wide code (abnormal, or
        the rhythm beneath an arrhythmia) the others of that system say whether they are one.
        """
        both = {one.system for one in self.codes} & {one.system for one in other.codes}
        mine, theirs = ({key for key in one.keys if key[0] in both} for one in (self, other))
        return bool(mine) and mine == theirs

    def among(self, codes: Collection[RhythmCode]) -> bool:
        """Whether one of its codes is among these."""
        return bool(self.keys & {one.key for one in codes})

    @property
    def keys(self) -> frozenset[tuple[str, str]]:
        """Its codes."""
        return frozenset(one.key for one in self.codes)


@dataclass(frozen=True, slots=True)
class UnreadRhythm:
    """A rhythm that was charted and cannot be used.

    Attributes:
        at_s: when; None where that is not known [s since 1970-01-01T00:00:00Z].
        why: as a clause.
    """

    at_s: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Rhythms:
    """Everything that was charted of the heart's rhythm; also for the identity of an answer.

    Attributes:
        read: in order of time.
        unread: what was charted and cannot be used.
    """

    read: tuple[Rhythm, ...] = ()
    unread: tuple[UnreadRhythm, ...] = ()


NO_RHYTHM: Final = Rhythms()
"""Nothing was charted."""


@dataclass(frozen=True, slots=True)
class RhythmsThatStop:
    """The rhythms at which a site stops where they are new.

    Attributes:
        codes: at least one, each with its words.
        source: who decided, or a citation.
    """

    codes: tuple[RhythmCode, ...]
    source: str

    def named(self, rhythm: Rhythm) -> Value:
        """A rhythm in the words that were signed for its code, and in the chart's own where they are others."""
        signed = next((one.display for one in self.codes if one.key in rhythm.keys and one.display), "")
        charted = rhythm.words
        if not signed or (isinstance(charted, str) and signed.casefold() == charted.casefold()):
            return charted
        return message("rhythm.charted-as", signed=signed, charted=charted)
