"""Units and rounding of the numbers that leave: the only place where results are rounded.

Rounding is half to even on the binary value, as Python formats numbers. The digits are finer than what bedside
charting resolves, so that rounding never decides anything: every decision was made on the unrounded number. Trailing
zeros are kept, since FHIR reads the digits of a decimal as its precision.
"""

from __future__ import annotations

from math import isfinite

import msgspec

__all__ = [
    "ACIDITY",
    "BLOOD_PRESSURE",
    "COMPLIANCE",
    "DOSE_RATE",
    "FRACTION",
    "PERCENT",
    "PER_MINUTE",
    "POWER",
    "PRESSURE",
    "PROBABILITY",
    "RATIO",
    "UNITS",
    "VOLUME",
    "VOLUME_PER_WEIGHT",
    "WEIGHT",
    "Unit",
    "in_words",
    "quantity",
]

_UCUM = "http://unitsofmeasure.org"


class Unit:
    """How one kind of result is spelled; compared by identity.

    Attributes:
        text: for people.
        code: UCUM.
        decimals: digits after the point.
        template: FHIR Quantity as JSON with one place for the number; always with system and code (qty-3).
    """

    __slots__ = ("code", "decimals", "template", "text")

    def __init__(self, text: str, code: str, decimals: int) -> None:
        self.text = text
        self.code = code
        self.decimals = decimals
        self.template = b'{"value":%%.%df,"unit":"%b","system":"%b","code":"%b"}' % (
            decimals,
            text.encode().replace(b"%", b"%%"),
            _UCUM.encode(),
            code.encode().replace(b"%", b"%%"),
        )


PRESSURE = Unit("cmH2O", "cm[H2O]", 1)
VOLUME = Unit("mL", "mL", 0)
VOLUME_PER_WEIGHT = Unit("mL/kg", "mL/kg", 1)
COMPLIANCE = Unit("mL/cmH2O", "mL/cm[H2O]", 1)
WEIGHT = Unit("kg", "kg", 1)
POWER = Unit("J/min", "J/min", 1)
PROBABILITY = Unit("1", "1", 3)
FRACTION = Unit("1", "1", 3)
BLOOD_PRESSURE = Unit("mmHg", "mm[Hg]", 0)
PERCENT = Unit("%", "%", 0)
RATIO = Unit("1", "1", 2)
PER_MINUTE = Unit("/min", "/min", 0)
ACIDITY = Unit("pH", "[pH]", 2)
DOSE_RATE = Unit("mcg/kg/min", "ug/kg/min", 2)
SECONDS = Unit("s", "s", 0)

UNITS: tuple[Unit, ...] = (
    PRESSURE,
    VOLUME,
    VOLUME_PER_WEIGHT,
    COMPLIANCE,
    WEIGHT,
    POWER,
    PROBABILITY,
    FRACTION,
    BLOOD_PRESSURE,
    PERCENT,
    RATIO,
    PER_MINUTE,
    ACIDITY,
    DOSE_RATE,
    SECONDS,
)
"""Every unit that leaves."""


def quantity(value: float, unit: Unit) -> msgspec.Raw | None:
    """FHIR Quantity; None where the number is not finite, which FHIR cannot carry."""
    if not isfinite(value):
        return None
    if value < 0:
        value = round(value, unit.decimals) + 0.0  # adding zero turns a rounded -0.0 into 0.0
    return msgspec.Raw(unit.template % value)


def in_words(value: float, unit: Unit) -> str:
    """The same rounding for a sentence, without trailing zeros, with its unit unless that is 1."""
    number = f"{round(value, unit.decimals) + 0.0:g}"
    return number if unit.code == "1" else f"{number} {unit.text}"
