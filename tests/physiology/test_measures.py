"""When is a difference more than noise, and in which words?"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.after.comparison import (
    ASSUMED_NOISE,
    ChangeVerdict,
    Figure,
    Measure,
    MeasureChange,
    Noise,
    judge_change,
    noise_of_difference,
)
from ebbmark.words.comparison import measure_change_words

POSITIVE = st.floats(1.0, 500.0)


def judged(measure: Measure, before: float | None, after: float | None) -> MeasureChange:
    first, second = (None if one is None else Figure(one, 1, ()) for one in (before, after))
    return judge_change(measure, first, second)


def test_every_measure_has_a_noise_figure_that_says_where_it_comes_from() -> None:
    assert set(ASSUMED_NOISE) == set(Measure)
    assert all("no published source" in noise.source and noise.assumed for noise in ASSUMED_NOISE.values())


def test_two_readings_with_one_standard_deviation_each_differ_by_less_than_2_77_nineteen_times_in_twenty() -> None:
    band = noise_of_difference(Noise(0.0, 1.0, "ours"), before=10.0, after=10.0)

    assert band == pytest.approx(1.96 * 2**0.5, abs=1e-3)


def test_four_readings_on_each_side_halve_the_noise() -> None:
    noise = Noise(0.05, 0.0, "ours")
    single = noise_of_difference(noise, before=40.0, after=40.0)

    assert noise_of_difference(noise, before=40.0, after=40.0, readings_before=4, readings_after=4) == pytest.approx(
        single / 2
    )


def test_a_small_rise_of_compliance_is_called_noise() -> None:
    assert judged(Measure.COMPLIANCE, 40.0, 42.0).verdict is ChangeVerdict.WITHIN_NOISE


def test_a_large_rise_of_compliance_is_better_and_a_large_rise_of_driving_pressure_is_worse() -> None:
    assert judged(Measure.COMPLIANCE, 30.0, 40.0).verdict is ChangeVerdict.IMPROVED
    assert judged(Measure.DRIVING_PRESSURE, 10.0, 14.0).verdict is ChangeVerdict.WORSE


def test_a_risen_arterial_pressure_is_not_called_better_and_a_fallen_one_is_worse() -> None:
    rise = judged(Measure.MEAN_ARTERIAL_PRESSURE, 65.0, 85.0)
    fall = judged(Measure.MEAN_ARTERIAL_PRESSURE, 85.0, 65.0)

    assert (rise.verdict, fall.verdict) == (ChangeVerdict.CHANGED, ChangeVerdict.WORSE)


def test_what_is_not_known_on_one_side_is_not_compared() -> None:
    change = judged(Measure.PF_RATIO, None, 150.0)

    assert change.verdict is ChangeVerdict.NOT_KNOWN
    assert measure_change_words(change) == "P/F is not known before, so it is not compared."


def test_the_sentence_gives_both_values_the_noise_and_that_it_is_assumed() -> None:
    sentence = measure_change_words(judged(Measure.PF_RATIO, 100.0, 180.0))

    assert "100 mmHg before, 180 mmHg after" in sentence
    assert "(assumed)" in sentence


@given(before=POSITIVE, after=POSITIVE)
def test_turning_a_comparison_round_turns_better_into_worse(before: float, after: float) -> None:
    there = judged(Measure.COMPLIANCE, before, after).verdict
    back = judged(Measure.COMPLIANCE, after, before).verdict
    turned = {ChangeVerdict.IMPROVED: ChangeVerdict.WORSE, ChangeVerdict.WORSE: ChangeVerdict.IMPROVED}

    assert back is turned.get(there, there)


def test_the_assumed_noise_of_driving_pressure_follows_from_wander_and_rounding() -> None:
    assert ASSUMED_NOISE[Measure.DRIVING_PRESSURE].absolute == pytest.approx((2 * (0.3**2 + 1 / 12)) ** 0.5, abs=0.05)


def test_the_other_assumed_noise_figures_follow_from_their_parts_rounded_up() -> None:
    compliance = (0.02**2 + (0.6 / 14) ** 2) ** 0.5
    ventilatory_ratio = (0.03**2 + (2.0 / 40) ** 2) ** 0.5
    power = (0.02**2 + 0.03**2) ** 0.5

    assert compliance <= ASSUMED_NOISE[Measure.COMPLIANCE].relative < compliance + 0.01
    assert ventilatory_ratio <= ASSUMED_NOISE[Measure.VENTILATORY_RATIO].relative < ventilatory_ratio + 0.01
    assert power <= ASSUMED_NOISE[Measure.MECHANICAL_POWER].relative < power + 0.01


@pytest.mark.parametrize(
    ("measure", "shown"),
    [
        (Measure.COMPLIANCE, "32.3 mL/cmH2O"),
        (Measure.DRIVING_PRESSURE, "32.3 cmH2O"),
        (Measure.PF_RATIO, "32 mmHg"),
        (Measure.VENTILATORY_RATIO, "32.26"),
        (Measure.MECHANICAL_POWER, "32.3 J/min"),
    ],
)
def test_each_figure_is_printed_as_finely_as_it_is_measured(measure: Measure, shown: str) -> None:
    assert measure.show(32.26) == shown
