"""Trials whose curve looks clear and whose patient does not: each is answered as a careful intensivist would."""

from __future__ import annotations

import pytest

from ebbmark.physiology.closing.closing import Evidence, Verdict
from ebbmark.physiology.findings import Change, ChangeKind, KnownCondition, Weight
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity, Reading
from patients import PEEPS, Beside, Values, slugs, titrated
from trials import START_S, STEP_S, reading, staircase_down

PNEUMOTHORAX = KnownCondition(
    "untreated-pneumothorax", "tension pneumothorax", Weight.LOOK_FIRST, "Until it is drained.", "textbook"
)


def no_number(found: Titration) -> bool:
    return found.advice.suggested_peep_cmh2o is None and "No PEEP is suggested." in found.advice.rationale


def no_estimate(found: Titration) -> bool:
    return no_number(found) and found.closing.verdict is Verdict.INDETERMINATE and found.closing.peep_cmh2o is None


def test_a_clear_trial_in_a_stable_patient_has_its_number() -> None:
    found = titrated({Quantity.SPO2: 94, Quantity.MEAN_ARTERIAL_PRESSURE: 75, Quantity.HEART_RATE: 88})

    assert (found.advice.suggested_peep_cmh2o, found.closing.evidence) == (12, Evidence.STRONG)
    assert slugs(found) == []


def test_low_blood_pressure_at_the_suggestion_withholds_it_and_says_where_it_recovered() -> None:
    found = titrated(
        {
            Quantity.MEAN_ARTERIAL_PRESSURE: {16: 56, 14: 57, 12: 58, 10: 71, 8: 74, 6: 74},
            Quantity.SYSTOLIC_ARTERIAL_PRESSURE: {16: 82, 14: 83, 12: 84, 10: 104, 8: 110, 6: 112},
        }
    )

    assert found.advice.suggested_peep_cmh2o is None
    assert "mean arterial pressure was 58 mmHg, below 60, and 71 at 10 cmH2O" in found.advice.rationale
    assert "systolic arterial pressure was 84 mmHg, below 90" in found.advice.rationale
    assert any("12" not in row.limits_exceeded and row.limits_exceeded for row in found.advice.what_if)


def test_low_saturation_at_the_suggestion_withholds_it() -> None:
    found = titrated({Quantity.SPO2: {20: 92, 18: 91, 16: 88, 14: 84, 12: 80, 10: 79, 8: 78, 6: 78}})

    assert found.advice.suggested_peep_cmh2o is None
    assert "SpO2 was 80 %, below 85" in found.advice.rationale


def test_pressure_support_is_no_trial() -> None:
    found = titrated({Quantity.PRESSURE_SUPPORT_SET: 12.0, Quantity.RESPIRATORY_RATE_SPONTANEOUS: 30.0})

    assert no_estimate(found)
    assert slugs(found, "look-first") == ["pressure-support", "spontaneous-rate"]


def test_a_support_setting_that_nobody_triggers_is_no_obstacle() -> None:
    calm = {Quantity.PRESSURE_SUPPORT_SET: 8.0, Quantity.RESPIRATORY_RATE_SET: 22.0, Quantity.RESPIRATORY_RATE: 22.0}

    assert titrated(calm).advice.suggested_peep_cmh2o == 12


def test_a_measured_rate_above_the_set_one_is_no_passive_patient() -> None:
    found = titrated({Quantity.RESPIRATORY_RATE_SET: 22.0, Quantity.RESPIRATORY_RATE: 34.0})

    assert no_estimate(found)
    assert "34 /min with 22 set" in found.closing.reason


def test_a_loss_of_more_than_half_in_one_step_is_looked_at_and_not_named_closing() -> None:
    found = titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(38, 38.5, 39, 16, 15, 14.5))

    assert no_estimate(found)
    assert "pneumothorax, main-stem intubation, a plug or a kink" in found.advice.rationale


def test_plateau_that_rises_while_peep_falls_is_looked_at() -> None:
    # 28 % lost: below the limit for the fall alone, and the plateau rises by 2.2 cmH2O
    found = titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(38, 39, 39, 28, 27, 26))

    assert no_estimate(found)
    assert slugs(found, "look-first") == ["pressure-rises-as-peep-falls"]


def test_a_single_bad_step_that_comes_back_is_no_pneumothorax() -> None:
    found = titrated(compliances=(38, 40, 41, 24, 41.5, 36, 31, 27))

    assert "sudden-fall" not in slugs(found)


def test_a_leak_that_begins_late_is_not_closing() -> None:
    peeps = (16, 14, 12, 10, 8, 6)
    expired = {16: 420, 14: 420, 12: 420, 10: 345, 8: 345, 6: 345}
    found = titrated(
        {Quantity.TIDAL_VOLUME_INSPIRED: 420.0},
        readings=[
            one
            for index, peep in enumerate(peeps)
            for one in (
                reading(Quantity.PEEP_SET, peep, START_S + index * STEP_S, 100 + index),
                reading(Quantity.TIDAL_VOLUME_EXPIRED, expired[peep], START_S + index * STEP_S + 70, 200 + index),
                reading(Quantity.PLATEAU_PRESSURE, peep + 420 / 38, START_S + index * STEP_S + 70, 200 + index),
            )
        ],
        peeps=peeps,
    )

    assert no_estimate(found)
    assert "a leak began there" in found.advice.rationale


