"""Unit conversion: the spellings of units that are read, how much one of each is, and what is refused.

What is not in the tables is not guessed. UCUM: https://ucum.org/ucum (version 2.2); sizes of cm[H2O] (98.0665 Pa) and
mm[Hg] (133.322 Pa) as in its `ucum-essence.xml`. Wrong spellings: common practice in the field, no published list.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from typing import Final

from ebbmark.data import table
from ebbmark.fhir.naming import MDC


@dataclass(frozen=True, slots=True)
class Size:
    """How much one of a unit is, exactly.

    Attributes:
        si: in the coherent unit of the SI.
        dimension: exponents of metre, kilogram, second and mole.
    """

    si: Fraction
    dimension: tuple[int, int, int, int]


_TABLE: Final = table("units")
_BASE: Final = ("m", "kg", "s", "mol")


@cache
def _size_of(unit: str) -> Size:
    """Size of a UCUM unit, whose products and quotients are read from left to right (UCUM 2.2, section 7)."""
    si, dimension = Fraction(1), (0, 0, 0, 0)
    for operator, atom in re.findall(r"([./]?)([^./]+)", re.sub(r"\((\w+)/(\w+)\)", r"\1.\2", unit)):
        one, power = _size_of_atom(atom), -1 if operator == "/" else 1
        si *= one.si**power
        metre, kilogram, second, mole = (a + power * b for a, b in zip(dimension, one.dimension, strict=True))
        dimension = (metre, kilogram, second, mole)
    return Size(si, dimension)


def _size_of_atom(atom: str) -> Size:
    if atom == "1" or atom in _BASE:
        metre, kilogram, second, mole = (int(one == atom) for one in _BASE)
        return Size(Fraction(1), (metre, kilogram, second, mole))
    number, of = _TABLE["atoms"][atom]
    one = _size_of(of)
    return Size(Fraction(number) * one.si, one.dimension)


UNITS: Final = {unit: _size_of(unit) for units in _TABLE["read"].values() for unit in units}
"""UCUM spelling to size; annotations in braces are taken off before looking here."""

SPELLINGS: Final[Mapping[str, str]] = _TABLE["spellings"]
"""Wrong spellings in the field whose meaning is beyond doubt."""

REFUSED: Final[Mapping[str, str]] = _TABLE["refused"]
"""Spellings that mean something else than was probably meant: refused rather than guessed."""

MDC_UNITS: Final[Mapping[str, str]] = _TABLE["mdc"]
"""Unit codes of ISO/IEEE 11073-10101 that device gateways send instead of UCUM."""

ACCEPTED: Final[Mapping[str, str]] = _TABLE["accepted"]
"""For messages: the units that people would send for each of our units."""

UCUM = "http://unitsofmeasure.org"

_UCUM_SYSTEMS = frozenset(
    {
        *("", UCUM, "https://unitsofmeasure.org", "http://unitsofmeasure.org/", "https://unitsofmeasure.org/"),
        "urn:oid:2.16.840.1.113883.6.8",
    }
)
_MDC_SYSTEMS = frozenset({MDC, "urn:oid:2.16.840.1.113883.6.24"})
"""Spellings of the two systems in the field; OIDs as in HL7 Terminology (THO)."""

_ANNOTATION = re.compile(r"\{[^{}]*\}")
_ACIDITY = frozenset({"[pH]", "1"})


class UnitFault(Enum):
    """What can be wrong with a unit."""

    MISSING = "unit-missing"
    UNKNOWN = "unit-unknown"
    WRONG_DIMENSION = "wrong-dimension"


@dataclass(frozen=True, slots=True)
class UnitProblem:
    """A unit that cannot be used.

    Attributes:
        fault: which way it is wrong.
        found: the unit as sent.
    """

    fault: UnitFault
    found: str
    accepted: str
    sentence: str


_KNOWN = frozenset(one.casefold() for one in (*UNITS, *SPELLINGS, *REFUSED, *MDC_UNITS))
"""Spellings that may be repeated, in whatever case: any other may be a name."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """`value * multiply / divide` is the value in our unit; `note` says how an odd spelling was read, or is empty."""

    multiply: float
    divide: float
    note: str


def to_canonical(value: float, code: str, display: str, system: str, unit: str) -> float | UnitProblem:
    """Convert one value.

    Args:
        display: Quantity.unit, or empty; looked at only where there is no code.
        unit: our unit, as in `Quantity.unit` of the physiology, or `cm`.
    """
    found = conversion(code, display, system, unit)
    return found if isinstance(found, UnitProblem) else value * found.multiply / found.divide


def contradicts(unit: str, code: str) -> bool:
    """Whether a unit as it is shown is known and another than the one that is coded."""
    shown, coded = (UNITS.get(SPELLINGS.get(one, one)) for one in (unit, code))
    return shown is not None and coded is not None and shown != coded


def unit_shown(sent: str) -> str:
    """The unit where it may be repeated, else of what kind it is."""
    return sent if sent.casefold() in _KNOWN else "another unit" if sent else "no unit"


def conversion(code: str, display: str, system: str, unit: str) -> Conversion | UnitProblem:
    """What to multiply with, or why the unit cannot be used. The unit decides, never the size of the value."""
    accepted = ACCEPTED[unit]
    sent = code or display
    if not sent:
        if unit == "[pH]":
            return Conversion(1.0, 1.0, "")
        return UnitProblem(UnitFault.MISSING, "no unit", accepted, f"The value has no unit; accepted: {accepted}.")
    ucum, note = _reading_of(sent, code, system)
    if not ucum:
        return UnitProblem(UnitFault.UNKNOWN, unit_shown(sent), accepted, f"{note} Accepted: {accepted}.")
    factor = _factor(ucum, unit)
    if factor is None:
        wrong = f"The unit {ucum} cannot be converted to {unit}; accepted: {accepted}."
        return UnitProblem(UnitFault.WRONG_DIMENSION, ucum, accepted, wrong)
    return Conversion(*factor, note)


def _reading_of(sent: str, code: str, system: str) -> tuple[str, str]:
    """The UCUM unit that is meant and a remark; or no unit and the reason."""
    if code and system in _MDC_SYSTEMS:
        ucum = MDC_UNITS.get(code, "")
        return ucum, "" if ucum else "The MDC unit code is not in the table."
    if code and system not in _UCUM_SYSTEMS:
        return "", "Units of another system than UCUM and MDC are not read."
    bare = sent if sent in UNITS else _ANNOTATION.sub("", sent).strip() or "1"
    if bare in REFUSED:
        return "", REFUSED[bare]
    ucum = bare if bare in UNITS or bare == "[pH]" else SPELLINGS.get(bare, "")
    if not ucum:
        named = f" {bare}" if bare.casefold() in _KNOWN else ""
        return "", f"The unit{named} is not in the table of units."
    if ucum != bare:
        return ucum, f"The unit {bare} is not UCUM; it was read as {ucum}."
    if not code:
        return ucum, f"The unit {bare} came without a code; it was read as UCUM."
    return ucum, "" if system else f"The unit {bare} came without a system; it was read as UCUM."


@cache
def _factor(ucum: str, unit: str) -> tuple[float, float] | None:
    """Multiplier and divisor from one unit of the tables to another; None where dimensions differ."""
    if ucum == unit:
        return 1.0, 1.0
    if "[pH]" in {ucum, unit}:
        return (1.0, 1.0) if {ucum, unit} <= _ACIDITY else None
    size, ours = UNITS[ucum], UNITS[unit]
    if size.dimension != ours.dimension:
        return None
    ratio = size.si / ours.si
    # A whole number is taken as such, and a fraction of one as a division: so 57 % stays 0.57.
    return (1.0, float(ratio.denominator)) if ratio.numerator == 1 else (float(ratio), 1.0)
