"""PEEP/FiO2 tables, cell by cell, as printed.

Lower PEEP: ARDS Network, N Engl J Med 2000;342:1301-8, and the lower arm of Brower et al, N Engl J Med
2004;351:327-36 (reprint in Pilbeam's Mechanical Ventilation, chapter 13; two public transcriptions agree).
Higher PEEP: the higher arm of Brower et al before its protocol was raised: same reprint for FiO2 0.3 and 0.4; from 0.5
upwards three public transcriptions agree cell by cell: a rule set as code that names the paper, a reference in English
and a bedside note in Portuguese, the last two with a column "0.5-0.8" that stands at 20. The paper was not opened.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.markers import HIGHER_PEEP, LOWER_PEEP, look_up
from ebbmark.words.messages import spell

# FiO2 above PEEP, one column of the printed table per pair.
LOWER = [
    (0.3, 5), (0.4, 5), (0.4, 8), (0.5, 8), (0.5, 10), (0.6, 10), (0.7, 10),
    (0.7, 12), (0.7, 14), (0.8, 14), (0.9, 14), (0.9, 16), (0.9, 18), (1.0, 18), (1.0, 24),
]  # fmt: skip
HIGHER = [
    (0.3, 5), (0.3, 8), (0.3, 10), (0.3, 12), (0.3, 14), (0.4, 14), (0.4, 16), (0.5, 16), (0.5, 18),
    (0.5, 20), (0.6, 20), (0.7, 20), (0.8, 20), (0.8, 22), (0.9, 22), (1.0, 22), (1.0, 24),
]  # fmt: skip


@pytest.mark.parametrize("fio2", sorted({fio2 for fio2, _ in LOWER}))
def test_the_lower_table_allows_what_is_printed_for_an_fio2(fio2: float) -> None:
    printed = [peep for column, peep in LOWER if column == fio2]

    answer = look_up(LOWER_PEEP, fio2)

    assert (answer.lowest_cmh2o, answer.highest_cmh2o) == (min(printed), max(printed))


@pytest.mark.parametrize("fio2", sorted({fio2 for fio2, _ in HIGHER}))
def test_the_higher_table_allows_what_is_printed_for_an_fio2(fio2: float) -> None:
    printed = [peep for column, peep in HIGHER if column == fio2]

    answer = look_up(HIGHER_PEEP, fio2)

    assert (answer.lowest_cmh2o, answer.highest_cmh2o) == (min(printed), max(printed))


def test_the_higher_table_tells_that_its_low_combinations_were_dropped() -> None:
    assert "171 patients" in spell(look_up(HIGHER_PEEP, 0.3).sentence)
