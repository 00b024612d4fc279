"""What would recording do to what stands in the record already? Said beforehand, and never guessed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbmark.record.foreseen import Foreseen
from ebbmark.record.reading import ReadFailure

__all__ = ["EarlierView", "earlier_view"]

_NOTHING: Final = "The record holds no other answer for this trial, so nothing in it would be changed."
_DEMO: Final = "This is a demo without a record: there is nothing that could be changed."


@dataclass(frozen=True, slots=True)
class EarlierView:
    """What would become of earlier results.

    Attributes:
        sentence: for a person.
        marked: references of those that would be marked superseded.
    """

    sentence: str
    marked: tuple[str, ...] = ()


def earlier_view(seen: Foreseen | ReadFailure | None) -> EarlierView:
    """Put what was foreseen in words.

    Args:
        seen: what recording would do; why that is not known; None where there is no record.
    """
    if seen is None:
        return EarlierView(_DEMO)
    if isinstance(seen, ReadFailure):
        return EarlierView(
            f"Not known: {seen.sentence}. Recording looks again first, and writes nothing where it cannot look."
        )
    if not seen.written:
        return EarlierView(f"{seen.sentence} Recording would be refused.")
    changed = "" if seen.marked else " Nothing in the record would be changed."
    return EarlierView(f"{seen.sentence}{changed}" if seen.sentence else _NOTHING, seen.marked)
