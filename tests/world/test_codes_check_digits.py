"""Every LOINC number and SNOMED CT identifier carries a check digit: a typing error in the table is found by it.

Sources: LOINC Users' Guide, appendix on the mod 10 check digit (after D. P. Connelly and others); SNOMED CT Release
File Specification, "Verhoeff check" (J. Verhoeff, Error Detecting Decimal Codes, 1969). Both algorithms are written
here on their own, not taken from the service; examples beside them.
"""

from __future__ import annotations

import pytest

from ebbmark.fhir.naming import LOINC, SNOMED
from ebbmark.fhir.reading.codes import ROWS


def mod_10(number: str) -> int:
    """LOINC check digit: from the right, double every other digit, starting with the last; as Luhn does."""
    doubled = [int(digit) * (2 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(number))]
    return -sum(value // 10 + value % 10 for value in doubled) % 10


def dihedral(a: int, b: int) -> int:
    """Product in D5: 0 to 4 are rotations, 5 to 9 reflections."""
    if a < 5:
        return (a + b) % 5 if b < 5 else 5 + (a + b) % 5
    return 5 + (a - b) % 5 if b < 5 else (a - b) % 5


def verhoeff_holds(number: str) -> bool:
    """Verhoeff's check over all digits, the check digit being the last."""
    base = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]
    check = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit)
        for _ in range(place % 8):
            value = base[value]
        check = dihedral(check, value)
    return check == 0


def test_the_algorithms_know_published_numbers() -> None:
    assert mod_10("2951") == 2  # 2951-2 Sodium [Moles/volume] in Serum or Plasma
    assert verhoeff_holds("138875005")  # SNOMED CT root concept
    assert not verhoeff_holds("138875006")


@pytest.mark.parametrize("code", [row.code for row in ROWS if row.system == LOINC])
def test_loinc_numbers_have_the_right_check_digit(code: str) -> None:
    number, _, digit = code.partition("-")

    assert mod_10(number) == int(digit)


@pytest.mark.parametrize("code", [row.code for row in ROWS if row.system == SNOMED])
def test_snomed_identifiers_have_the_right_check_digit(code: str) -> None:
    assert verhoeff_holds(code)


def test_the_often_seen_wrong_code_for_inhaled_oxygen_is_found() -> None:
    assert mod_10("3150") != 6
