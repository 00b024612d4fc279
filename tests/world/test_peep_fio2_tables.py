"""PEEP/FiO2 tables, cell by cell, as printed.

Lower PEEP: ARDS Network, N Engl J Med 2000;342:1301-8, and the lower arm of Brower et al, N Engl J Med
2004;351:327-36 (reprint in Pilbeam's Mechanical Ventilation, chapter 13; two public transcriptions agree).
Higher PEEP: the higher arm of Brower et al before its protocol was raised, same reprint, FiO2 0.3 and 0.4 only. The
cells from 0.5 upwards were seen in one transcription and must stay empty until the paper has been opened.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.before.peep_tables import HIGHER_PEEP, LOWER_PEEP, look_up

# FiO2 above PEEP, one column of the printed table per pair.
LOWER = [
    (0.3, 5), (0.4, 5), (0.4, 8), (0.5, 8), (0.5, 10), (0.6, 10), (0.7, 10),
    (0.7, 12), (0.7, 14), (0.8, 14), (0.9, 14), (0.9, 16), (0.9, 18), (1.0, 18), (1.0, 24),
]  # fmt: skip
HIGHER_AS_FAR_AS_READ = [(0.3, 5), (0.3, 8), (0.3, 10), (0.3, 12), (0.3, 14), (0.4, 14), (0.4, 16)]


@pytest.mark.parametrize("fio2", sorted({fio2 for fio2, _ in LOWER}))
def test_the_lower_table_allows_what_is_printed_for_an_fio2(fio2: float) -> None:
    printed = [peep for column, peep in LOWER if column == fio2]

    answer = look_up(LOWER_PEEP, fio2)

    assert (answer.lowest_cmh2o, answer.highest_cmh2o) == (min(printed), max(printed))


@pytest.mark.parametrize("fio2", sorted({fio2 for fio2, _ in HIGHER_AS_FAR_AS_READ}))
def test_the_higher_table_allows_what_is_printed_as_far_as_it_was_read(fio2: float) -> None:
    printed = [peep for column, peep in HIGHER_AS_FAR_AS_READ if column == fio2]

    answer = look_up(HIGHER_PEEP, fio2)

    assert (answer.lowest_cmh2o, answer.highest_cmh2o) == (min(printed), max(printed))


@pytest.mark.parametrize("fio2", [0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
def test_the_higher_table_says_nothing_where_it_was_not_read(fio2: float) -> None:
    answer = look_up(HIGHER_PEEP, fio2)

    assert answer.lowest_cmh2o is None
    assert "not been verified" in answer.sentence


def test_the_higher_table_tells_that_its_low_combinations_were_dropped() -> None:
    assert "171 patients" in look_up(HIGHER_PEEP, 0.3).sentence
