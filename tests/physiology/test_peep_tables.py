"""What a table says between its columns and outside them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ebbmark.physiology.after.markers import HIGHER_PEEP, LOWER_PEEP, PEEP_TABLES, PeepCell, PeepTable, look_up
from ebbmark.words.messages import spell


def test_between_two_columns_both_neighbours_are_named_and_nothing_is_interpolated() -> None:
    answer = look_up(LOWER_PEEP, 0.45)

    assert (answer.lowest_cmh2o, answer.highest_cmh2o) == (None, None)
    assert "5 to 8 cmH2O at FiO2 0.4 and 8 to 10 cmH2O at FiO2 0.5" in spell(answer.sentence)


PARTLY_READ = replace(HIGHER_PEEP, cells=(PeepCell(0.4, 14.0, 16.0), PeepCell(0.5, None, None)))


def test_beside_a_column_that_was_not_read_only_the_other_neighbour_is_named() -> None:
    sentence = spell(look_up(PARTLY_READ, 0.45).sentence)

    assert "14 to 16 cmH2O at FiO2 0.4." in sentence
    assert "0.5 " not in sentence


def test_a_table_says_nothing_where_it_was_not_read() -> None:
    answer = look_up(PARTLY_READ, 0.5)

    assert answer.lowest_cmh2o is None
    assert "not been verified" in spell(answer.sentence)


def test_below_the_table_it_says_where_it_begins() -> None:
    assert "begins at FiO2 0.3" in spell(look_up(LOWER_PEEP, 0.21).sentence)


@pytest.mark.parametrize("fio2", [0.0, 40.0, float("nan")])
def test_a_percentage_in_place_of_a_fraction_is_refused(fio2: float) -> None:
    with pytest.raises(ValueError, match="fraction"):
        look_up(LOWER_PEEP, fio2)


@pytest.mark.parametrize("table", PEEP_TABLES, ids=lambda table: table.slug)
def test_more_oxygen_never_means_less_peep(table: PeepTable) -> None:
    read = [(cell.lowest_cmh2o, cell.highest_cmh2o) for cell in table.cells if cell.lowest_cmh2o is not None]

    assert read == sorted(read)
    assert all((low or 0.0) <= (high or 0.0) for low, high in read)
