"""What runs now: the last documented rate of each drug, and never none because nothing was sent."""

from __future__ import annotations

import pytest

from ebbmark.physiology.timeline import Infusion, VasopressorDose, dose_at
from ebbmark.words.messages import spell

NOW_S = 1_790_000_000.0
MINUTE_S = 60.0


def running(rate: float, minutes_ago: float, *, drug: str = "noradrenaline", source: int = 1) -> Infusion:
    return Infusion(drug, rate, NOW_S - minutes_ago * MINUTE_S, None, True, False, source)


def ended(rate: float, minutes_ago: float, ended_minutes_ago: float) -> Infusion:
    end_s = NOW_S - ended_minutes_ago * MINUTE_S
    return Infusion("noradrenaline", rate, NOW_S - minutes_ago * MINUTE_S, end_s, False, False, 2)


def charted(rate: float, minutes_ago: float, source: int = 3) -> Infusion:
    return Infusion("noradrenaline", rate, NOW_S - minutes_ago * MINUTE_S, None, False, True, source)


def dose(*infusions: Infusion) -> VasopressorDose:
    found = dose_at(infusions, NOW_S)
    assert found is not None
    return found


def test_nothing_sent_is_not_nothing_given() -> None:
    assert dose_at([], NOW_S) is None


def test_the_rate_that_began_last_is_the_one_that_runs() -> None:
    found = dose(running(0.3, 10, source=5), ended(0.1, 300, 10), ended(0.2, 200, 10))

    assert (found.mcg_per_kg_per_min, found.sources) == (0.3, (5,))
    assert spell(found.sentence) == "Noradrenaline 0.3 mcg/kg/min, for 10 min."


def test_a_second_infusion_of_the_same_drug_that_is_left_open_is_told_and_not_added() -> None:
    found = dose(running(0.1, 30, source=5), running(0.15, 50, source=4))

    assert (found.mcg_per_kg_per_min, found.sources, found.doubled) == (
        0.1,
        (5, 4),
        ("a second noradrenaline infusion",),
    )
    assert "another noradrenaline (0.15 mcg/kg/min, for 50 min) is charted as going on too and not counted" in (
        spell(found.sentence)
    )
    assert spell(found.sentence).endswith("The dose as noradrenaline equivalent may be more than what is counted.")


def test_an_infusion_left_open_at_a_rate_of_nothing_is_no_second_one() -> None:
    assert dose(running(0.1, 30), running(0.0, 50, source=4)).doubled == ()


def test_noradrenaline_and_adrenaline_count_one_for_one() -> None:
    assert dose(running(0.15, 60), running(0.1, 30, drug="adrenaline", source=6)).mcg_per_kg_per_min == 0.25


def test_an_infusion_that_ended_is_documented_as_none() -> None:
    found = dose(ended(0.3, 300, 20))

    assert (found.mcg_per_kg_per_min, spell(found.sentence)) == (0.0, "Noradrenaline ended 20 min ago.")


@pytest.mark.parametrize(("minutes", "known"), [(230, True), (250, False)])
def test_a_rate_charted_at_a_moment_holds_for_four_hours(minutes: float, known: bool) -> None:
    assert (dose_at([charted(0.3, minutes)], NOW_S) is not None) is known


def test_an_infusion_of_which_nobody_knows_when_it_ended_says_nothing() -> None:
    over = Infusion("noradrenaline", 0.3, NOW_S - 3600, None, False, False, 1)

    assert dose_at([over], NOW_S) is None


def test_a_rate_that_begins_later_does_not_count() -> None:
    assert dose_at([running(0.3, -5)], NOW_S) is None
