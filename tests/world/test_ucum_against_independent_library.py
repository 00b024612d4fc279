"""Every unit that is accepted, against two independent readings of UCUM.

Sources: `ucumvert` (its own UCUM grammar and unit definitions, from ucum-essence 2.2); and the base-unit definitions
of `ucum-essence.xml` 2.2, as shipped inside that package, for the sizes of cm[H2O], mm[Hg], the inch and the foot.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import pint
import pytest
import ucumvert

from ebbmark.fhir.reading.units import ACCEPTED, SPELLINGS, UCUM, UNITS, Conversion, conversion

PAIRS = [
    (code, ours)
    for code in UNITS
    for ours in ACCEPTED
    if ours != "[pH]" and isinstance(conversion(code, "", UCUM, ours), Conversion)
]
NEITHER = [
    (code, ours)
    for code in UNITS
    for ours in ACCEPTED
    if ours != "[pH]" and not isinstance(conversion(code, "", UCUM, ours), Conversion)
]


@cache
def registry() -> Any:  # noqa: ANN401 - the library is not typed
    return ucumvert.PintUcumRegistry()


def independent_factor(code: str, ours: str) -> float:
    return float((registry().from_ucum(code) / registry().from_ucum(ours)).m_as("dimensionless"))


@pytest.mark.parametrize(("code", "ours"), PAIRS)
def test_conversions_agree_with_an_independent_ucum_library(code: str, ours: str) -> None:
    found = conversion(code, "", UCUM, ours)

    assert isinstance(found, Conversion)
    # ucumvert takes mm[Hg] from pint, 133.322387 Pa, where UCUM says 133.322 Pa: 3e-6 apart (settled below).
    tolerance = 4e-6 if "[Hg]" in code + ours else 1e-12
    assert found.multiply / found.divide == pytest.approx(independent_factor(code, ours), rel=tolerance)


@pytest.mark.parametrize(("code", "ours"), NEITHER)
def test_what_is_called_a_wrong_dimension_is_one(code: str, ours: str) -> None:
    with pytest.raises(pint.DimensionalityError):
        independent_factor(code, ours)


@pytest.mark.parametrize("spelling", [one for one in SPELLINGS if one != "pH"])  # a picohenry, which can be no pH
def test_what_is_called_a_wrong_spelling_is_no_ucum(spelling: str) -> None:
    with pytest.raises(Exception, match=r".+"):  # the library raises several kinds
        registry().from_ucum(spelling)


@cache
def essence() -> str:
    files = list(Path(ucumvert.__file__).parent.rglob("ucum-essence.xml"))
    return files[0].read_text(encoding="utf-8")


def defined(code: str) -> tuple[float, str]:
    """Value and unit by which ucum-essence defines a code."""
    block = re.search(rf'<unit[^>]*\sCode="{re.escape(code)}".*?</unit>', essence(), re.DOTALL)
    assert block is not None
    value = re.search(r'<value Unit="([^"]+)"[^>]*value="([^"]+)"', block.group())
    assert value is not None
    return float(value.group(2)), value.group(1)


@pytest.mark.parametrize(
    ("code", "expected", "unit", "ours", "factor"),
    [
        # m[H2O] = 9.80665 kPa, so 1 cm[H2O] = 0.0980665 kPa
        ("m[H2O]", 9.80665, "kPa", ("kPa", "cm[H2O]"), 100 / 9.80665),
        ("m[Hg]", 133.322, "kPa", ("mm[Hg]", "cm[H2O]"), 133.322 / 98.0665),
        ("[in_i]", 2.54, "cm", ("[in_i]", "cm"), 2.54),
        ("[ft_i]", 12.0, "[in_i]", ("[ft_i]", "cm"), 30.48),
    ],
)
def test_the_sizes_are_those_that_ucum_essence_defines(
    code: str, expected: float, unit: str, ours: tuple[str, str], factor: float
) -> None:
    assert defined(code) == (expected, unit)
    found = conversion(ours[0], "", UCUM, ours[1])
    assert isinstance(found, Conversion)
    assert found.multiply / found.divide == pytest.approx(factor, rel=1e-14)
