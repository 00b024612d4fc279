"""What follows from the estimate, and when no number may follow."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from ebbmark.physiology.advice import Advice, Severity, advise
from ebbmark.physiology.closing.result import Closing, Evidence, Shape, Verdict
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.words.titration import worded_advice
from trials import START_S, STEP_S, closing_at, reading, staircase_down, trial_of


def advice_for(
    closing: Closing,
    readings: list[Reading] | None = None,
    *,
    height_cm: float = 175.0,
    sex: Sex = Sex.MALE,
    protocol: Protocol = DEFAULT_PROTOCOL,
) -> Advice:
    trial = trial_of(readings if readings is not None else staircase_down(), protocol)
    return worded_advice(advise(height_cm=height_cm, sex=sex, trial=trial, closing=closing, protocol=protocol))


def slugs(advice: Advice) -> list[str]:
    return [caution.slug for caution in advice.cautions if caution.of_this_patient]


def test_suggested_peep_is_closing_pressure_plus_the_margin() -> None:
    assert advice_for(closing_at(10)).suggested_peep_cmh2o == 12


def test_a_larger_margin_moves_the_suggestion() -> None:
    protocol = replace(DEFAULT_PROTOCOL, margin_cmh2o=4.0)

    assert advice_for(closing_at(10), protocol=protocol).suggested_peep_cmh2o == 14


def test_the_target_is_six_millilitres_per_kilogram_and_the_ladder_spans_four_to_eight() -> None:
    advice = advice_for(closing_at(10))

    assert advice.target.volume_ml == pytest.approx(6 * advice.predicted_body_weight_kg)
    assert [rung.ml_per_kg for rung in advice.ladder] == [4, 5, 6, 7, 8]


def test_what_if_has_one_row_per_margin_with_pressures_at_the_target_volume() -> None:
    advice = advice_for(closing_at(10))

    row = advice.what_if[0]
    assert [row.margin_cmh2o for row in advice.what_if] == [2, 3, 4]
    assert row.compliance_ml_per_cmh2o == 41.5
    assert row.driving_pressure_cmh2o == pytest.approx(advice.target.volume_ml / 41.5)
    assert row.plateau_cmh2o == pytest.approx(12 + advice.target.volume_ml / 41.5)


def test_compliance_between_two_steps_lies_on_the_line_between_them() -> None:
    assert advice_for(closing_at(10)).what_if[1].compliance_ml_per_cmh2o == pytest.approx((41.5 + 42) / 2)


def test_never_above_the_tested_range() -> None:
    advice = advice_for(closing_at(18), protocol=replace(DEFAULT_PROTOCOL, margin_cmh2o=3.0))

    assert advice.suggested_peep_cmh2o is None
    assert not advice.what_if[1].tested
    assert "above the highest PEEP tested" in advice.rationale


def test_not_reached_gives_no_number_and_says_so() -> None:
    advice = advice_for(closing_at(None, verdict=Verdict.NOT_REACHED))

    assert (advice.suggested_peep_cmh2o, advice.what_if) == (None, ())
    assert "not reached" in advice.rationale


def test_falling_from_the_first_step_gives_no_number_and_says_so() -> None:
    advice = advice_for(closing_at(None, verdict=Verdict.FALLING_FROM_FIRST_STEP))

    assert advice.suggested_peep_cmh2o is None
    assert "from the first step" in advice.rationale


def test_indeterminate_gives_no_number_and_the_reason() -> None:
    reason = "The steps scatter more than compliance changes."

    advice = advice_for(closing_at(None, verdict=Verdict.INDETERMINATE, reason=reason))

    assert advice.suggested_peep_cmh2o is None
    assert reason in advice.rationale


def test_a_disconnection_below_closing_is_a_caution_only() -> None:
    rows = [*staircase_down(), reading(Quantity.PEEP_MEASURED, 0.0, START_S + 7 * STEP_S + 60, 903)]

    advice = advice_for(closing_at(10), rows)

    assert advice.suggested_peep_cmh2o == 12
    assert slugs(advice)[0] == "disconnection"


def test_intrinsic_peep_counts_in_the_expected_plateau() -> None:
    rows = staircase_down()
    rows += [reading(Quantity.PEEP_INTRINSIC, 4.0, START_S + index * STEP_S + 60, 800 + index) for index in range(8)]

    advice = advice_for(closing_at(10), rows)

    row = advice.what_if[0]
    assert row.total_peep_cmh2o == 16
    assert row.plateau_cmh2o == pytest.approx(16 + advice.target.volume_ml / 41.5)
    assert "Intrinsic PEEP of about 4 cmH2O is counted in" in advice.rationale


def test_steps_wider_than_the_margin_move_the_suggestion_to_the_last_step_before_the_fall() -> None:
    peeps, compliances = (21, 18, 15, 12, 9), (40, 41, 41.5, 36, 30)

    advice = advice_for(closing_at(12, peeps=peeps, fitted=compliances), staircase_down(peeps, compliances))

    assert (advice.suggested_peep_cmh2o, advice.margin_cmh2o) == (15, 3)
    assert "coarse-steps" in slugs(advice)


def test_steps_wider_than_the_largest_margin_withhold_the_suggestion() -> None:
    peeps, compliances = (25, 20, 15, 10, 5), (38, 41, 42, 36, 28)

    advice = advice_for(closing_at(10, peeps=peeps, fitted=compliances), staircase_down(peeps, compliances))

    assert advice.suggested_peep_cmh2o is None
    assert "the step above is 5 cmH2O away" in advice.rationale


def test_no_peep_below_five_is_suggested() -> None:
    peeps, compliances = (8, 6, 4, 2, 0), (40, 41, 42, 36, 30)

    advice = advice_for(closing_at(2, peeps=peeps, fitted=compliances), staircase_down(peeps, compliances))

    assert advice.suggested_peep_cmh2o is None
    assert "below 5 cmH2O" in advice.rationale


def test_a_trial_at_another_tidal_volume_than_the_figures_is_named() -> None:
    assert "volume-far-from-target" in slugs(advice_for(closing_at(10), staircase_down(volume=620)))


def test_a_plateau_above_the_limit_at_target_volume_steps_down_the_ladder_with_a_high_caution() -> None:
    stiff = (20, 20.5, 21, 21, 21, 18, 16, 14)

    advice = advice_for(closing_at(10, fitted=stiff), staircase_down(compliances=stiff, volume=260))

    assert advice.what_if[0].tidal_volume is not None
    assert advice.what_if[0].tidal_volume.ml_per_kg == 5
    assert advice.what_if[0].plateau_cmh2o is not None
    assert advice.what_if[0].plateau_cmh2o <= 30
    assert advice.cautions[0].severity is Severity.HIGH


def test_no_suggestion_where_even_the_lowest_volume_breaks_the_plateau_limit() -> None:
    very_stiff = (12, 12.5, 13, 13, 13, 11, 10, 9)

    advice = advice_for(closing_at(10, fitted=very_stiff), staircase_down(compliances=very_stiff, volume=180))

    assert advice.suggested_peep_cmh2o is None
    assert "weigh one against the other" in advice.rationale


def test_mechanical_power_needs_the_rate() -> None:
    assert advice_for(closing_at(10)).what_if[0].mechanical_power_j_per_min is None


def test_mechanical_power_is_given_in_pressure_control_with_a_rate() -> None:
    rows = [
        *staircase_down(),
        reading(Quantity.RESPIRATORY_RATE_SET, 20, START_S + 500, 950),
        reading(Quantity.PRESSURE_ABOVE_PEEP_SET, 12, START_S + 500, 951),
    ]

    row = advice_for(closing_at(10), rows).what_if[0]

    # Simplified pressure-control form, written out: 0.098 x rate x VT [L] x (PEEP + driving pressure).
    assert row.tidal_volume is not None
    assert row.plateau_cmh2o is not None
    expected = 0.0980665 * 20 * row.tidal_volume.volume_ml / 1000 * row.plateau_cmh2o
    assert row.mechanical_power_j_per_min == pytest.approx(expected, rel=1e-3)


def test_mechanical_power_is_not_given_where_the_controlled_quantity_is_not_known() -> None:
    rows = [*staircase_down(), reading(Quantity.RESPIRATORY_RATE_SET, 20, START_S + 500, 950)]

    assert advice_for(closing_at(10), rows).what_if[0].mechanical_power_j_per_min is None


def test_dynamic_compliance_alone_is_named_as_a_limit() -> None:
    rows = [
        item._replace(quantity=Quantity.PEAK_PRESSURE) if item.quantity is Quantity.PLATEAU_PRESSURE else item
        for item in staircase_down()
    ]

    assert "dynamic-compliance-only" in slugs(advice_for(closing_at(10), rows))


def test_single_readings_weak_evidence_and_gradual_closing_are_named() -> None:
    closing = closing_at(10, evidence=Evidence.WEAK, shape=Shape.GRADUAL)

    found = slugs(advice_for(closing, staircase_down(rows_per_step=1)))

    assert {"single-readings", "weak-evidence", "gradual-closing"} <= set(found)


def test_closing_at_the_last_step_that_was_tested_is_named_as_unconfirmed() -> None:
    lowest = trial_of(staircase_down()).steps[-1].peep_cmh2o

    assert "closing-at-last-step" in slugs(advice_for(closing_at(lowest)))
    assert "closing-at-last-step" not in slugs(advice_for(closing_at(10)))


def test_an_interval_that_reaches_the_suggested_peep_is_named() -> None:
    wide = replace(closing_at(10), interval_cmh2o=(10.0, 12.0))

    assert "interval-reaches-suggestion" in slugs(advice_for(wide))
    assert "interval-reaches-suggestion" not in slugs(advice_for(closing_at(10)))


def test_a_rise_of_compliance_from_the_top_is_named_as_relief_of_overdistension() -> None:
    assert "overdistension-at-top" in slugs(advice_for(closing_at(10)))


def test_every_answer_carries_the_evidence_on_prolonged_recruitment() -> None:
    general = [caution for caution in advice_for(closing_at(10)).cautions if not caution.of_this_patient]

    assert any("against prolonged" in caution.text for caution in general)
    assert all(caution.citation for caution in general)


@pytest.mark.parametrize("verdict", list(Verdict))
def test_no_answer_asks_anyone_to_perform_a_manoeuvre(verdict: Verdict) -> None:
    advice = advice_for(closing_at(10, verdict=verdict, reason="Reason."))

    texts = [advice.rationale, *(caution.text for caution in advice.cautions)]
    # Any verb of doing, in any of its forms, before or after the word for the manoeuvre.
    order = re.compile(r"\b(perform|repeat|do|carry out|apply|try|start|use)\b[^.]*\b(recruitment|manoeuvre)\b")
    command = re.compile(r"(^|[.;:] )(Repeat|Perform|Recruit|Re-open|Open|Raise|Apply|Do|Try) ")

    assert not [text for text in texts if order.search(text) or command.search(text)]
