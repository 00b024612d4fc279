"""The rule that says when to stop lowering PEEP, fed step by step."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pytest

from ebbmark.physiology.closing.decision import expected_losses
from ebbmark.physiology.closing.estimator import closing_passed, estimate_closing
from ebbmark.physiology.closing.result import NO_ANSWER, STOP_LIMIT, CurveStep, Verdict, should_stop_lowering

CLOSES_AT_11 = (30.0, 31.0, 32.0, 32.5, 33.0, 33.0, 27.0, 24.0, 22.0)
NEVER_CLOSES = (24.0, 25.0, 26.0, 26.8, 27.5, 28.1, 28.6, 29.0, 29.3)


def limb(compliances: Sequence[float]) -> list[CurveStep]:
    return [CurveStep(23.0 - 2.0 * k, (c, 1.01 * c, 0.99 * c)) for k, c in enumerate(compliances)]


def noisy_limb(compliances: Sequence[float], seed: int) -> list[CurveStep]:
    noise = np.random.default_rng(seed).normal(0.0, 0.03, (len(compliances), 3))
    return [CurveStep(23.0 - 2.0 * k, tuple((c * np.exp(noise[k])).tolist())) for k, c in enumerate(compliances)]


def after_each_step(steps: Sequence[CurveStep]) -> list[float]:
    return [closing_passed(steps[: seen + 1]) for seen in range(len(steps))]


def first_call(passed: Sequence[float], limit: float, in_a_row: int) -> int | None:
    calls = (
        seen for seen in range(len(passed)) if should_stop_lowering(passed[: seen + 1], limit=limit, in_a_row=in_a_row)
    )
    return next(calls, None)


def test_before_the_third_step_nothing_is_known() -> None:
    assert after_each_step(limb(CLOSES_AT_11))[:2] == [0.0, 0.0]


def test_while_compliance_rises_closing_is_not_passed() -> None:
    assert max(after_each_step(limb(NEVER_CLOSES))) < 0.1


def test_the_call_to_stop_comes_at_or_after_the_closing_step_and_within_one_step() -> None:
    call = first_call(after_each_step(limb(CLOSES_AT_11)), limit=0.9, in_a_row=1)

    assert call is not None
    assert 6 <= call <= 7


def test_two_in_a_row_call_no_earlier_than_one() -> None:
    passed = after_each_step(limb(CLOSES_AT_11))
    once, twice = (first_call(passed, limit=0.9, in_a_row=many) for many in (1, 2))

    assert once is not None
    assert twice is not None
    assert twice >= once


def test_a_higher_limit_trades_fewer_false_calls_for_later_ones() -> None:
    limits = (0.3, 0.98)
    false_calls, delays = dict.fromkeys(limits, 0), dict.fromkeys(limits, 0)
    for seed in range(40):
        never, closes = (after_each_step(noisy_limb(true, seed)) for true in (NEVER_CLOSES[:5] * 2, CLOSES_AT_11))
        for limit in limits:
            early = first_call(never[:5], limit, 1)
            false_calls[limit] += early is not None
            call = first_call(closes, limit, 1)
            delays[limit] += len(CLOSES_AT_11) if call is None else call

    assert false_calls[0.98] <= false_calls[0.3]
    assert delays[0.98] > delays[0.3]


def drawn_limbs() -> Iterator[list[CurveStep]]:
    """Limbs of many lengths that close anywhere, or never, by a little or a lot."""
    for seed in range(60):
        rng = np.random.default_rng(seed)
        count, loss = int(rng.integers(4, 13)), float(rng.uniform(0.0, 0.12))
        begins = int(rng.integers(1, count + 2))
        logs = np.array([0.02 * min(k, begins) - loss * max(k - begins, 0) for k in range(count)])
        rows = 34.0 * np.exp(logs[:, None] + rng.normal(0.0, 0.025, (count, 1 + seed % 4)))
        yield [CurveStep(25.0 - 2.0 * k, tuple(row)) for k, row in enumerate(rows.tolist())]


def test_where_closing_is_called_passed_the_titration_never_says_not_reached() -> None:
    called = [limb for limb in drawn_limbs() if closing_passed(limb) >= STOP_LIMIT]

    assert len(called) >= 15
    assert Verdict.NOT_REACHED not in {estimate_closing(limb).verdict for limb in called}


def test_where_the_titration_names_a_closing_pressure_a_step_below_it_closing_counts_as_passed() -> None:
    chances = [
        closing_passed(limb)
        for limb in drawn_limbs()
        if (named := estimate_closing(limb).peep_cmh2o) is not None and named > limb[-1].peep_cmh2o
    ]

    assert len(chances) >= 15
    assert min(chances) >= STOP_LIMIT


def test_the_limit_is_where_a_call_in_vain_costs_as_much_as_no_answer() -> None:
    losses = expected_losses(np.array([1.0 - STOP_LIMIT, 0.0, STOP_LIMIT]))

    assert losses[2] == NO_ANSWER


def test_steps_that_are_no_limb_call_nothing() -> None:
    steps = limb(CLOSES_AT_11)

    assert closing_passed([*steps, steps[0]]) == 0.0


def test_a_reading_that_cannot_be_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="must be positive and finite"):
        closing_passed([CurveStep(10.0, (0.0,))])


@pytest.mark.parametrize(("limit", "in_a_row"), [(0.0, 1), (1.1, 1), (0.9, 0)])
def test_a_limit_that_is_no_probability_is_a_mistake_of_the_caller(limit: float, in_a_row: int) -> None:
    with pytest.raises(ValueError, match="limit must lie"):
        should_stop_lowering([0.5], limit=limit, in_a_row=in_a_row)
