"""The default protocol's limits, written out once more with their sources, and each on both sides.

ARDS Network, N Engl J Med 2000;342:1301-8: plateau 30 cmH2O, 6 mL/kg of 4 to 8. Amato et al, N Engl J Med
2015;372:747-55: driving pressure 15 cmH2O, an association. Berlin definition, JAMA 2012;307:2526-33: PEEP of 5
cmH2O. Margins: common practice, no published source. The rest is this project's choice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from ebbmark.physiology.advice import Advice, advise
from ebbmark.physiology.closing.result import Shape
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from patients import slugs, titrated
from trials import START_S, STEP_S, charted_row, closing_at, reading, staircase_down, trial_of

PEEPS = (20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0)
HEIGHT_CM = 152.4
VOLUME_ML = 300.0
"""Six millilitres per kilogram of a man of 152.4 cm, whose predicted weight is 50 kg."""


def advice_at(
    compliance: float = 30.0,
    *,
    closing: float = 10.0,
    peeps: Sequence[float] = PEEPS,
    volume: float = VOLUME_ML,
    more: Sequence[Reading] = (),
    shape: Shape = Shape.ABRUPT,
    **limits: float,
) -> Advice:
    """Closing at 10 cmH2O in a man of 50 kg whose fitted compliance is the same at every step.

    At 30 mL/cmH2O and 12 cmH2O driving pressure is 10 and plateau 22 cmH2O, without rounding.
    """
    fitted = (compliance,) * len(peeps)
    trial = trial_of([*staircase_down(peeps, fitted, volume=volume), *more])
    protocol = replace(DEFAULT_PROTOCOL, **limits)  # type: ignore[arg-type]
    estimate = closing_at(closing, peeps=peeps, fitted=fitted, shape=shape)
    return advise(height_cm=HEIGHT_CM, sex=Sex.MALE, trial=trial, closing=estimate, protocol=protocol)


def at_each_step(quantity: Quantity, value: Callable[[float], float]) -> list[Reading]:
    return [
        reading(quantity, value(peep), START_S + index * STEP_S + after_s, 3000 + 10 * index + after_s)
        for index, peep in enumerate(PEEPS)
        for after_s in (60, 100)
    ]


def why(advice: Advice) -> str:
    return "" if advice.why is None else advice.why.slug


def beyond(advice: Advice, peep: float = 12.0) -> list[str]:
    return [one.slug for row in advice.what_if if row.peep_cmh2o == peep for one in row.beyond]


def found(advice: Advice) -> list[str]:
    return [finding.slug for finding in advice.findings]


@pytest.mark.parametrize(("driving", "named"), [(14.9, False), (15.1, True)])
def test_driving_pressure_is_named_above_15(driving: float, named: bool) -> None:
    assert ("driving-pressure-above-limit" in found(advice_at(VOLUME_ML / driving))) is named


@pytest.mark.parametrize(("plateau", "lowered"), [(29.9, False), (30.1, True)])
def test_the_rung_is_lowered_above_a_plateau_of_30(plateau: float, lowered: bool) -> None:
    assert ("plateau-above-limit" in found(advice_at(VOLUME_ML / (plateau - 12.0)))) is lowered


@pytest.mark.parametrize(("plateau", "named"), [(30.0, False), (30.5, True)])
def test_a_plateau_during_the_trial_is_named_above_30(plateau: float, named: bool) -> None:
    rows = staircase_down(compliances=(420 / (plateau - 20.0), 44, 44, 44, 44, 36, 31, 27))

    advice = advise(
        height_cm=175.0, sex=Sex.MALE, trial=trial_of(rows), closing=closing_at(10.0), protocol=DEFAULT_PROTOCOL
    )
    assert ("plateau-above-limit-during-trial" in found(advice)) is named


@pytest.mark.parametrize(("closing", "suggested"), [(2.9, None), (3.0, 5.0)])
def test_no_peep_below_5_is_suggested(closing: float, suggested: float | None) -> None:
    peeps = (17.0, 15.0, 13.0, 11.0, 9.0, 7.0, 5.0, closing)
    fitted = (38, 40, 41, 42, 42, 42, 41.5, 36)
    advice = advise(
        height_cm=175.0,
        sex=Sex.MALE,
        trial=trial_of(staircase_down(peeps, fitted)),
        closing=closing_at(closing, peeps=peeps, fitted=fitted),
        protocol=DEFAULT_PROTOCOL,
    )

    assert advice.suggested_peep_cmh2o == suggested


@pytest.mark.parametrize(("volume", "named"), [(VOLUME_ML * 1.24, False), (VOLUME_ML * 1.26, True)])
def test_a_volume_further_than_a_quarter_from_the_target_is_named(volume: float, named: bool) -> None:
    trial = trial_of(staircase_down(volume=volume))
    advice = advise(height_cm=HEIGHT_CM, sex=Sex.MALE, trial=trial, closing=closing_at(10.0), protocol=DEFAULT_PROTOCOL)

    assert ("volume-far-from-target" in found(advice)) is named


@pytest.mark.parametrize(("compliance", "used"), [(199.0, True), (201.0, False), (3.1, True), (2.9, False)])
def test_a_compliance_beyond_3_to_200_is_a_mistake_of_entry(compliance: float, used: bool) -> None:
    trial = read_trial(
        [
            row
            for index, peep in enumerate(PEEPS)
            for row in charted_row(
                peep,
                at_s=START_S + index * STEP_S,
                source=index,
                plateau=peep + 420 / (compliance if index == 3 else 40.0),
            )
        ],
        DEFAULT_PROTOCOL,
    )

    assert isinstance(trial, Trial)
    assert (14.0 in [step.peep_cmh2o for step in trial.steps]) is used


@pytest.mark.parametrize(("minutes", "as_before"), [(59.0, True), (61.0, False)])
def test_what_was_read_in_the_hour_before_tells_how_the_patient_was(minutes: float, as_before: bool) -> None:
    earlier = reading(Quantity.HEART_RATE, 158.0, START_S - 60 * minutes, 7000)

    answer = titrated({Quantity.HEART_RATE: 158.0}, more=[earlier])

    assert ("stop-limit-at-suggestion" in slugs(answer, "high")) is as_before


def test_a_setting_does_not_hold_before_it_was_made() -> None:
    later = reading(Quantity.PRESSURE_SUPPORT_SET, 10.0, START_S + 9 * STEP_S, 7000)

    assert titrated(more=[later]).advice.suggested_peep_cmh2o == 12


def test_a_pressure_that_rises_with_a_larger_volume_is_no_sign_of_a_broken_lung() -> None:
    rows = staircase_down((16, 14, 12), (40, 40, 40)) + staircase_down(
        (10, 8, 6), (30.5, 30, 29), start_s=START_S + 3 * STEP_S, volume=445.0
    )

    assert "pressure-rises-as-peep-falls" not in slugs(titrated(readings=rows))


A_BIT = 1e-6


@pytest.mark.parametrize("aside", [-A_BIT, 0.0, A_BIT])
class TestExactlyAtTheLimit:
    """A pressure at its limit keeps it; a PEEP at the least one is allowed. The limit is moved, the patient is not."""

    def test_of_driving_pressure(self, aside: float) -> None:
        advice = advice_at(driving_pressure_limit_cmh2o=10.0 + aside)

        assert ("driving-pressure-above-limit" in found(advice)) is (aside < 0)
        assert ("driving-pressure-beyond" in beyond(advice)) is (aside < 0)

    def test_of_plateau_at_the_target_volume(self, aside: float) -> None:
        assert ("plateau-above-limit" in found(advice_at(plateau_limit_cmh2o=22.0 + aside))) is (aside < 0)

    def test_of_plateau_at_the_lowest_volume(self, aside: float) -> None:
        advice = advice_at(20.0, plateau_limit_cmh2o=22.0 + aside)  # 200 mL, 10 cmH2O

        assert ("plateau-above-limit-at-any-volume" in beyond(advice)) is (aside < 0)
        assert (why(advice) == "withheld-plateau") is (aside < 0)

    def test_of_the_least_peep(self, aside: float) -> None:
        advice = advice_at(least_peep_cmh2o=12.0 + aside)

        assert (why(advice) == "withheld-below-least") is (aside > 0)
        assert ("below-least-peep" in beyond(advice)) is (aside > 0)

    def test_of_plateau_during_the_trial(self, aside: float) -> None:
        advice = advice_at(plateau_limit_cmh2o=30.0 + aside)  # at 20 cmH2O
        told = [finding for finding in advice.findings if finding.slug == "plateau-above-limit-during-trial"]

        assert [one.values["highest_cmh2o"] for one in told] == ([30.0] if aside < 0 else [])


@pytest.mark.parametrize(("limit", "weight"), [(21.9, "moderate"), (22.1, "low")])
def test_a_plateau_beyond_its_limit_above_the_suggestion_only_is_of_low_weight(limit: float, weight: str) -> None:
    told = [
        finding for finding in advice_at(plateau_limit_cmh2o=limit).findings if finding.slug.endswith("during-trial")
    ]

    assert [one.weight.value for one in told] == [weight]


@pytest.mark.parametrize(("above", "margin"), [(12.0, 2.0), (12.25, 2.0), (12.3, 2.3), (14.0, 4.0)])
def test_the_margin_reaches_to_the_last_step_before_the_fall(above: float, margin: float) -> None:
    advice = advice_at(peeps=(18.0, 16.0, above, 10.0, 8.0))

    assert advice.margin_cmh2o == pytest.approx(margin)
    assert ("coarse-steps" in found(advice)) is (margin > 2.0)


@pytest.mark.parametrize(("above", "withheld"), [(14.0, False), (14.1, True)])
def test_a_step_further_away_than_the_largest_margin_leaves_no_suggestion(above: float, *, withheld: bool) -> None:
    advice = advice_at(peeps=(20.0, 18.0, above, 10.0, 8.0))

    assert (why(advice) == "withheld-coarse-steps") is withheld
    assert ("beyond-largest-margin" in beyond(advice, above)) is withheld


@pytest.mark.parametrize(("volume", "named"), [(375.0, False), (376.0, True), (225.0, False), (224.0, True)])
def test_a_volume_a_quarter_away_is_not_yet_further(volume: float, *, named: bool) -> None:
    assert ("volume-far-from-target" in found(advice_at(volume=volume))) is named


@pytest.mark.parametrize(("intrinsic", "named"), [(0.49, False), (0.5, True)])
def test_intrinsic_peep_is_counted_in_words_from_half_a_cmh2o_on(intrinsic: float, *, named: bool) -> None:
    advice = advice_at(more=at_each_step(Quantity.PEEP_TOTAL, lambda peep: peep + intrinsic))

    assert advice.why is not None
    assert ("intrinsic" in advice.why.values) is named
    assert "total-peep-not-charted" not in found(advice)


def test_total_peep_that_was_not_charted_is_said_once() -> None:
    partly = reading(Quantity.PEEP_INTRINSIC, 1.0, START_S + 70, 3000)

    assert "total-peep-not-charted" in found(advice_at())
    assert found(advice_at(more=[partly])).count("intrinsic-peep-partly-known") == 1
    assert "total-peep-not-charted" not in found(advice_at(more=[partly]))


@pytest.mark.parametrize("shape", list(Shape))
def test_a_gradual_fall_alone_is_called_gradual(shape: Shape) -> None:
    assert ("gradual-closing" in found(advice_at(shape=shape))) is (shape is Shape.GRADUAL)


@pytest.mark.parametrize(("best", "named"), [(42.0, False), (42.01, True)])
def test_a_rise_of_five_per_cent_is_not_yet_relief(best: float, *, named: bool) -> None:
    fitted = (40.0, 41.0, best, 41.0, 40.0, 36.0, 31.0, 27.0)
    advice = advise(
        height_cm=HEIGHT_CM,
        sex=Sex.MALE,
        trial=trial_of(staircase_down(compliances=fitted)),
        closing=closing_at(10.0, fitted=fitted),
        protocol=DEFAULT_PROTOCOL,
    )

    assert ("overdistension-at-top" in found(advice)) is named


def test_the_suggestion_names_closing_its_interval_and_its_peep() -> None:
    advice = advice_at()

    assert advice.why is not None
    named = {name: advice.why.values[name] for name in ("closing_cmh2o", "low_cmh2o", "high_cmh2o", "peep_cmh2o")}
    assert named == {"closing_cmh2o": 10.0, "low_cmh2o": 10.0, "high_cmh2o": 10.0, "peep_cmh2o": 12.0}


VOLUME_CONTROL = reading(Quantity.TIDAL_VOLUME_SET, VOLUME_ML, START_S - 60, 4000)


@pytest.mark.parametrize(("rate", "resistive", "known"), [(20, 5, True), (20, 0, True), (20, -1, False), (0, 5, False)])
def test_power_needs_a_rate_and_a_peak_that_is_no_lower_than_the_plateau(
    rate: float, resistive: float, *, known: bool
) -> None:
    peaks = at_each_step(Quantity.PEAK_PRESSURE, lambda peep: peep + 10.0 + resistive)
    advice = advice_at(more=[reading(Quantity.RESPIRATORY_RATE_SET, rate, START_S - 60, 4001), VOLUME_CONTROL, *peaks])
    (row,) = [one for one in advice.what_if if one.peep_cmh2o == 12.0]

    assert (row.mechanical_power_j_per_min is not None) is known


def test_a_plateau_that_equals_total_peep_gives_no_static_compliance() -> None:
    peaks = [
        one._replace(quantity=Quantity.PEAK_PRESSURE) if one.quantity is Quantity.PLATEAU_PRESSURE else one
        for one in staircase_down(PEEPS, (30.0,) * 8, volume=VOLUME_ML)
    ]
    held = reading(Quantity.PLATEAU_PRESSURE, 12.0, START_S + 4 * STEP_S + 90, 4000)
    advice = advise(
        height_cm=HEIGHT_CM,
        sex=Sex.MALE,
        trial=trial_of([*peaks, held]),
        closing=closing_at(10.0, fitted=(30.0,) * 8),
        protocol=DEFAULT_PROTOCOL,
    )
    (row,) = [one for one in advice.what_if if one.peep_cmh2o == 12.0]

    assert row.driving_pressure_cmh2o is None
