"""The two short layers of every answer: the line (what, how sure, what speaks against it), and the reasons.

The line has at most 25 words and the reasons at most 80; each fact stands once. Everything else stands in the full
answer. What does not fit moves down: from the line to the reasons, and from the reasons to the full answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from ebbmark.words.messages import say

__all__ = ["MOST_WORDS_OF_LINE", "MOST_WORDS_OF_REASONS", "NOTHING_IN_SHORT", "InShort", "shortened"]

MOST_WORDS_OF_LINE: Final = 25
MOST_WORDS_OF_REASONS: Final = 80


@dataclass(frozen=True, slots=True)
class InShort:
    """The two layers.

    Attributes:
        number: the PEEP in cmH2O that is suggested or comes next; empty where there is none.
        head: the answer in a few words, without its full stop.
        sure: what was found, and how sure it is.
        against: what speaks against it most; empty where nothing of weight does.
        reasons: one clause or sentence each.
    """

    number: str
    head: str
    sure: str
    against: str
    reasons: tuple[str, ...]

    @property
    def line(self) -> str:
        """The first layer in one line."""
        return " ".join(part for part in (f"{self.head}.", self.sure, self.against) if part)


NOTHING_IN_SHORT: Final = InShort("", "", "", "", ())


def shortened(
    head: str, sure: str = "", against: str = "", reasons: Iterable[str] = (), *, number: str = ""
) -> InShort:
    """The two layers within their limits.

    Args:
        head: the answer in a few words; kept whatever else has to move.
        sure: what was found.
        against: what speaks against it.
        reasons: the most important first; empty ones are left out.
        number: the PEEP that the head names, if any.
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
    return InShort(number, head, sure, against, _fitting(kept))


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
