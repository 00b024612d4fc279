"""In which unit does each number leave, and how is it rounded? The only place where results are rounded.

Python's `round` (half to even, on the binary value). The steps are finer than what bedside charting resolves, so that
rounding never decides anything; every decision was made on the unrounded number.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import msgspec

__all__ = [
    "COMPLIANCE",
    "FRACTION",
    "POWER",
    "PRESSURE",
    "PROBABILITY",
    "UNITS",
    "VOLUME",
    "VOLUME_PER_WEIGHT",
    "WEIGHT",
    "FhirQuantity",
    "Unit",
    "in_words",
    "quantity",
]

_UCUM = "http://unitsofmeasure.org"


@dataclass(frozen=True, slots=True)
class Unit:
    """How one kind of result is spelled.

    Attributes:
        text: for people.
        code: UCUM.
        decimals: kept when rounding; with none the number is written as an integer.
    """

    text: str
    code: str
    decimals: int


PRESSURE = Unit("cmH2O", "cm[H2O]", 1)
VOLUME = Unit("mL", "mL", 0)
VOLUME_PER_WEIGHT = Unit("mL/kg", "mL/kg", 1)
COMPLIANCE = Unit("mL/cmH2O", "mL/cm[H2O]", 1)
WEIGHT = Unit("kg", "kg", 1)
POWER = Unit("J/min", "J/min", 1)
PROBABILITY = Unit("1", "1", 3)
FRACTION = Unit("1", "1", 3)

UNITS: tuple[Unit, ...] = (
    PRESSURE,
    VOLUME,
    VOLUME_PER_WEIGHT,
    COMPLIANCE,
    WEIGHT,
    POWER,
    PROBABILITY,
    FRACTION,
)
"""Every unit that leaves."""


class FhirQuantity(msgspec.Struct, gc=False):
    """FHIR Quantity: always with system and code (qty-3)."""

    value: float | int
    unit: str
    code: str
    system: str = _UCUM


def quantity(value: float, unit: Unit) -> FhirQuantity | None:
    """Round and name the unit; None where the number is not finite, which FHIR cannot carry."""
    if not isfinite(value):
        return None
    # Adding zero turns a rounded -0.0 into 0.0.
    rounded = round(value, unit.decimals) + 0.0 if unit.decimals else round(value)
    return FhirQuantity(rounded, unit.text, unit.code)


def in_words(value: float, unit: Unit) -> str:
    """The same rounding for a sentence, without trailing zeros, with its unit unless that is 1."""
    number = f"{round(value, unit.decimals) + 0.0:g}"
    return number if unit.code == "1" else f"{number} {unit.text}"
