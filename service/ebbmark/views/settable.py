"""Which text can be set in the report's typeface? What cannot is named by its code point; no word leaves the page.

References, codes and reasons repeat what a request holds, which may be anything.
"""

from __future__ import annotations

import re
import unicodedata

__all__ = ["MOST_CHARACTERS", "settable"]

_COVERED = (
    (0x20, 0x7E),
    (0xA0, 0x24F),
    (0x370, 0x3FF),
    (0x400, 0x45F),
    (0x2010, 0x2027),
    (0x2030, 0x203E),
    (0x2070, 0x209F),
    (0x20A0, 0x20BF),
    (0x2190, 0x22FF),
)
"""First and last code point of what the typeface has in full: Latin, Greek, Cyrillic, punctuation, signs."""

_VISIBLE = frozenset("LNPSZ")
"""Kinds of characters that are seen and stand alone: neither controls nor marks set over others."""

MOST_CHARACTERS = 1500
"""Of one text; the longest sentence of our own is far shorter."""

LONGEST_WORD = 80
_PIECE = 40
_BREAK = "\u200b"
"""A place at which a line may be broken, without width."""


def settable(text: str) -> str:
    """The text on one line, every character of it one that the typeface has.

    Args:
        text: anything.
    """
    composed = " ".join(unicodedata.normalize("NFC", text).split())
    kept = composed[:MOST_CHARACTERS]
    shown = "".join(character if _is_covered(character) else f"[U+{ord(character):04X}]" for character in kept)
    shown = re.sub(rf"\S{{{LONGEST_WORD},}}", _broken, shown)
    left_out = len(composed) - len(kept)
    return f"{shown} … and {left_out} more characters" if left_out else shown


def _is_covered(character: str) -> bool:
    if unicodedata.category(character)[0] not in _VISIBLE:
        return False
    return any(first <= ord(character) <= last for first, last in _COVERED)


def _broken(word: re.Match[str]) -> str:
    return _BREAK.join(word[0][start : start + _PIECE] for start in range(0, len(word[0]), _PIECE))