def test_a_tension_pneumothorax_in_the_record_gives_no_number() -> None:
    found = titrated(known=Beside(conditions=(PNEUMOTHORAX,)))

    assert no_estimate(found)
    assert "tension pneumothorax" in found.advice.rationale


def test_total_peep_that_stays_while_set_peep_falls_is_trapped_air() -> None:
    found = titrated({Quantity.PEEP_TOTAL: 20.5})

    assert no_estimate(found)
    assert "air is trapped" in found.advice.rationale


def test_measured_peep_below_its_setting_everywhere_is_looked_at() -> None:
    found = titrated({Quantity.PEEP_MEASURED: {peep: peep - 3 for peep in PEEPS}})

    assert no_estimate(found)
    assert slugs(found, "look-first") == ["measured-peep-off"]


def test_compliance_that_comes_back_two_steps_lower_did_not_fall_for_good() -> None:
    found = titrated(peeps=(16, 14, 12, 10, 8), compliances=(37, 38, 30, 31, 37))

    assert found.advice.suggested_peep_cmh2o is None
    assert found.closing.peep_cmh2o is None


def test_proned_in_the_middle_of_the_limb_gives_no_number() -> None:
    turned = Change(ChangeKind.POSITION, START_S + 3.5 * STEP_S, "prone", 7)
    found = titrated(known=Beside(changes=(turned,)))

    assert no_estimate(found)
    assert "position was changed to prone" in found.advice.rationale


def test_readings_that_never_settled_give_no_number() -> None:
    early = [
        one
        for index, (peep, compliance) in enumerate(zip(PEEPS, (38, 40, 41, 42, 41.5, 36, 31, 27), strict=True))
        for one in (
            reading(Quantity.PEEP_SET, peep, START_S + index * STEP_S, 100 + index),
            *(
                reading(quantity, value, START_S + index * STEP_S + after_s, 200 + 10 * index + after_s)
                for after_s in (10, 15)
                for quantity, value in (
                    (Quantity.TIDAL_VOLUME_EXPIRED, 420.0),
                    (Quantity.PLATEAU_PRESSURE, peep + 420 / compliance),
                )
            ),
        )
    ]
    found = titrated(readings=early)

    assert no_estimate(found)
    assert "unsettled-steps" in slugs(found, "look-first")


def test_clearly_worse_saturation_at_the_suggestion_than_at_the_best_step_is_a_high_caution() -> None:
    found = titrated({Quantity.SPO2: {20: 97, 18: 97, 16: 96, 14: 94, 12: 91, 10: 90}})

    assert found.advice.suggested_peep_cmh2o == 12
    assert slugs(found, "high") == ["worse-than-best"]


def test_vital_signs_charted_only_outside_the_limb_ask_for_the_clocks() -> None:
    late = [reading(Quantity.SPO2, 93, START_S + 7200 + minute * 60, 3000 + minute) for minute in range(5)]
    found = titrated(more=late)

    assert "vital-signs-outside-limb" in slugs(found)


@pytest.mark.parametrize("weight", [Weight.HIGH, Weight.MODERATE])
def test_a_condition_that_questions_the_number_stands_beside_it(weight: Weight) -> None:
    one = KnownCondition("right-heart-failure", "right heart failure", weight, "PEEP loads it.", "review")
    found = titrated(known=Beside(conditions=(one,)))

    assert found.advice.suggested_peep_cmh2o == 12
    assert "condition-right-heart-failure" in slugs(found, weight.value)


def test_every_finding_has_its_sentence() -> None:
    values: dict[Quantity, Values] = {Quantity.SPO2: 94}
    assert all(caution.text for caution in titrated(values).advice.cautions)


def peak_only(resistive: float = 12.0) -> list[Reading]:
    """The clear trial with peak pressures in place of plateaus."""
    return [
        one._replace(quantity=Quantity.PEAK_PRESSURE, value=one.value + resistive)
        if one.quantity is Quantity.PLATEAU_PRESSURE
        else one
        for one in staircase_down()
    ]


def test_from_peak_pressure_no_plateau_driving_pressure_power_or_volume_is_invented() -> None:
    found = titrated({Quantity.RESPIRATORY_RATE_SET: 22.0}, readings=peak_only())

    assert found.advice.suggested_peep_cmh2o is not None
    for row in found.advice.what_if:
        expected = (row.plateau_cmh2o, row.driving_pressure_cmh2o, row.mechanical_power_j_per_min, row.tidal_volume)
        assert expected == (None, None, None, None)
    assert "a hold would tell" in found.advice.rationale
    assert found.closing.evidence is not Evidence.STRONG


def test_a_plateau_that_was_measured_at_the_suggestion_is_used_there() -> None:
    held = reading(Quantity.PLATEAU_PRESSURE, 12 + 420 / 41.5, START_S + 4 * STEP_S + 90, 4000)
    found = titrated(readings=[*peak_only(), held])

    row = next(row for row in found.advice.what_if if row.peep_cmh2o == 12)
    assert row.compliance_ml_per_cmh2o == pytest.approx(41.5)
    assert row.plateau_cmh2o is not None
    assert row.plateau_cmh2o < 23
