"""Spellings of units that are read, and how much one of each is: tables only; `units` converts.

UCUM: https://ucum.org/ucum (version 2.2); sizes of cm[H2O] (98.0665 Pa) and mm[Hg] (133.322 Pa) as in its
`ucum-essence.xml`. Wrong spellings: common practice in the field, no published list.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

__all__ = ["ACCEPTED", "MDC_UNITS", "REFUSED", "SPELLINGS", "UNITS", "Size"]


@dataclass(frozen=True, slots=True)
class Size:
    """How much one of a unit is, exactly.

    Attributes:
        si: in the coherent unit of the SI.
        dimension: exponents of metre, kilogram, second and mole.
    """

    si: Fraction
    dimension: tuple[int, int, int, int]

    def times(self, number: int | str) -> Size:
        """So many of it; a fraction or a decimal number is written as text."""
        return Size(self.si * Fraction(number), self.dimension)

    def __mul__(self, other: Size) -> Size:
        return Size(self.si * other.si, _sum(self.dimension, other.dimension, 1))

    def __truediv__(self, other: Size) -> Size:
        return Size(self.si / other.si, _sum(self.dimension, other.dimension, -1))


def _sum(one: tuple[int, int, int, int], other: tuple[int, int, int, int], sign: int) -> tuple[int, int, int, int]:
    metre, kilogram, second, mole = (a + sign * b for a, b in zip(one, other, strict=True))
    return metre, kilogram, second, mole


_ONE = Size(Fraction(1), (0, 0, 0, 0))
_M, _KG = Size(Fraction(1), (1, 0, 0, 0)), Size(Fraction(1), (0, 1, 0, 0))
_S, _MOL = Size(Fraction(1), (0, 0, 1, 0)), Size(Fraction(1), (0, 0, 0, 1))
_DM, _CM, _MM = _M.times("1/10"), _M.times("1/100"), _M.times("1/1000")
_L = _DM * _DM * _DM
_DL, _ML = _L.times("1/10"), _L.times("1/1000")
_MIN, _H, _MS = _S.times(60), _S.times(3600), _S.times("1/1000")
_G, _MMOL = _KG.times("1/1000"), _MOL.times("1/1000")
_PA = _KG / _M / _S / _S
_MBAR, _KPA, _BAR = _PA.times(100), _PA.times(1000), _PA.times(100_000)
_CM_H2O, _MM_HG = _PA.times("98.0665"), _PA.times("133.322")

UNITS: dict[str, Size] = {
    # pressure
    "cm[H2O]": _CM_H2O,
    "m[H2O]": _CM_H2O.times(100),
    "mm[H2O]": _CM_H2O.times("1/10"),
    "mbar": _MBAR,
    "bar": _BAR,
    "Pa": _PA,
    "hPa": _MBAR,
    "kPa": _KPA,
    "mm[Hg]": _MM_HG,
    # volume
    "mL": _ML,
    "ml": _ML,
    "L": _L,
    "l": _L,
    "dL": _DL,
    "dl": _DL,
    "cm3": _ML,
    "m3": _M * _M * _M,
    # compliance
    "mL/cm[H2O]": _ML / _CM_H2O,
    "ml/cm[H2O]": _ML / _CM_H2O,
    "L/cm[H2O]": _L / _CM_H2O,
    "l/cm[H2O]": _L / _CM_H2O,
    "mL/mbar": _ML / _MBAR,
    "ml/mbar": _ML / _MBAR,
    "L/mbar": _L / _MBAR,
    "mL/hPa": _ML / _MBAR,
    "ml/hPa": _ML / _MBAR,
    "L/hPa": _L / _MBAR,
    "L/kPa": _L / _KPA,
    "l/kPa": _L / _KPA,
    "mL/kPa": _ML / _KPA,
    "L/bar": _L / _BAR,
    "mL/mm[Hg]": _ML / _MM_HG,
    # resistance
    "cm[H2O].s/L": _CM_H2O * _S / _L,
    "cm[H2O].s/l": _CM_H2O * _S / _L,
    "cm[H2O]/(L/s)": _CM_H2O * _S / _L,
    "cm[H2O]/(l/s)": _CM_H2O * _S / _L,
    "cm[H2O]/L.s": _CM_H2O * _S / _L,
    "mbar.s/L": _MBAR * _S / _L,
    "mbar.s/l": _MBAR * _S / _L,
    "mbar/(L/s)": _MBAR * _S / _L,
    "hPa.s/L": _MBAR * _S / _L,
    "kPa.s/L": _KPA * _S / _L,
    # rate
    "/min": _ONE / _MIN,
    "1/min": _ONE / _MIN,
    "min-1": _ONE / _MIN,
    "/s": _ONE / _S,
    "1/s": _ONE / _S,
    "Hz": _ONE / _S,
    "/h": _ONE / _H,
    # time
    "s": _S,
    "ms": _MS,
    "min": _MIN,
    # flow
    "L/min": _L / _MIN,
    "l/min": _L / _MIN,
    "mL/min": _ML / _MIN,
    "ml/min": _ML / _MIN,
    "L/s": _L / _S,
    "mL/s": _ML / _S,
    # fraction
    "%": _ONE.times("1/100"),
    "1": _ONE,
    # length
    "cm": _CM,
    "m": _M,
    "mm": _MM,
    "dm": _DM,
    "[in_i]": _M.times("0.0254"),
    "[ft_i]": _M.times("0.3048"),
    "[in_us]": _M.times("100/3937"),
    # mass
    "kg": _KG,
    "g": _G,
    "[lb_av]": _KG.times("0.45359237"),
    # known, so that a wrong dimension can be named
    "mmol/L": _MMOL / _L,
    "mmol/l": _MMOL / _L,
    "mL/kg": _ML / _KG,
    "cm[H2O]/L": _CM_H2O / _L,
    "cm[H2O]/mL": _CM_H2O / _ML,
    "mbar/L": _MBAR / _L,
    "cm[H2O]/L/s": _CM_H2O / _L / _S,
}
"""UCUM spelling to size; annotations in braces are taken off before looking here."""

SPELLINGS: dict[str, str] = {
    "cmH2O": "cm[H2O]",
    "cm H2O": "cm[H2O]",
    "cmh2o": "cm[H2O]",
    "cmH20": "cm[H2O]",
    "cm[H20]": "cm[H2O]",
    "cm H20": "cm[H2O]",
    "cm(H2O)": "cm[H2O]",
    "mBar": "mbar",
    "KPa": "kPa",
    "kpa": "kPa",
    "HPa": "hPa",
    "hpa": "hPa",
    "mmHg": "mm[Hg]",
    "mm Hg": "mm[Hg]",
    "mmhg": "mm[Hg]",
    "Torr": "mm[Hg]",
    "torr": "mm[Hg]",
    "cc": "mL",
    "ccm": "mL",
    "cm^3": "cm3",
    "cm³": "cm3",
    "ml/cmH2O": "mL/cm[H2O]",
    "mL/cmH2O": "mL/cm[H2O]",
    "ml/cm H2O": "mL/cm[H2O]",
    "mL/cm H2O": "mL/cm[H2O]",
    "mL/cmH20": "mL/cm[H2O]",
    "L/cmH2O": "L/cm[H2O]",
    "l/cmH2O": "L/cm[H2O]",
    "ml/mBar": "mL/mbar",
    "mL/mBar": "mL/mbar",
    "cmH2O.s/L": "cm[H2O].s/L",
    "cmH2O*s/L": "cm[H2O].s/L",
    "cmH2O/(L/s)": "cm[H2O]/(L/s)",
    "cmH2O·s/L": "cm[H2O].s/L",
    "bpm": "/min",
    "breaths/min": "/min",
    "beats/min": "/min",
    "rpm": "/min",
    "per minute": "/min",
    "sec": "s",
    "lpm": "L/min",
    "LPM": "L/min",
    "percent": "%",
    "in": "[in_i]",
    "inch": "[in_i]",
    "inches": "[in_i]",
    "feet": "[ft_i]",
    "pH": "[pH]",  # a picohenry in UCUM, which can be no pH
}
"""Wrong spellings in the field whose meaning is beyond doubt. Torr differs from mm[Hg] by 3 in a million."""

REFUSED: dict[str, str] = {
    "ML": "In UCUM 'ML' is the megalitre; write 'mL'.",
    "Ml": "In UCUM 'M' means mega; write 'mL'.",
    "MBAR": "In UCUM 'M' means mega; write 'mbar'.",
    "Mbar": "In UCUM 'M' means mega; write 'mbar'.",
    "cmH2O/L/s": "This means per litre per second; resistance is 'cm[H2O].s/L'.",
    "ft": "In UCUM 'ft' is a femtotonne; write '[ft_i]'.",
    '"': "An inch mark is not a unit; write '[in_i]'.",
    "'": "A foot mark is not a unit; write '[ft_i]'.",
}
"""Spellings that mean something else than was probably meant: refused rather than guessed."""

MDC_UNITS: dict[str, str] = {
    "266048": "cm[H2O]",  # MDC_DIM_CM_H2O
    "266016": "mm[Hg]",  # MDC_DIM_MMHG
    "262688": "%",  # MDC_DIM_PERCENT
    "263762": "mL",  # MDC_DIM_MILLI_L
    "264928": "/min",  # MDC_DIM_RESP_PER_MIN
    "264864": "/min",  # MDC_DIM_BEAT_PER_MIN
}
"""Unit codes of ISO/IEEE 11073-10101 that device gateways send instead of UCUM.

Each was read, with its reference id, in the code of at least two independent public repositories.
"""

ACCEPTED: dict[str, str] = {
    "cm[H2O]": "cm[H2O], mbar, hPa, kPa, mm[Hg]",
    "mm[Hg]": "mm[Hg], kPa, cm[H2O], mbar",
    "mL": "mL, L",
    "mL/cm[H2O]": "mL/cm[H2O], L/cm[H2O], mL/mbar, mL/hPa, L/kPa",
    "cm[H2O].s/L": "cm[H2O].s/L, mbar.s/L, kPa.s/L",
    "/min": "/min, 1/min, {breaths}/min, Hz",
    "s": "s, ms",
    "L/min": "L/min, mL/min, L/s",
    "1": "1, %",
    "%": "%, 1",
    "[pH]": "[pH], 1",
    "cm": "cm, m, mm, [in_i], [ft_i]",
    "kg": "kg, g, [lb_av]",
}
"""For messages: the units that people would send for each of our units."""
