"""What the lung shows after a trial is told alike by every question that is asked then."""

from __future__ import annotations

import pytest

from bedside_builders import asked, row, rows_down, stamp
from fhir_builders import Json

DOWN = ((20.0, 38.0), (18.0, 40.0), (16.0, 41.0), (14.0, 42.0), (12.0, 41.5), (10.0, 36.0), (8.0, 31.0), (6.0, 27.0))
SET_AFTER = row(stamp(18), "set", peep_set=12.0)
COLLAPSED = row(stamp(25), "now", peep_set=12.0, plateau=46.0, expired=420.0)
LEFT_LOW = row(stamp(30), "low", plateau=46.0, expired=420.0)
AGAIN = [row(stamp(17 + 2 * place), f"again-{place}", peep_set=20.0 - 2 * place) for place in range(4)]


def first(question: str, *more: Json, at: float = 32.0) -> str:
    return asked(question, [*rows_down(DOWN), *more], now=stamp(at)).first


@pytest.mark.parametrize("question", ["titrate-peep", "check-validity", "compare-settings"])
def test_compliance_that_is_lost_after_a_trial_is_looked_at_first_whatever_is_asked(question: str) -> None:
    told = first(question, SET_AFTER, COLLAPSED)

    assert "ook at the patient" in told
    assert "from 4" in told
    assert "to 12 mL/cmH2O" in told


@pytest.mark.parametrize("question", ["check-validity", "compare-settings"])
def test_it_is_told_where_no_peep_was_set_after_the_trial_too(question: str) -> None:
    assert "Compliance fell from 27" in first(question, LEFT_LOW, at=31.0)


@pytest.mark.parametrize("question", ["titrate-peep", "check-validity"])
def test_another_trial_that_runs_is_told_whatever_is_asked(question: str) -> None:
    assert "PEEP is being lowered again" in first(question, *AGAIN, at=24.0)
