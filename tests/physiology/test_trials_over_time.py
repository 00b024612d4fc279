"""Several trials of one patient: more than noise, or not?"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.after.trials import PastTrial, Shift, follow_trials
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.trial.steps import ComplianceKind
from ebbmark.words.after_trial import trial_change_words, trial_words, trials_words
from trials import START_S, closing_at

DAY_S = 86400.0
FITTED = (38.0, 40.0, 41.0, 42.0, 41.5, 36.0, 31.0, 27.0)


def past(
    peep: float | None,
    day: int,
    *,
    scale: float = 1.0,
    kind: ComplianceKind = ComplianceKind.STATIC_COMPUTED,
    suggested: float | None = None,
    verdict: Verdict = Verdict.FOUND,
) -> PastTrial:
    closing = closing_at(peep, fitted=[scale * value for value in FITTED], verdict=verdict)
    return PastTrial(START_S + day * DAY_S, closing, kind, suggested if suggested or peep is None else peep + 2)


def spread(closing: Closing, shares: dict[float, float]) -> Closing:
    steps = tuple(replace(step, probability=shares.get(step.peep_cmh2o, 0.0)) for step in closing.steps)
    return replace(closing, steps=steps)


def test_a_closing_pressure_that_rose_for_certain_is_said_to_be_higher() -> None:
    followed = follow_trials([past(8, 0), past(12, 1)])
    (told,) = trial_change_words(followed)

    assert followed.changes[0].closing is Shift.HIGHER
    assert "closing was higher: 12 cmH2O, after 8 " in told


def test_neighbouring_steps_with_overlapping_estimates_are_noise() -> None:
    first, second = past(10, 0), past(8, 1)
    first = replace(first, closing=spread(first.closing, {10.0: 0.5, 8.0: 0.4}))
    second = replace(second, closing=spread(second.closing, {10.0: 0.4, 8.0: 0.5}))

    followed = follow_trials([first, second])
    (told,) = trial_change_words(followed)

    assert followed.changes[0].closing is Shift.WITHIN_NOISE
    assert "no more than noise" in told


def test_the_probabilities_of_a_shift_follow_from_the_two_estimates() -> None:
    first, second = past(10, 0), past(8, 1)
    first = replace(first, closing=spread(first.closing, {10.0: 0.75, 8.0: 0.25}))
    second = replace(second, closing=spread(second.closing, {10.0: 0.5, 8.0: 0.5}))

    change = follow_trials([first, second]).changes[0]

    assert (change.higher, change.same, change.lower) == pytest.approx((0.125, 0.5, 0.375))


def test_a_trial_in_which_closing_was_not_reached_is_not_compared() -> None:
    change = follow_trials([past(10, 0), past(None, 1, verdict=Verdict.NOT_REACHED)]).changes[0]

    assert (change.closing, change.higher, change.lower) == (Shift.NOT_COMPARABLE, 0.0, 0.0)


def test_a_compliance_that_fell_by_a_third_is_more_than_noise_and_by_a_twentieth_is_not() -> None:
    large = follow_trials([past(10, 0), past(10, 1, scale=0.66)]).changes[0]
    small = follow_trials([past(10, 0), past(10, 1, scale=0.95)]).changes[0]

    assert (large.compliance, small.compliance) == (Shift.LOWER, Shift.WITHIN_NOISE)


def test_static_and_dynamic_compliances_are_not_compared() -> None:
    change = follow_trials([past(10, 0), past(10, 1, kind=ComplianceKind.DYNAMIC_COMPUTED)]).changes[0]

    assert change.compliance is Shift.NOT_COMPARABLE


def test_a_suggestion_between_two_steps_has_no_compliance_in_the_table() -> None:
    row = follow_trials([past(10, 0, suggested=13.0)]).trials[0]

    assert row.at_suggestion is None


def test_each_row_tells_closing_interval_suggestion_and_compliance() -> None:
    row = follow_trials([past(10, 0)]).trials[0]

    assert trial_words(row, "") == (
        "Closing at 10 cmH2O (90 % interval the step of 10 alone). Suggested PEEP 12 cmH2O. Static compliance there "
        "about 42 mL/cmH2O (90 % band 41 to 42)."
    )


def test_trials_are_laid_out_oldest_first_in_whatever_order_they_come() -> None:
    trials = [past(12, 2), past(8, 0), past(10, 1)]

    followed = follow_trials(trials)

    assert [trial.closing.peep_cmh2o for trial in followed.trials] == [8, 10, 12]
    assert follow_trials(trials[::-1]) == followed


def test_one_trial_leaves_nothing_to_compare() -> None:
    assert "nothing to compare" in trials_words(follow_trials([past(10, 0)]), most=9, unread_before_s=None)


SHARES = st.dictionaries(st.sampled_from((20.0, 16.0, 12.0, 8.0)), st.floats(0.01, 1.0), min_size=1)


@given(SHARES, SHARES)
def test_the_three_probabilities_sum_to_one_and_turn_round_with_the_trials(
    one: dict[float, float], two: dict[float, float]
) -> None:
    early = replace(past(10, 0), closing=spread(closing_at(10), one))
    late = replace(past(10, 1), closing=spread(closing_at(10), two))
    there = follow_trials([early, late]).changes[0]
    back = follow_trials([replace(late, at_s=START_S), replace(early, at_s=START_S + DAY_S)]).changes[0]

    assert there.higher + there.same + there.lower == pytest.approx(1.0)
    assert (there.higher, there.lower) == pytest.approx((back.lower, back.higher))


def test_a_compliance_that_rose_by_a_third_is_more_than_noise() -> None:
    assert follow_trials([past(10, 0), past(10, 1, scale=1.4)]).changes[0].compliance is Shift.HIGHER


def test_a_shift_is_told_with_its_probability_and_how_much_later() -> None:
    first, second = past(12, 0), past(8, 3)
    second = replace(second, closing=spread(second.closing, {12.0: 0.05, 8.0: 0.95}))

    followed = follow_trials([first, second])
    (told,) = trial_change_words(followed)

    assert followed.changes[0].closing is Shift.LOWER
    assert told.startswith("3.0 days later closing was lower: 8 cmH2O, after 12 (probability 95 %).")


def test_within_two_days_hours_are_told() -> None:
    assert trial_change_words(follow_trials([past(8, 0), past(12, 1)]))[0].startswith("24 h later")


def test_what_a_trial_could_not_tell_is_told_in_its_row() -> None:
    rows = [past(None, 0, verdict=verdict) for verdict in Verdict if verdict is not Verdict.FOUND]

    assert [trial_words(row, "") for row in follow_trials(rows).trials] == [
        "Closing was not reached in this trial.",
        "Compliance fell from the first step of this trial on.",
        "The closing pressure of this trial is not clear.",
    ]
