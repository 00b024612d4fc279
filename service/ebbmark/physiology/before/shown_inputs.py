"""How is a reading shown that an answer rests on: name, value, unit and age?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.message import Message, Value, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import span

__all__ = ["OLD_AFTER_S", "ShownInput", "shown"]

OLD_AFTER_S: Final = 6 * 3600.0
"""A reading older than this is shown as old. This project's choice."""

_FIO2: Final = (Quantity.FIO2_SET, Quantity.FIO2_MEASURED)


@dataclass(frozen=True, slots=True)
class ShownInput:
    """One reading that an answer rests on.

    Attributes:
        reading: the reading itself, with its source index.
        age_s: before the time of the question; below zero where its clock ran ahead [s].
        old: more than six hours.
        sentence: value, unit and age.
    """

    reading: Reading
    age_s: float
    old: bool
    sentence: Value


def shown(reading: Reading, at_s: float, *, how: Value = "") -> ShownInput:
    """Show one reading.

    Args:
        reading: any.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        how: how it goes with another reading, as a phrase; empty for none.
    """
    age_s = at_s - reading.start_s
    value = 100 * reading.value if reading.quantity in _FIO2 else reading.value
    what = message(f"shown-reading.{reading.quantity.slug}", value=round(value, 1 if reading.quantity in _FIO2 else 2))
    sentence = (
        message("shown-reading.with", reading=what, how=how, age=_age(age_s))
        if how
        else message("shown-reading.alone", reading=what, age=_age(age_s))
    )
    return ShownInput(reading, age_s, age_s > OLD_AFTER_S, sentence)


def _age(age_s: float) -> Message:
    """How old; a clock that ran ahead is named."""
    if age_s < 0:
        return message("shown-reading.ahead", minutes=round(-age_s / 60))
    return message("shown-reading.old", age=span(age_s))
