"""How far was a number of a protocol traced? One way of writing down a cell for each answer.

Source: each cell's own.
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.before.staircase import Cell, Traced

__all__ = ["NO_RISE", "origin_words", "own", "read", "second_hand", "usual"]


def read(value: float, where: str) -> Cell:
    """A number that was read in the publication itself.

    Args:
        value: as printed.
        where: in which part of it.
    """
    return Cell(value, Traced.VERIFIED, where)


def second_hand(value: float, where: str) -> Cell:
    """A number that was read in what others write about the publication.

    Args:
        value: as printed there.
        where: in which text.
    """
    return Cell(value, Traced.SECOND_HAND, where)


def usual(value: float) -> Cell:
    """A number of common practice.

    Args:
        value: without a published source.
    """
    return Cell(value, Traced.COMMON_PRACTICE, "common practice, no published source")


def own(value: float, why: str) -> Cell:
    """A number that this project chose.

    Args:
        value: chosen.
        why: in plain words.
    """
    return Cell(value, Traced.OWN_CHOICE, f"this project's own choice: {why}")


NO_RISE: Final = own(0.0, "the protocol raises PEEP only")

_BEFORE: Final = {
    Traced.VERIFIED: "read in: ",
    Traced.SECOND_HAND: "read at second hand: ",
    Traced.SITE: "given by the site: ",
}


def origin_words(cell: Cell) -> str:
    """Where a number comes from, or why there is none, in plain words.

    Args:
        cell: of any protocol.

    Source: the cell's own.
    """
    return f"{_BEFORE.get(cell.traced, '')}{cell.source}"
