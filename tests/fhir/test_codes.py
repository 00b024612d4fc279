"""The table of codes: no duplicates, a source in every row, check digits that hold, every quantity reachable."""

from __future__ import annotations

import pytest

from ebbmark.fhir.naming import LOINC, MDC, SNOMED
from ebbmark.fhir.reading.codes import CODES, RANGES, ROWS, SETTING_TWIN, CodeRow
from ebbmark.fhir.reading.units import ACCEPTED
from ebbmark.physiology.readings import Quantity

IDS = [f"{row.system.rsplit('/', 1)[-1]}|{row.code}" for row in ROWS]


def test_no_code_is_listed_twice() -> None:
    assert len(CODES) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_every_row_has_a_source_a_name_and_a_known_system(row: CodeRow) -> None:
    assert row.source
    assert row.display
    assert row.system in {LOINC, MDC, SNOMED}


@pytest.mark.parametrize("row", [row for row in ROWS if row.meaning is None], ids=lambda row: row.code)
def test_a_code_that_is_not_used_says_why(row: CodeRow) -> None:
    assert row.reason.endswith(".")


@pytest.mark.parametrize("row", [row for row in ROWS if row.system == MDC], ids=lambda row: row.code)
def test_an_mdc_code_is_a_decimal_number_of_32_bits(row: CodeRow) -> None:
    assert 0 < int(row.code) < 2**32


def test_settings_of_mdc_are_their_measurements_plus_two_to_the_24() -> None:
    # proven for these two codes only: value sets of the MII intensive care module, arithmetic
    assert int("16929196") - int("151980") == int("16929632") - int("152416") == 2**24


@pytest.mark.parametrize("quantity", Quantity, ids=lambda quantity: quantity.slug)
def test_every_quantity_has_a_code_a_range_and_units(quantity: Quantity) -> None:
    assert any(row.meaning is quantity for row in ROWS)
    low, high = RANGES[quantity]
    assert low < high
    assert quantity.unit in ACCEPTED


def test_a_twin_is_a_setting_in_the_same_unit() -> None:
    assert all(twin.slug.endswith("-set") and twin.unit == measured.unit for measured, twin in SETTING_TWIN.items())


def test_only_codes_in_use_for_both_are_called_ambiguous() -> None:
    assert {row.meaning for row in ROWS if row.ambiguous} == {Quantity.PEEP_MEASURED}
