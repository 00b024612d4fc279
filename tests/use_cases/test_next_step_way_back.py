"""During a trial: what stops it names the way back, what is unlike closing is looked at first, what follows is said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from bedside_builders import Said, asked, condition, row, rows_down, stamp, value_of
from fhir_builders import Json

OPERATION = "next-step"
OPEN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5))
CLOSED = (*OPEN, (10.0, 36.0), (8.0, 31.0))
BEFORE = [
    row(stamp(-6), "rest", peep_set=10.0, volume_set=420.0, fio2=60.0, map=76.0, heart_rate=96.0),
    row(stamp(-3), "up", peep_set=14.0),
]
WHO: Json = {"name": "acknowledged-by", "valueReference": {"display": "Dr A. Invented"}}


def after(down: Sequence[tuple[float, float]], *more: Json, before: Sequence[Json] = BEFORE, **vitals: Any) -> Said:  # noqa: ANN401
    """The answer at the end of this way down."""
    vitals = {"spo2": 93.0, "map": 74.0, "heart_rate": 96.0, **vitals}
    return asked(OPERATION, [*before, *rows_down(down, **vitals)], *more, now=stamp(2 * len(down)))


def action(said: Said) -> str:
    return str(value_of(said.observation("next-step")))


def acknowledged(*names: str) -> tuple[Json, ...]:
    found: list[Json] = [{"name": "acknowledged", "valueString": name} for name in names]
    return (*found, WHO)


# The way back


@pytest.mark.parametrize("vitals", [{"map": 40.0}, {"systolic": 84.0}, {"heart_rate": 172.0}])
def test_a_circulation_that_fails_stops_the_trial_and_names_the_settings_before_it(vitals: dict[str, Any]) -> None:
    said = after(OPEN[:2], **vitals)

    assert action(said) == "stop-criterion-met"
    assert "Before the trial PEEP was 10 cmH2O, tidal volume 420 mL, FiO2 60 %" in said.first
    assert "PEEP is 16 cmH2O now, higher than before the trial; that alone may lower blood pressure." in said.first
    assert "lowered" not in said.first
    assert value_of(said.observation("next-step"), "next-peep") is None


@pytest.mark.parametrize(("mean", "expected"), [(59.0, "stop-criterion-met"), (60.0, "look-first"), (65.0, "lower")])
def test_a_low_mean_pressure_stops_or_is_looked_at_by_its_two_limits(mean: float, expected: str) -> None:
    said = after(OPEN, map=mean)

    assert action(said) == expected
    assert ("Before the trial PEEP was 10 cmH2O" in said.first) is (expected != "lower")


def test_a_saturation_that_stops_the_trial_names_the_way_back_and_blames_no_pressure() -> None:
    said = after(OPEN, spo2=80.0)

    assert action(said) == "stop-criterion-met"
    assert "Before the trial PEEP was 10 cmH2O" in said.first
    assert "lower blood pressure" not in said.first


def test_where_peep_is_as_before_the_trial_already_it_is_not_named_as_the_way_back() -> None:
    said = after((*OPEN, (10.0, 40.0)), spo2=80.0)

    assert action(said) == "stop-criterion-met"
    assert "PEEP is as before the trial already (PEEP was 10 cmH2O" in said.first
    assert "whether to go back there" not in said.first


def test_a_stop_names_the_last_step_at_which_its_criterion_was_not_met() -> None:
    down = rows_down(OPEN[:2], name="high", spo2=90.0, map=74.0, heart_rate=96.0)
    low = rows_down(OPEN[2:], start=4.0, name="low", spo2=83.0, map=74.0, heart_rate=96.0)

    said = asked(OPERATION, [*BEFORE, *down, *low], now=stamp(8))

    assert action(said) == "stop-criterion-met"
    assert "At PEEP 16 cmH2O SpO2 was last 90 %" in said.first


def test_where_the_chart_begins_at_the_top_its_first_level_is_no_way_back() -> None:
    said = after(OPEN[:3], before=(), map=40.0)

    assert action(said) == "stop-criterion-met"
    assert "What was set before the trial is not among these readings" in said.first
    assert "PEEP was 18" not in said.first


def test_a_heart_rate_that_is_not_sent_is_told_and_asks_for_no_measurement_where_only_our_own_default_holds() -> None:
    said = asked(OPERATION, [*BEFORE, *rows_down(OPEN, spo2=93.0, map=74.0)], now=stamp(8))

    assert action(said) == "lower"
    assert "Not sent, so look before PEEP is lowered: heart rate." in said.first


# What looks unlike closing


BROKEN_AWAY = ((18.0, 39.0), (16.0, 40.0), (14.0, 39.0), (12.0, 16.0), (10.0, 15.0))


@pytest.mark.parametrize("steps", [4, 5])
def test_compliance_that_breaks_away_is_looked_at_and_never_called_closing(steps: int) -> None:
    said = after(BROKEN_AWAY[:steps])

    assert action(said) == "look-first"
    assert "From PEEP 14 to 12 cmH2O compliance fell from 39 to 16 mL/cmH2O, by 59 %" in said.first
    assert "pneumothorax" in said.first
    assert "Closing has been passed" not in said.first


def test_a_fall_that_came_back_is_not_looked_at_any_more() -> None:
    said = after(((18.0, 40.0), (16.0, 40.0), (14.0, 24.0), (12.0, 39.0)))

    assert "more than closing usually takes in one step" not in said.first


def test_a_fall_that_somebody_looked_into_is_read_as_the_curve_shows_it() -> None:
    names = acknowledged("sudden-fall", "pressure-rises-as-peep-falls")

    said = after(BROKEN_AWAY, *names)

    assert action(said) == "closing-passed"
    assert said.first.startswith("Dr A. Invented has acknowledged that compliance fell at once")


@pytest.mark.parametrize(("breathed", "looked_at"), [(34.0, True), (25.0, True), (24.0, False), (22.0, False)])
def test_breaths_above_the_set_rate_are_looked_at_before_anything_is_read_from_the_curve(
    breathed: float, looked_at: bool
) -> None:
    said = after(OPEN, rate=22.0, breathed=breathed)

    assert (action(said) == "look-first") is looked_at
    assert ("the patient triggers breaths" in said.first) is looked_at


def test_pressure_support_is_no_trial_in_progress_to_go_on_with() -> None:
    said = after(OPEN, support=8.0)

    assert action(said) == "look-first"
    assert "Pressure support of 8 cmH2O was set" in said.first


def test_a_leak_that_begins_late_is_looked_at_and_no_closing() -> None:
    rows = [*BEFORE, *rows_down(OPEN[:3], spo2=93.0, map=74.0, heart_rate=96.0, inspired=400.0)]
    late = rows_down(((12.0, 41.0),), start=6.0, name="late", spo2=93.0, map=74.0, heart_rate=96.0, inspired=520.0)

    said = asked(OPERATION, [*rows, *late], now=stamp(8))

    assert value_of(said.observation("next-step")) in ("look-first", "stop-criterion-met")
    assert "leak" in said.first


def test_total_peep_that_does_not_follow_the_setting_is_looked_at_as_trapped_air() -> None:
    said = after(OPEN, total=16.0)

    assert action(said) == "look-first"
    assert "air is trapped" in said.first


def test_a_pneumothorax_of_the_record_comes_before_the_next_step() -> None:
    rows = [*BEFORE, *rows_down(OPEN, spo2=93.0, map=74.0, heart_rate=96.0), condition("c1", "J93.0")]

    said = asked(OPERATION, rows, now=stamp(8))

    assert value_of(said.observation("next-step")) == "look-first"
    assert "The record says: pneumothorax, charted as ICD-10 J93.0" in said.first


def test_breaths_of_the_patients_own_keep_closing_from_being_called() -> None:
    said = after(CLOSED, rate=22.0, breathed=30.0)

    assert action(said) == "look-first"
    assert value_of(said.observation("next-step"), "next-peep") is None


# What follows


def test_after_closing_was_passed_the_suggested_peep_and_what_comes_next_are_said() -> None:
    said = after(CLOSED)

    step = said.observation("next-step")
    assert value_of(step) == "closing-passed"
    assert value_of(step, "suggested-peep") == 12.0
    assert "Suggested PEEP: 12 cmH2O, 2 above closing" in said.first
    assert "PEEP is 8 cmH2O now: a step of the trial, not a setting to leave." in said.first
    assert "open" not in said.first.lower()


def test_the_suggestion_is_the_one_that_the_titration_gives_on_the_same_readings() -> None:
    rows = [*BEFORE, *rows_down(CLOSED, spo2=93.0, map=74.0, heart_rate=96.0)]

    during = asked(OPERATION, rows, now=stamp(12))
    again = asked("follow-trials", rows, now=stamp(12))

    assert value_of(during.observation("next-step"), "suggested-peep") == value_of(
        again.observation("trial-in-record"), "peep-suggested-then"
    )


def test_at_the_lowest_step_the_settings_before_the_trial_are_named() -> None:
    down = tuple((18.0 - 2 * place, 38.0 + 0.5 * place) for place in range(8))

    said = after(down)

    assert action(said) == "lowest-reached"
    assert "Before the trial PEEP was 10 cmH2O" in said.first
