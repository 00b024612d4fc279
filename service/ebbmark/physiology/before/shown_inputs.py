"""How is a reading shown that an answer rests on: name, value, unit and age?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import fio2_words, span_words

__all__ = ["OLD_AFTER_S", "ShownInput", "age_words", "shown"]

OLD_AFTER_S: Final = 6 * 3600.0
"""A reading older than this is shown as old. This project's choice."""

_NAMES: Final = {
    Quantity.PAO2: "PaO2",
    Quantity.PACO2: "PaCO2",
    Quantity.PH: "pH",
    Quantity.SPO2: "SpO2",
    Quantity.PEEP_SET: "PEEP set",
    Quantity.PEEP_MEASURED: "PEEP measured",
}
_UNITS: Final = {"mm[Hg]": " mmHg", "cm[H2O]": " cmH2O", "1": "", "[pH]": ""}


@dataclass(frozen=True, slots=True)
class ShownInput:
    """One reading that an answer rests on.

    Attributes:
        reading: the reading itself, with its source index.
        age_s: before the time of the question; below zero where its clock ran ahead [s].
        old: more than six hours.
        sentence: value, unit and age in words.
    """

    reading: Reading
    age_s: float
    old: bool
    sentence: str


def shown(reading: Reading, at_s: float, *, how: str = "") -> ShownInput:
    """Show one reading.

    Args:
        reading: any.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        how: how it goes with another reading, as a phrase; empty for none.
    """
    age_s = at_s - reading.start_s
    with_it = f" {how}," if how else ","
    return ShownInput(reading, age_s, age_s > OLD_AFTER_S, f"{_words(reading)}{with_it} {age_words(age_s)}")


def age_words(age_s: float) -> str:
    """How old, in words; a clock that ran ahead is named."""
    if age_s < 0:
        return f"stamped {-age_s / 60:.0f} min after the time of the question: one of the clocks is off"
    return f"{span_words(age_s)} old"


def _words(reading: Reading) -> str:
    quantity = reading.quantity
    if quantity in (Quantity.FIO2_SET, Quantity.FIO2_MEASURED):
        return f"FiO2 {fio2_words(reading.value)}"
    unit = _UNITS.get(quantity.unit, f" {quantity.unit}")
    words = quantity.slug.replace("-", " ")
    return f"{_NAMES.get(quantity, words[0].upper() + words[1:])} {round(reading.value, 2):g}{unit}"
