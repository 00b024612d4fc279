"""During a trial: when to lower, when to read again, when closing is called, and what a stricter rule costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.closing.estimator import closing_passed
from ebbmark.physiology.closing.result import CurveStep
from ebbmark.physiology.during.context import CallRule, StepSoFar, closing_called
from ebbmark.physiology.during.next_move import Action, Move, next_move
from ebbmark.physiology.during.running import steps_so_far
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.criteria import check_stop
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS
from ebbmark.words.next_step import move_words
from trials import START_S, reading

FINE = check_stop([reading(Quantity.SPO2, 93.0, START_S)], DEFAULT_STOP_LIMITS, since_s=START_S, at_s=START_S)
DESATURATED = check_stop([reading(Quantity.SPO2, 80.0, START_S, 6)], DEFAULT_STOP_LIMITS, since_s=START_S, at_s=START_S)


def so_far(*passed: float | None, readings: int = 2, last: int | None = None) -> list[StepSoFar]:
    """Steps from 20 down by 2, with the probability that closing was passed after each."""
    counts = [readings] * (len(passed) - 1) + [readings if last is None else last]
    return [
        StepSoFar(20.0 - 2 * index, count, chance)
        for index, (chance, count) in enumerate(zip(passed, counts, strict=True))
    ]


def asked(curve: Sequence[CurveStep]) -> tuple[StepSoFar, ...]:
    return steps_so_far(
        curve, [closing_passed(curve[:count]) if count >= 3 else None for count in range(1, len(curve) + 1)]
    )


def moved(steps: Sequence[StepSoFar], *, lowest: float = 6.0, rule: CallRule | None = None) -> Move:
    return next_move(steps, decrement_cmh2o=2.0, lowest_cmh2o=lowest, stops=FINE, rule=rule or CallRule())


def test_with_closing_unlikely_the_next_step_is_two_lower() -> None:
    move = moved(so_far(None, None, 0.05, 0.1))

    assert (move.action, move.next_peep_cmh2o, move.lowering_is_useful) == (Action.LOWER, 12.0, True)
    assert "is 10 %" in move_words(move)


def test_closing_called_on_enough_readings_ends_the_way_down() -> None:
    move = moved(so_far(None, None, 0.1, 0.97))

    assert (move.action, move.next_peep_cmh2o, move.lowering_is_useful) == (Action.CLOSING_PASSED, None, False)


def test_a_single_noisy_reading_asks_for_one_more_instead_of_calling_closing() -> None:
    move = moved(so_far(None, None, 0.1, 0.99, last=1))

    assert (move.action, move.next_peep_cmh2o) == (Action.READ_AGAIN, 14.0)
    assert "rests on a single reading" in move_words(move)


def test_a_single_quiet_reading_does_not_hold_the_trial_up() -> None:
    assert moved(so_far(None, None, 0.1, 0.05, last=1)).action is Action.LOWER


def test_a_doubtful_fall_on_enough_readings_is_settled_by_the_next_step() -> None:
    move = moved(so_far(None, None, 0.1, 0.7))

    assert move.action is Action.LOWER
    assert "whether the fall lasts" in move_words(move)


def test_a_step_without_a_settled_reading_is_read_first() -> None:
    assert moved(so_far(None, None, 0.1, None, last=0)).action is Action.READ_AGAIN


def test_at_the_lowest_step_without_closing_the_clinician_is_asked() -> None:
    move = moved(so_far(None, None, 0.05), lowest=16.0)

    assert (move.action, move.next_peep_cmh2o) == (Action.LOWEST_REACHED, None)
    assert "for the clinician" in move_words(move)


def test_a_stop_criterion_comes_before_everything_and_names_its_reading() -> None:
    move = next_move(so_far(None, None, 0.99), decrement_cmh2o=2.0, lowest_cmh2o=6.0, stops=DESATURATED)

    assert (move.action, move.next_peep_cmh2o) == (Action.STOP, None)
    assert "80 %" in move_words(move)
    assert move.stops is not None
    assert move.stops.met[0].source == 6


def test_stop_criteria_that_nobody_checked_are_said_to_be_unchecked() -> None:
    move = next_move(so_far(None, None, 0.05), decrement_cmh2o=2.0, lowest_cmh2o=6.0, stops=None)

    assert move_words(move).endswith("Stop criteria were not checked.")


def test_before_the_first_step_nothing_is_set() -> None:
    assert moved([]).action is Action.NOT_STARTED


def test_two_steps_in_a_row_wait_for_the_second() -> None:
    twice = CallRule(steps_in_a_row=2)

    first = moved(so_far(None, None, 0.1, 0.97), rule=twice)
    second = moved(so_far(None, None, 0.1, 0.97, 0.98), rule=twice)

    assert (first.action, second.action) == (Action.LOWER, Action.CLOSING_PASSED)
    assert "2 steps in a row" in move_words(first)


@pytest.mark.parametrize(
    "faulty",
    [
        {"call_at": 1.0},
        {"doubt_at": 0.95},
        {"fewest_readings": 0},
        {"steps_in_a_row": 0},
        {"fewest_steps": 2},
    ],
)
def test_a_rule_that_cannot_be_is_refused(faulty: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="call rule"):
        CallRule(**faulty)  # type: ignore[arg-type]


def test_steps_that_rise_are_refused() -> None:
    with pytest.raises(ValueError, match="must fall"):
        moved([StepSoFar(10, 2, None), StepSoFar(12, 2, None)])


@pytest.mark.parametrize(("passed", "words"), [(0.0004, "under 1 %"), (0.9996, "over 99 %"), (0.37, "37 %")])
def test_no_probability_is_shown_as_nought_or_certainty(passed: float, words: str) -> None:
    assert words in move_words(moved(so_far(None, None, 0.1, passed)))


CHANCES = st.lists(st.floats(0, 1), min_size=3, max_size=12)


@given(CHANCES, st.integers(1, 3), st.integers(1, 3))
def test_a_stricter_rule_never_calls_where_a_looser_one_does_not(
    chances: list[float], readings: int, in_a_row: int
) -> None:
    steps = so_far(*chances, readings=readings)
    loose = CallRule(call_at=0.8, fewest_readings=1, steps_in_a_row=1)
    strict = CallRule(call_at=0.95, fewest_readings=2, steps_in_a_row=in_a_row)

    assert closing_called(steps, loose) or not closing_called(steps, strict)


@given(CHANCES)
def test_a_fall_that_rests_on_one_reading_never_calls_closing(chances: list[float]) -> None:
    unsure = [min(chance, 0.89) for chance in chances[:-1]]

    assert moved(so_far(*unsure, chances[-1], last=1), lowest=-20.0).action is not Action.CLOSING_PASSED


def test_single_readings_of_several_steps_that_are_as_sure_call_closing_together() -> None:
    assert moved(so_far(0.0, 0.0, 0.95, readings=1)).action is not Action.CLOSING_PASSED
    assert moved(so_far(0.0, 0.0, 0.95, 0.95, readings=1)).action is Action.CLOSING_PASSED


def curve(values: Sequence[float], *, noise: float, seed: int, readings: int = 2) -> list[CurveStep]:
    """Steps from 20 down by 2 with relative noise on each reading."""
    random = np.random.default_rng(seed)
    return [
        CurveStep(20.0 - 2 * index, tuple((value * (1 + noise * random.standard_normal(readings))).tolist()))
        for index, value in enumerate(values)
    ]


def called_at(steps: Sequence[CurveStep], rule: CallRule) -> int | None:
    told = asked(steps)
    return next((seen for seen in range(1, len(told) + 1) if closing_called(told[:seen], rule)), None)


FALLS = (40.0, 41.0, 42.0, 42.0, 36.0, 31.0, 27.0)
FLAT = (40.0, 41.0, 42.0, 42.0, 42.0, 42.0, 42.0)
SEEDS = range(12)


def test_a_clear_fall_is_called_at_its_step_or_soon_after_and_never_before() -> None:
    calls = [called_at(curve(FALLS, noise=0.01, seed=seed), CallRule()) for seed in SEEDS]

    # The fifth step is the first that has fallen; a fall counts once the next step has not taken it back.
    assert all(call is not None and 5 <= call <= 6 for call in calls)


def test_a_flat_curve_is_hardly_ever_called() -> None:
    calls = [called_at(curve(FLAT, noise=0.02, seed=seed), CallRule()) for seed in SEEDS]

    assert sum(call is not None for call in calls) <= 1


@pytest.mark.parametrize("seed", SEEDS)
def test_one_more_reading_settles_a_spoiled_single_reading(seed: int) -> None:
    steps = curve(FLAT[:4], noise=0.01, seed=seed)
    spoiled = moved(asked([*steps, CurveStep(12.0, (38.0,))]))
    read_again = moved(asked([*steps, CurveStep(12.0, (38.0, 42.0))]))

    assert (spoiled.action, spoiled.next_peep_cmh2o) == (Action.READ_AGAIN, 12.0)
    assert (read_again.action, read_again.next_peep_cmh2o) == (Action.LOWER, 10.0)
    assert (read_again.passed or 0.0) < 0.5 <= (spoiled.passed or 0.0)


def test_asking_for_two_steps_in_a_row_calls_later_and_by_no_more_than_one_step_on_a_clear_fall() -> None:
    once = [called_at(curve(FALLS, noise=0.01, seed=seed), CallRule()) for seed in SEEDS]
    twice = [called_at(curve(FALLS, noise=0.01, seed=seed), CallRule(steps_in_a_row=2)) for seed in SEEDS]

    assert all(a is not None and b is not None and b == a + 1 for a, b in zip(once, twice, strict=True))


ABOVE = [CurveStep(peep, (value, value)) for peep, value in ((18.0, 36.0), (16.0, 38.0), (14.0, 40.0), (12.0, 40.0))]


@pytest.mark.parametrize("compliance", [33.0, 30.0, 24.0, 20.0, 10.0])
def test_a_confirmed_fall_however_large_is_not_lowered_past(compliance: float) -> None:
    move = moved(asked([*ABOVE, CurveStep(10.0, (compliance, compliance, compliance))]))

    assert move.action in (Action.LOOK_FIRST, Action.CLOSING_PASSED)
    assert move.next_peep_cmh2o is None
    assert not move.lowering_is_useful


def test_a_single_reading_far_below_is_read_again_whatever_its_probability() -> None:
    move = moved(asked([*ABOVE, CurveStep(10.0, (20.0,))]))

    assert (move.action, move.next_peep_cmh2o) == (Action.READ_AGAIN, 10.0)
