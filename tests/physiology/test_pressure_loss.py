"""Arterial pressure at the new settings: a fall beyond noise is told, one below a limit asks for somebody now."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.events import NotLookedFor, Occurrence
from ebbmark.physiology.after.surveillance import pressure_losses
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.limits import Limit
from ebbmark.words.after_trial import seen_words
from trials import START_S, reading

MAP, SYSTOLIC = Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE
BEGAN_S = START_S - 1200
LIMITS = {MAP: Limit(60.0, "decided by the unit"), SYSTOLIC: Limit(90.0, "a textbook")}


def pressures(values: dict[float, float], quantity: Quantity = MAP) -> list[Reading]:
    """Readings by minute after PEEP was set."""
    return [
        reading(quantity, value, START_S + 60 * minute, index) for index, (minute, value) in enumerate(values.items())
    ]


def losses(readings: list[Reading], *, minute: float = 30, began_s: float | None = BEGAN_S) -> list[Occurrence]:
    at_s = START_S + 60 * minute
    found = pressure_losses(readings, began_s=began_s, titrated_s=START_S, at_s=at_s, limits=LIMITS)
    return [one for one in found if isinstance(one, Occurrence)]


def test_a_fall_from_before_the_trial_to_below_the_limit_is_grave_and_names_both_and_the_limit() -> None:
    (seen,) = losses(pressures({-30: 74.0, 10: 58.0, 20: 58.0}))

    assert seen.grave
    assert "Mean arterial pressure fell from 74 mmHg before the trial to 58 mmHg" in seen_words(seen, START_S)
    assert "below the limit of 60 mmHg (decided by the unit)" in seen_words(seen, START_S)


@pytest.mark.parametrize(("now", "grave"), [(59.9, True), (60.0, False)])
def test_it_is_grave_below_the_limit_and_not_at_it(now: float, grave: bool) -> None:
    (seen,) = losses(pressures({-30: 80.0, 20: now}))

    assert seen.grave is grave


@pytest.mark.parametrize(("now", "told"), [(68.95, False), (68.85, True)])
def test_a_fall_is_told_only_beyond_the_noise_of_two_readings(now: float, told: bool) -> None:
    # 1.96 x 4 x sqrt(2) = 11.09 mmHg
    assert bool(losses(pressures({-30: 80.0, 20: now}))) is told


def test_a_low_pressure_is_told_though_nothing_was_read_before() -> None:
    (seen,) = losses(pressures({20: 52.0}), began_s=None)

    assert seen.grave
    assert "Mean arterial pressure is 52 mmHg, below the limit" in seen_words(seen, START_S)


def test_a_pressure_that_came_back_is_not_told() -> None:
    assert losses(pressures({-30: 74.0, 10: 52.0, 130: 75.0, 140: 74.0}), minute=150) == []


def test_a_fall_since_the_first_hour_is_told() -> None:
    (seen,) = losses(pressures({10: 84.0, 20: 82.0, 170: 66.0}), minute=175)

    assert "from 82 mmHg right after the titration to 66 mmHg" in seen_words(seen, START_S)
    assert not seen.grave


@pytest.mark.parametrize(("now", "grave"), [(89.0, True), (90.0, False)])
def test_a_systolic_pressure_is_judged_where_only_that_is_charted(now: float, grave: bool) -> None:
    (seen,) = losses(pressures({-30: 120.0, 20: now}, SYSTOLIC))

    assert seen.grave is grave
    assert "Systolic arterial pressure" in seen_words(seen, START_S)


def test_a_record_without_pressure_says_that_a_fall_would_not_show() -> None:
    found = pressure_losses(pressures({-30: 74.0}), began_s=BEGAN_S, titrated_s=START_S, at_s=START_S, limits=LIMITS)

    assert list(found) == [NotLookedFor("no-pressure")]
