"""The closing pressure: what may be stated, what may not, and what is a mistake of the caller."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import Closing, CurveStep, Evidence, Shape, Verdict
from ebbmark.words.messages import spell

LIMB = (23.0, 21.0, 19.0, 17.0, 15.0, 13.0, 11.0, 9.0, 7.0, 5.0)
ABRUPT_AT_11 = (34.0, 34.3, 34.2, 34.6, 34.4, 34.7, 27.0, 25.2, 24.1, 23.0)
GRADUAL = (38.0, 38.3, 38.5, 38.4, 38.0, 37.0, 35.4, 33.0, 30.2, 27.5)
RISING = (22.0, 23.1, 24.3, 25.2, 26.4, 27.3, 28.5, 29.4, 30.4, 31.3)
FALLING = (40.0, 36.1, 32.9, 30.2, 28.0, 26.3, 25.0, 24.1, 23.4, 22.9)
WOBBLE = (1.004, 0.997, 1.001)


def limb(
    compliances: Sequence[float], peeps: Sequence[float] = LIMB, wobble: Sequence[float] = WOBBLE
) -> list[CurveStep]:
    return [
        CurveStep(peep, tuple(value * factor for factor in wobble))
        for peep, value in zip(peeps, compliances, strict=True)
    ]


def spoil(steps: Sequence[CurveStep], index: int, factor: float) -> list[CurveStep]:
    spoiled = tuple(value * factor for value in steps[index].compliances_ml_per_cmh2o)
    return [CurveStep(step.peep_cmh2o, spoiled) if place == index else step for place, step in enumerate(steps)]


def total(closing: Closing) -> float:
    return sum(step.probability for step in closing.steps) + closing.not_reached + closing.falling_from_first_step


def test_a_sudden_lasting_fall_is_found_at_its_step() -> None:
    closing = estimate_closing(limb(ABRUPT_AT_11))

    assert closing.verdict is Verdict.FOUND
    assert closing.peep_cmh2o == 11.0
    assert closing.interval_cmh2o is not None
    assert closing.interval_cmh2o[0] <= 11.0 <= closing.interval_cmh2o[1]
    assert closing.shape is Shape.ABRUPT
    assert closing.evidence is Evidence.STRONG


def test_a_slow_lasting_fall_is_found_and_called_gradual() -> None:
    closing = estimate_closing(limb(GRADUAL))

    assert closing.verdict is Verdict.FOUND
    assert closing.peep_cmh2o == 11.0
    assert closing.shape is Shape.GRADUAL


def test_compliance_that_rises_to_the_last_step_has_not_closed() -> None:
    closing = estimate_closing(limb(RISING))

    assert closing.verdict is Verdict.NOT_REACHED
    assert closing.peep_cmh2o is None
    assert closing.interval_cmh2o is None
    assert closing.shape is None


def test_compliance_that_falls_at_once_has_no_better_step_above() -> None:
    closing = estimate_closing(limb(FALLING))

    assert closing.verdict is Verdict.FALLING_FROM_FIRST_STEP
    assert closing.peep_cmh2o is None


def test_a_fall_that_comes_back_is_not_closing() -> None:
    closing = estimate_closing(spoil(limb(RISING), 4, 0.8))

    assert closing.verdict is Verdict.NOT_REACHED


def test_a_spoiled_step_above_closing_does_not_move_it() -> None:
    closing = estimate_closing(spoil(limb(ABRUPT_AT_11), 3, 0.75))

    assert closing.peep_cmh2o == 11.0


def test_one_wild_reading_among_several_does_not_make_a_fall() -> None:
    steps = limb(RISING, wobble=(1.01, 0.99, 1.0, 1.005, 0.995))
    wild = CurveStep(15.0, (*steps[4].compliances_ml_per_cmh2o[:4], 9.0))

    closing = estimate_closing([*steps[:4], wild, *steps[5:]])

    assert closing.verdict is Verdict.NOT_REACHED


def test_constant_compliance_has_not_closed_and_names_no_number() -> None:
    closing = estimate_closing(limb((30.0,) * 10, wobble=(1.0,)))

    assert closing.verdict in (Verdict.NOT_REACHED, Verdict.INDETERMINATE)
    assert closing.peep_cmh2o is None


@pytest.mark.parametrize("count", [1, 2])
def test_two_steps_are_too_few(count: int) -> None:
    closing = estimate_closing(limb(ABRUPT_AT_11[-count:], LIMB[-count:]))

    assert closing.verdict is Verdict.INDETERMINATE
    assert "too short" in spell(closing.why)
    assert len(closing.steps) == count


def test_no_steps_at_all_are_too_few() -> None:
    assert estimate_closing([]).verdict is Verdict.INDETERMINATE


@pytest.mark.parametrize("peeps", [(15.0, 13.0, 13.0, 11.0, 9.0), (15.0, 13.0, 14.0, 11.0, 9.0)])
def test_peep_that_does_not_fall_at_each_step_is_no_limb(peeps: tuple[float, ...]) -> None:
    closing = estimate_closing(limb((34.0, 34.0, 33.9, 27.0, 25.0), peeps))

    assert closing.verdict is Verdict.INDETERMINATE
    assert "one decremental limb" in spell(closing.why)
    assert closing.peep_cmh2o is None


def test_more_steps_than_a_trial_has_are_no_limb() -> None:
    peeps = [40.0 - place for place in range(31)]

    assert "not one decremental limb" in spell(estimate_closing(limb([30.0] * 31, peeps)).why)


def test_the_longest_limb_is_answered() -> None:
    peeps = [40.0 - place for place in range(30)]
    true = [30.0 + 0.2 * min(place, 20) - 1.5 * max(place - 20, 0) for place in range(30)]

    closing = estimate_closing(limb(true, peeps))

    assert closing.peep_cmh2o is not None
    assert abs(closing.peep_cmh2o - 18.0) <= 1.0


@pytest.mark.parametrize(
    ("peeps", "words"),
    [((15.0, 14.9, 13.0), "cannot be told apart"), ((90.0, 60.0, 20.0), "not a PEEP trial")],
)
def test_steps_that_no_trial_has_are_not_judged(peeps: tuple[float, ...], words: str) -> None:
    closing = estimate_closing(limb((30.0, 29.0, 20.0), peeps))

    assert closing.verdict is Verdict.INDETERMINATE
    assert words in spell(closing.why)


@pytest.mark.parametrize("value", [0.0, -3.0, math.inf, math.nan])
def test_a_compliance_that_cannot_be_is_a_mistake_of_the_caller(value: float) -> None:
    steps = [*limb(ABRUPT_AT_11)[:-1], CurveStep(5.0, (value,))]

    with pytest.raises(ValueError, match="compliance at PEEP 5 must be positive and finite"):
        estimate_closing(steps)


def test_a_step_without_readings_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="no reading at PEEP 5"):
        estimate_closing([*limb(ABRUPT_AT_11)[:-1], CurveStep(5.0, ())])


@pytest.mark.parametrize("fall", [0.0, -0.1, 0.9, math.nan])
def test_a_fall_that_is_no_share_is_a_mistake_of_the_caller(fall: float) -> None:
    with pytest.raises(ValueError, match="fall must lie between"):
        estimate_closing(limb(ABRUPT_AT_11), fall=fall)


def test_one_step_with_500_readings_among_single_ones_is_answered() -> None:
    steps = limb(ABRUPT_AT_11, wobble=(1.0,))
    crowd = CurveStep(LIMB[2], tuple(34.2 + 0.3 * math.sin(place) for place in range(500)))

    closing = estimate_closing([*steps[:2], crowd, *steps[3:]])

    assert closing.peep_cmh2o == 11.0


@pytest.mark.parametrize("compliances", [GRADUAL, (34.0, 34.4, 34.5, 34.2, 33.1, 31.6, 30.0, 28.5, 27.0, 25.6)])
def test_dynamic_compliance_makes_the_answer_less_sure(compliances: tuple[float, ...]) -> None:
    static, dynamic = (
        max(step.probability for step in estimate_closing(limb(compliances), dynamic=kind).steps)
        for kind in (False, True)
    )

    assert dynamic < static


def test_a_larger_fall_is_reached_no_sooner() -> None:
    five, fifteen = (estimate_closing(limb(GRADUAL), fall=fall) for fall in (0.05, 0.15))

    assert five.peep_cmh2o is not None
    assert fifteen.peep_cmh2o is not None
    assert fifteen.peep_cmh2o < five.peep_cmh2o


@pytest.mark.parametrize("compliances", [ABRUPT_AT_11, GRADUAL, RISING, FALLING])
def test_all_probabilities_sum_to_one(compliances: tuple[float, ...]) -> None:
    assert total(estimate_closing(limb(compliances))) == pytest.approx(1.0, abs=1e-12)


def test_indeterminate_says_why_in_a_sentence() -> None:
    noisy = (34.0, 28.0, 37.0, 30.0, 35.5, 27.0, 33.0, 26.5, 33.0, 29.0)

    closing = estimate_closing(limb(noisy, wobble=(1.0,)))

    assert closing.verdict is Verdict.INDETERMINATE
    assert spell(closing.why).endswith(".")
    assert closing.evidence is Evidence.WEAK
