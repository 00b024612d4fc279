"""What held at a moment, by nearness and kind, and what ran; never a guess, and never none since nothing was sent."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, PEEP, Infusion, VasopressorDose, breathed_at, dose_at, in_force_at
from ebbmark.words.messages import spell
from trials import START_S, reading

MINUTE_S = 60.0


def set_at(minute: float, value: float, source: int = 1) -> Reading:
    return reading(Quantity.FIO2_SET, value, START_S + minute * MINUTE_S, source)


def measured_at(minute: float, value: float, source: int = 2) -> Reading:
    return reading(Quantity.FIO2_MEASURED, value, START_S + minute * MINUTE_S, source)


@pytest.mark.parametrize(
    ("readings", "value", "how"),
    [
        ([set_at(-20, 0.6)], 0.6, "set 20 min before it"),
        ([set_at(-200, 0.6)], 0.6, "set 3.3 h before it"),
        ([set_at(-200, 0.6), measured_at(2, 0.9)], 0.9, "measured 2 min after it"),
        ([set_at(-200, 0.6), set_at(3, 0.8)], 0.8, "charted as set 3 min after it"),
        ([set_at(-10, 0.6), measured_at(-1, 0.59)], 0.59, "measured 60 s before it"),
        ([set_at(-1, 0.6), measured_at(-1, 0.59)], 0.6, "set 60 s before it"),
        ([set_at(-20, 0.6), set_at(9, 1.0)], 0.6, "set 20 min before it"),
        ([set_at(-20, 0.6), set_at(3, 0.6)], 0.6, "charted as set 3 min after it"),
        ([set_at(0, 0.6)], 0.6, "set at the same time"),
        ([set_at(-30, 0.5), set_at(-10, 0.7)], 0.7, "set 10 min before it"),
    ],
)
def test_the_nearest_that_nothing_contradicts_is_chosen(readings: list[Reading], value: float, how: str) -> None:
    found = in_force_at(readings, FIO2, START_S)

    assert found.reading is not None
    assert (found.reading.value, spell(found.how)) == (value, how)


@pytest.mark.parametrize(
    ("readings", "why_not"),
    [
        ([set_at(-10, 0.6), measured_at(2, 0.9)], "60 % set 10 min before it and 90 % measured 2 min after it"),
        ([set_at(-10, 0.6), set_at(3, 1.0)], "60 % set 10 min before it and 100 % charted as set 3 min after it"),
        ([set_at(-50, 0.6), set_at(3, 1.0)], "60 % set 50 min before it and 100 % charted as set 3 min after it"),
        ([set_at(-241, 0.6)], "none was set in the 4 h before it"),
        ([set_at(6, 0.6), measured_at(-16, 0.6)], "or measured within 15 min of it"),
        ([set_at(-5, 0.1)], "none was set"),
        ([], "none was set"),
    ],
)
def test_where_none_is_near_enough_or_two_contradict_nothing_is_chosen(readings: list[Reading], why_not: str) -> None:
    found = in_force_at(readings, FIO2, START_S)

    assert found.reading is None
    assert why_not in spell(found.why_not)


def test_peep_that_was_set_and_is_measured_otherwise_is_not_chosen_between() -> None:
    apart = [
        reading(Quantity.PEEP_SET, 5.0, START_S - 300, 1),
        reading(Quantity.PEEP_MEASURED, 12.0, START_S - 60, 2),
    ]

    assert in_force_at(apart, PEEP, START_S).contradicted


READINGS = st.lists(
    st.builds(
        reading,
        st.sampled_from([Quantity.FIO2_SET, Quantity.FIO2_MEASURED]),
        st.sampled_from([0.4, 0.5, 0.6]),
        st.integers(-300, 60).map(lambda minute: START_S + minute * MINUTE_S),
        st.integers(0, 40),
    ),
    max_size=6,
)


@given(READINGS, st.randoms())
def test_the_order_in_which_readings_come_changes_nothing(readings: list[Reading], order: object) -> None:
    turned = list(reversed(readings))

    there, back = in_force_at(readings, FIO2, START_S), in_force_at(turned, FIO2, START_S)

    assert (there.contradicted, there.reading and there.reading.value) == (
        back.contradicted,
        back.reading and back.reading.value,
    )


@given(READINGS)
def test_what_is_chosen_was_sent_and_is_never_too_old_or_too_late(readings: list[Reading]) -> None:
    found = in_force_at(readings, FIO2, START_S).reading

    if found is not None:
        assert found in readings
        assert -4 * 3600.0 <= found.start_s - START_S <= 900.0


@pytest.mark.parametrize(
    "readings",
    [
        [set_at(-50, 0.4), set_at(-1, 0.6)],
        [set_at(-50, 0.4), set_at(-4.9, 0.6)],
        [set_at(-4, 0.4), set_at(0, 0.6)],
        [measured_at(-10, 0.4), measured_at(-1, 0.6)],
    ],
)
def test_fio2_that_was_changed_less_than_five_minutes_before_goes_with_no_gas(readings: list[Reading]) -> None:
    found = breathed_at(readings, START_S)

    assert (found.reading, found.unsettled) == (None, True)
    assert spell(found.why_not).startswith("it was changed from 40 % to 60 %")
    assert in_force_at(readings, FIO2, START_S).reading is not None


@pytest.mark.parametrize(
    "readings",
    [
        [set_at(-50, 0.4), set_at(-5, 0.6)],
        [set_at(-50, 0.4), set_at(-20, 0.6), set_at(-1, 0.6)],
        [set_at(-1, 0.6)],
        [set_at(-60, 0.4), set_at(0, 0.6)],
        [set_at(-20, 0.6), measured_at(-1, 0.58)],
    ],
)
def test_fio2_that_had_been_the_same_for_five_minutes_or_of_which_no_change_is_known_does(
    readings: list[Reading],
) -> None:
    found = breathed_at(readings, START_S)

    assert found.reading is not None
    assert found.reading.value == pytest.approx(0.6, abs=0.03)


NOW_S = 1_790_000_000.0


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
