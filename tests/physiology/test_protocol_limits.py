"""The default protocol's limits, written out once more with their sources, and each on both sides.

ARDS Network, N Engl J Med 2000;342:1301-8: plateau 30 cmH2O, 6 mL/kg of 4 to 8. Amato et al, N Engl J Med
2015;372:747-55: driving pressure 15 cmH2O, an association. Berlin definition, JAMA 2012;307:2526-33: PEEP of 5
cmH2O. Margins: common practice, no published source. The rest is this project's choice.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.advice.advice import Advice, advise
from ebbmark.physiology.formulas.body import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.reading import Trial, read_trial
from patients import slugs, titrated
from trials import START_S, STEP_S, charted_row, closing_at, reading, staircase_down, trial_of

PEEPS = (20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0)
HEIGHT_CM = 152.4
VOLUME_ML = 300.0
"""Six millilitres per kilogram of a man of 152.4 cm, whose predicted weight is 50 kg."""


def advice_at(compliance: float, *, closing: float = 10.0) -> Advice:
    """Closing at 10 cmH2O in a man of 50 kg whose fitted compliance is the same at every step."""
    fitted = (compliance,) * 8
    trial = trial_of(staircase_down(compliances=fitted, volume=VOLUME_ML))
    return advise(
        height_cm=HEIGHT_CM,
        sex=Sex.MALE,
        trial=trial,
        closing=closing_at(closing, fitted=fitted),
        protocol=DEFAULT_PROTOCOL,
    )


def found(advice: Advice) -> list[str]:
    return [one.slug for one in advice.findings]


def test_the_limits_are_those_of_their_sources() -> None:
    one = DEFAULT_PROTOCOL

    assert (one.plateau_limit_cmh2o, one.driving_pressure_limit_cmh2o, one.least_peep_cmh2o) == (30.0, 15.0, 5.0)
    assert (one.target_ml_per_kg, one.ladder_ml_per_kg) == (6.0, (4.0, 5.0, 6.0, 7.0, 8.0))
    assert (one.margin_cmh2o, one.margins_cmh2o) == (2.0, (2.0, 3.0, 4.0))
    assert (one.fall, one.minimum_steps, one.largest_decrement_cmh2o) == (0.05, 4, 6.0)
    assert (one.longest_step_s, one.settling_s) == (1800.0, 30.0)


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
