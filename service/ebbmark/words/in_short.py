"""The two short layers of every answer: the line (what, how sure, what speaks against it), and the reasons.

The line has at most 25 words and the reasons at most 80; each fact stands once. Everything else stands in the full
answer. What does not fit moves down: from the line to the reasons, and from the reasons to the full answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from ebbmark.words.messages import say

MOST_WORDS_OF_LINE: Final = 25
MOST_WORDS_OF_REASONS: Final = 80
_LONGEST_QUOTED: Final = 60
"""Characters of a record's own words in a short layer; this project's choice."""


@dataclass(frozen=True, slots=True)
class InShort:
    """The two layers.

    Attributes:
        number: the PEEP in cmH2O that is suggested or comes next; empty where there is none.
        head: the answer in a few words, without its full stop.
        sure: what was found, and how sure it is.
        against: what speaks against it most; empty where nothing of weight does.
        reasons: one clause or sentence each.
        too_old: whether the number is of an old trial, so that it may not stand without its head.
    """

    number: str
    head: str
    sure: str
    against: str
    reasons: tuple[str, ...]
    too_old: bool = False

    @property
    def line(self) -> str:
        """The first layer in one line."""
        return " ".join(part for part in (f"{self.head}.", self.sure, self.against) if part)


def shortened(
    head: str,
    sure: str = "",
    against: str = "",
    reasons: Iterable[str] = (),
    *,
    number: str = "",
    too_old: bool = False,
) -> InShort:
    """The two layers within their limits.

    Args:
        head: the answer in a few words; kept whatever else has to move.
        reasons: the most important first; empty ones are left out.
        number: the PEEP that the head names, if any.
        too_old: whether that is of an old trial.
    """
    moved = []
    if _words(head, sure, against) > MOST_WORDS_OF_LINE:
        # What speaks against an answer stays in the line rather than what it rests on.
        if against and _words(head, against) <= MOST_WORDS_OF_LINE:
            moved, sure = [sure], ""
        else:
            moved, against = [against], ""
            if _words(head, sure) > MOST_WORDS_OF_LINE:
                moved, sure = [sure, *moved], ""
    kept = [one for one in dict.fromkeys((*moved, *reasons)) if one]
    return InShort(number, head, sure, against, _fitting(kept), too_old)


def cut(quoted: str) -> str:
    """A record's own words, cut where they would fill the line."""
    return quoted if len(quoted) <= _LONGEST_QUOTED else f"{quoted[: _LONGEST_QUOTED - 1].rstrip()}…"


def _fitting(reasons: list[str]) -> tuple[str, ...]:
    """As many as there is room for, the most important first; that there is more is said."""
    if _words(*reasons) <= MOST_WORDS_OF_REASONS:
        return tuple(reasons)
    more = say("short.more")
    room = MOST_WORDS_OF_REASONS - _words(more)
    kept: list[str] = []
    for one in reasons:
        if _words(one) <= room:
            kept.append(one)
            room -= _words(one)
    return (*kept, more)


def _words(*texts: str) -> int:
    return sum(len(text.split()) for text in texts)
