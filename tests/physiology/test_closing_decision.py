"""The answer with the smallest expected loss, at the losses that the module states."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.closing.decision import expected_losses, stated

NO_ANSWER = 0.8


def loss(answer: int, truth: int) -> float:
    """The module's table, written down row by row: 0 is not reached, 1 falling from the first step, then the steps."""
    if answer == truth:
        return 0.0
    if answer == 0:
        return 2.4
    if truth == 0:
        return 8.0
    too_low = answer - truth
    if truth == 1:
        return max(6.0, 1.1 if too_low == 1 else 8.0)
    if too_low > 0:
        return 1.1 if too_low == 1 else 8.0
    return 1.0 if too_low == -1 else 4.0


@given(st.lists(st.integers(0, 100), min_size=3, max_size=14).filter(any))
def test_each_answer_is_charged_what_the_table_says(counts: list[int]) -> None:
    events = [count / sum(counts) for count in counts]

    slow = [sum(loss(answer, truth) * p for truth, p in enumerate(events)) for answer in range(len(events))]

    assert expected_losses(np.array(events)) == pytest.approx(slow, abs=2e-6)


def test_of_two_equally_probable_neighbours_the_higher_is_named() -> None:
    losses = expected_losses(np.array([0.0, 0.0, 0.5, 0.5, 0.0]))

    assert losses[2] < losses[3] < NO_ANSWER


def test_what_may_lie_far_above_forbids_a_name() -> None:
    assert min(expected_losses(np.array([0.0, 0.0, 0.2, 0.0, 0.0, 0.8]))) > NO_ANSWER


@given(st.lists(st.floats(0.0, 1.0), min_size=3, max_size=20).filter(lambda values: sum(values) > 0.1))
def test_rounded_probabilities_still_sum_to_one(values: list[float]) -> None:
    rounded = stated(np.array(values) / sum(values))

    assert sum(rounded) == pytest.approx(1.0, abs=1e-12)
    assert all(0.0 <= value <= 1.0 for value in rounded)
