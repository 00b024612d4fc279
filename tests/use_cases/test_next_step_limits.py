"""During a trial: every limit of the checks before PEEP is lowered, on both of its sides."""

from __future__ import annotations

from typing import Any

import pytest

from bedside_builders import Said, asked, charted, row, rows_down, stamp
from fhir_builders import Json

OPEN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5))
NOW = 8.0
"""Minutes: the end of the fourth step, which began at minute 6."""


def told(*more: Json, **vitals: Any) -> str:  # noqa: ANN401
    """Everything that is said after four steps that were borne well, and what was charted besides."""
    vitals = {"spo2": 95.0, "map": 74.0, "heart_rate": 96.0, **vitals}
    return " ".join(answered(*more, **vitals).notes)


def answered(*more: Json, **vitals: Any) -> Said:  # noqa: ANN401
    return asked("next-step", [*rows_down(OPEN, **vitals), *more], now=stamp(NOW))


def at(minute: float, **values: float) -> Json:
    return charted(stamp(minute), f"at-{round(60 * minute)}".replace("--", "-before-"), values)


@pytest.mark.parametrize(("measured", "off"), [(10.0, True), (10.1, False), (14.0, True), (13.9, False)])
def test_a_measured_peep_two_from_its_setting_contradicts_it(measured: float, off: bool) -> None:
    assert ("cmH2O was measured" in told(at(7.9, peep=measured))) is off


@pytest.mark.parametrize(("seconds", "counts"), [(29, False), (31, True)])
def test_a_measured_peep_counts_once_the_step_has_settled(seconds: int, counts: bool) -> None:
    assert ("cmH2O was measured" in told(at(6 + seconds / 60, peep=9.0))) is counts


@pytest.mark.parametrize(("volume", "gone"), [(50.0, True), (51.0, False)])
def test_an_expired_volume_of_fifty_is_none(volume: float, gone: bool) -> None:
    # Right after a change of setting a loss of volume is not judged against the volumes before it.
    changed = at(-5, above=14.0), at(7.85, above=15.0)

    assert ("as in an open or blocked circuit" in told(*changed, at(7.9, expired=volume))) is gone


@pytest.mark.parametrize(("ordered", "missing"), [(500.0, False), (501.0, True)])
def test_an_expired_volume_a_fifth_below_the_one_that_is_set_is_missing(ordered: float, missing: bool) -> None:
    # 400 mL are expired throughout.
    assert ("mL set: a leak" in told(at(-5, volume_set=ordered))) is missing


@pytest.mark.parametrize(("second", "raised"), [(65.0, True), (64.0, False)])
def test_oxygen_raised_by_five_per_cent_on_the_way_down_is_told(second: float, raised: bool) -> None:
    assert ("FiO2 was raised" in told(at(-5, fio2=60.0), at(5, fio2=second))) is raised


@pytest.mark.parametrize(("latest", "said"), [(93.0, True), (93.1, False)])
def test_a_saturation_two_points_below_its_highest_is_told(latest: float, said: bool) -> None:
    assert ("what PHARLAP took for closing" in told(at(7.9, spo2=latest))) is said


@pytest.mark.parametrize(("latest", "looked_at"), [(90.0, True), (90.1, False)])
def test_a_saturation_five_points_below_its_highest_is_looked_at(latest: float, looked_at: bool) -> None:
    assert ("A fall of 5 points asks for a look" in told(at(7.9, spo2=latest))) is looked_at


@pytest.mark.parametrize(("plateau", "fell"), [(23.8, True), (23.5, False)])
def test_a_latest_breath_fifteen_per_cent_below_the_others_is_read_again(plateau: float, fell: bool) -> None:
    # The step has 40.4 mL/cmH2O: 400 mL over 11.8 are 16 % below it, over 11.5 they are 14 %.
    latest = at(7.95, peep_set=12.0, expired=400.0, plateau=plateau)

    assert ("The latest reading of compliance lies" in told(latest)) is fell


@pytest.mark.parametrize(("minutes", "alarms"), [(60, True), (60.1, False)])
def test_an_alarming_reading_of_an_hour_ago_still_asks_for_a_look_and_an_older_one_does_not(
    minutes: float, alarms: bool
) -> None:
    rows = [*rows_down(OPEN, spo2=95.0, systolic=118.0), at(NOW - minutes, map=50.0)]

    said = asked("next-step", rows, now=stamp(NOW))

    assert ("The latest mean arterial pressure is 50 mmHg" in " ".join(said.notes)) is alarms


@pytest.mark.parametrize(("seconds", "slow"), [(60, False), (62, True)])
def test_a_newest_reading_of_the_last_minute_shows_no_slow_clock(seconds: int, slow: bool) -> None:
    """The trial began at minute 2; a low pressure was read just before, by a clock that may be slow."""
    newest = NOW - seconds / 60
    rows = [*rows_down(OPEN, spo2=95.0), at(2 - 0.02, map=50.0), at(newest, map=75.0)]

    said = asked("next-step", rows, now=stamp(NOW))

    assert ("if that clock is slow" in " ".join(said.notes)) is slow


@pytest.mark.parametrize(("hours", "named"), [(11.9, True), (12.1, False)])
def test_settings_of_the_last_twelve_hours_are_the_way_back(hours: float, named: bool) -> None:
    day_before = round(24 * 60 - 60 * hours)
    rest = row(stamp(day_before), "rest", peep_set=10.0, volume_set=420.0)
    up = row(stamp(-3, day=2), "up", peep_set=14.0)
    rows = [rest, up, *rows_down(OPEN[:2], day=2, spo2=95.0, map=50.0)]

    said = asked("next-step", rows, now=stamp(4, day=2))

    assert ("Before the trial PEEP was 10 cmH2O" in said.first) is named


@pytest.mark.parametrize(("plateau_limit_passed", "plateau"), [(True, 30.1), (False, 30.0)])
def test_a_plateau_above_the_limit_of_the_protocol_is_told(plateau_limit_passed: bool, plateau: float) -> None:
    latest = at(7.95, plateau=plateau)

    assert ("above the protocol's limit of 30 cmH2O" in told(latest)) is plateau_limit_passed
