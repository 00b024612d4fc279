"""Units: right spellings, wrong ones that are beyond doubt, and those that are refused rather than guessed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.reading.units import (
    ACCEPTED,
    MDC_UNITS,
    REFUSED,
    SPELLINGS,
    UCUM,
    UNITS,
    Conversion,
    UnitFault,
    UnitProblem,
    conversion,
    to_canonical,
)

MDC = "urn:iso:std:iso:11073:10101"


def read(value: float, code: str, unit: str) -> float:
    found = to_canonical(value, code, "", UCUM, unit)
    assert isinstance(found, float)
    return found


def fault(code: str, unit: str, *, display: str = "", system: str = UCUM) -> UnitProblem:
    found = conversion(code, display, system, unit)
    assert isinstance(found, UnitProblem)
    return found


@pytest.mark.parametrize(
    ("value", "code", "unit", "expected"),
    [
        (5.0, "cm[H2O]", "cm[H2O]", 5.0),
        (0.38, "L", "mL", 380.0),
        (0.5, "L/kPa", "mL/cm[H2O]", 49.03325),  # 1 L/kPa = 98.0665 mL/cm[H2O], from cm[H2O] = 98.0665 Pa
        (40.0, "mL/mbar", "mL/cm[H2O]", 39.2266),  # per mbar is smaller: 0.980665
        (20.0, "{Breaths}/min", "/min", 20.0),
        (0.5, "Hz", "/min", 30.0),
        (70.0, "[in_i]", "cm", 177.8),  # an international inch is 2.54 cm exactly
        (1.0, "%{vol}", "1", 0.01),
        (7.4, "[pH]", "[pH]", 7.4),
        (7.4, "1", "[pH]", 7.4),
        (13.3322, "kPa", "mm[Hg]", 100.0),
    ],
)
def test_a_value_in_another_unit_becomes_ours(value: float, code: str, unit: str, expected: float) -> None:
    assert read(value, code, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("per_cent", range(21, 101))
def test_a_whole_per_cent_becomes_the_fraction_that_one_would_write(per_cent: int) -> None:
    assert read(float(per_cent), "%", "1") == per_cent / 100


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_a_wrong_spelling_is_read_and_noted(spelling: str) -> None:
    meant = SPELLINGS[spelling]
    unit = next(ours for ours in ACCEPTED if isinstance(conversion(meant, "", UCUM, ours), Conversion))

    found = conversion(spelling, "", UCUM, unit)

    assert isinstance(found, Conversion)
    assert spelling in found.note
    assert (found.multiply, found.divide) == factors(meant, unit)


def factors(code: str, unit: str) -> tuple[float, float]:
    found = conversion(code, "", UCUM, unit)
    assert isinstance(found, Conversion)
    return found.multiply, found.divide


@pytest.mark.parametrize("spelling", REFUSED)
def test_a_spelling_that_means_something_else_is_refused(spelling: str) -> None:
    assert fault(spelling, "mL").fault is UnitFault.UNKNOWN


def test_no_spelling_is_both_right_and_wrong() -> None:
    assert not set(UNITS) & set(SPELLINGS)
    assert not (set(UNITS) | set(SPELLINGS)) & set(REFUSED)
    assert set(SPELLINGS.values()) <= set(UNITS) | {"[pH]"}


@pytest.mark.parametrize(
    ("code", "unit"),
    [
        ("mmol/L", "cm[H2O]"),
        ("kg", "cm"),
        ("cm[H2O]/L/s", "cm[H2O].s/L"),
        ("%", "cm[H2O]"),
        ("mL", "L/min"),
        ("[pH]", "%"),
    ],
)
def test_a_wrong_dimension_is_told_as_such(code: str, unit: str) -> None:
    found = fault(code, unit)

    assert found.fault is UnitFault.WRONG_DIMENSION
    assert ACCEPTED[unit] in found.sentence


def test_no_unit_is_no_guess() -> None:
    assert fault("", "cm").fault is UnitFault.MISSING


def test_ph_needs_no_unit() -> None:
    assert isinstance(conversion("", "", "", "[pH]"), Conversion)


def test_a_unit_of_another_system_is_not_read() -> None:
    assert fault("cm[H2O]", "cm[H2O]", system="urn:example:units").fault is UnitFault.UNKNOWN


def test_a_display_alone_must_be_in_the_table() -> None:
    assert isinstance(conversion("", "mbar", "", "cm[H2O]"), Conversion)
    assert fault("", "cm[H2O]", display="cm of water", system="").fault is UnitFault.UNKNOWN


@pytest.mark.parametrize("code", MDC_UNITS)
def test_an_mdc_unit_code_stands_for_a_unit_of_the_table(code: str) -> None:
    assert MDC_UNITS[code] in UNITS
    unit = next(ours for ours in ACCEPTED if isinstance(conversion(MDC_UNITS[code], "", UCUM, ours), Conversion))
    assert isinstance(conversion(code, "", MDC, unit), Conversion)


@given(st.text(max_size=30), st.sampled_from(sorted(ACCEPTED)))
def test_no_text_as_unit_does_more_than_fail(text: str, unit: str) -> None:
    assert isinstance(conversion(text, "", UCUM, unit), Conversion | UnitProblem)
