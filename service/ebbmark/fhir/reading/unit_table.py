"""Spellings of units that are read: tables only; `units` converts.

UCUM: https://ucum.org/ucum (version 2.2); sizes of cm[H2O] (98.0665 Pa) and mm[Hg] (133.322 Pa) as in its
`ucum-essence.xml`. Wrong spellings: common practice in the field, no published list.
"""

from __future__ import annotations

__all__ = ["ACCEPTED", "MDC_UNITS", "REFUSED", "SPELLINGS", "UNITS"]

UNITS: dict[str, str] = {
    # pressure
    "cm[H2O]": "98.0665 * pascal",
    "m[H2O]": "100 * 98.0665 * pascal",
    "mm[H2O]": "0.1 * 98.0665 * pascal",
    "mbar": "millibar",
    "bar": "bar",
    "Pa": "pascal",
    "hPa": "hectopascal",
    "kPa": "kilopascal",
    "mm[Hg]": "133.322 * pascal",
    # volume
    "mL": "milliliter",
    "ml": "milliliter",
    "L": "liter",
    "l": "liter",
    "dL": "deciliter",
    "dl": "deciliter",
    "cm3": "centimeter ** 3",
    "m3": "meter ** 3",
    # compliance
    "mL/cm[H2O]": "milliliter / (98.0665 * pascal)",
    "ml/cm[H2O]": "milliliter / (98.0665 * pascal)",
    "L/cm[H2O]": "liter / (98.0665 * pascal)",
    "l/cm[H2O]": "liter / (98.0665 * pascal)",
    "mL/mbar": "milliliter / millibar",
    "ml/mbar": "milliliter / millibar",
    "L/mbar": "liter / millibar",
    "mL/hPa": "milliliter / hectopascal",
    "ml/hPa": "milliliter / hectopascal",
    "L/hPa": "liter / hectopascal",
    "L/kPa": "liter / kilopascal",
    "l/kPa": "liter / kilopascal",
    "mL/kPa": "milliliter / kilopascal",
    "L/bar": "liter / bar",
    "mL/mm[Hg]": "milliliter / (133.322 * pascal)",
    # resistance
    "cm[H2O].s/L": "98.0665 * pascal * second / liter",
    "cm[H2O].s/l": "98.0665 * pascal * second / liter",
    "cm[H2O]/(L/s)": "98.0665 * pascal * second / liter",
    "cm[H2O]/(l/s)": "98.0665 * pascal * second / liter",
    "cm[H2O]/L.s": "98.0665 * pascal * second / liter",
    "mbar.s/L": "millibar * second / liter",
    "mbar.s/l": "millibar * second / liter",
    "mbar/(L/s)": "millibar * second / liter",
    "hPa.s/L": "hectopascal * second / liter",
    "kPa.s/L": "kilopascal * second / liter",
    # rate
    "/min": "1 / minute",
    "1/min": "1 / minute",
    "min-1": "1 / minute",
    "/s": "1 / second",
    "1/s": "1 / second",
    "Hz": "hertz",
    "/h": "1 / hour",
    # time
    "s": "second",
    "ms": "millisecond",
    "min": "minute",
    # flow
    "L/min": "liter / minute",
    "l/min": "liter / minute",
    "mL/min": "milliliter / minute",
    "ml/min": "milliliter / minute",
    "L/s": "liter / second",
    "mL/s": "milliliter / second",
    # fraction
    "%": "0.01",
    "1": "1.0",
    # length
    "cm": "centimeter",
    "m": "meter",
    "mm": "millimeter",
    "dm": "decimeter",
    "[in_i]": "0.0254 * meter",
    "[ft_i]": "0.3048 * meter",
    "[in_us]": "100 / 3937 * meter",
    # known, so that a wrong dimension can be named
    "kg": "kilogram",
    "g": "gram",
    "mmol/L": "millimole / liter",
    "mmol/l": "millimole / liter",
    "mL/kg": "milliliter / kilogram",
    "cm[H2O]/L": "98.0665 * pascal / liter",
    "cm[H2O]/mL": "98.0665 * pascal / milliliter",
    "mbar/L": "millibar / liter",
    "cm[H2O]/L/s": "98.0665 * pascal / liter / second",
}
"""UCUM spelling to pint expression; annotations in braces are taken off before looking here."""

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
}
"""For messages: the units that people would send for each of our units."""
