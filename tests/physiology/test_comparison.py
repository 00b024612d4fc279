"""What changed, whether limits hold, and what the top of the trial showed."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.comparison import (
    ChangeVerdict,
    Comparison,
    Confidence,
    Measure,
    Snapshot,
    compare,
    overdistension_at_top,
)
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.closing.result import StepEstimate
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.words.comparison import comparison_words, limit_check_words
from ebbmark.words.messages import spell
from trials import START_S, reading

BEFORE: dict[Quantity, float] = {
    Quantity.PEEP_SET: 8.0,
    Quantity.PLATEAU_PRESSURE: 26.0,
    Quantity.PEAK_PRESSURE: 31.0,
    Quantity.TIDAL_VOLUME_EXPIRED: 420.0,
    Quantity.TIDAL_VOLUME_SET: 420.0,
    Quantity.RESPIRATORY_RATE: 20.0,
    Quantity.FIO2_SET: 0.7,
    Quantity.PAO2: 70.0,
    Quantity.PACO2: 55.0,
    Quantity.MEAN_ARTERIAL_PRESSURE: 75.0,
}
AFTER: dict[Quantity, float] = {
    **BEFORE,
    Quantity.PEEP_SET: 12.0,
    Quantity.PLATEAU_PRESSURE: 25.0,
    Quantity.PAO2: 119.0,
}


def charted(values: dict[Quantity, float]) -> list[Reading]:
    return [reading(quantity, value, START_S + 10, index) for index, (quantity, value) in enumerate(values.items())]


def state(values: dict[Quantity, float]) -> Snapshot:
    return take_snapshot(charted(values), pbw_kg=70.0, from_s=START_S, until_s=START_S + 60)


def compared(before: dict[Quantity, float] = BEFORE, after: dict[Quantity, float] = AFTER) -> Comparison:
    return compare(state(before), state(after), protocol=DEFAULT_PROTOCOL)


def verdicts(comparison: Comparison) -> dict[Measure, ChangeVerdict]:
    return {change.measure: change.verdict for change in comparison.changes}


def step(peep: float, fitted: float, half_band: float = 0.5) -> StepEstimate:
    return StepEstimate(peep, 2, fitted, fitted, fitted - half_band, fitted + half_band, 0.0)


def test_compliance_and_oxygenation_got_better_and_the_rest_did_not_move() -> None:
    found = verdicts(compared())

    assert found[Measure.COMPLIANCE] is ChangeVerdict.IMPROVED
    assert found[Measure.DRIVING_PRESSURE] is ChangeVerdict.IMPROVED
    assert found[Measure.PF_RATIO] is ChangeVerdict.IMPROVED
    assert found[Measure.PACO2] is ChangeVerdict.WITHIN_NOISE
    assert found[Measure.VENTILATORY_RATIO] is ChangeVerdict.WITHIN_NOISE
    assert found[Measure.MEAN_ARTERIAL_PRESSURE] is ChangeVerdict.WITHIN_NOISE


def test_nothing_is_called_better_when_nothing_changed() -> None:
    found = verdicts(compared(BEFORE, BEFORE))

    assert set(found.values()) == {ChangeVerdict.WITHIN_NOISE}


def test_dynamic_compliance_is_left_out_where_static_is_known() -> None:
    assert Measure.COMPLIANCE_DYNAMIC not in verdicts(compared())


def test_limits_are_checked_at_the_new_settings() -> None:
    plateau, driving, volume = compared().limits

    assert (plateau.holds, driving.holds, volume.holds) == (True, True, True)
    assert (plateau.value, driving.value, volume.value) == (25.0, 13.0, 6.0)


def test_a_plateau_above_30_is_said_in_the_summary() -> None:
    high: dict[Quantity, float] = {**AFTER, Quantity.PLATEAU_PRESSURE: 31.0}

    comparison = compared(after=high)

    assert comparison_words(comparison).startswith("Plateau pressure is 31.0 cmH2O, above 30.")


def test_what_became_worse_is_named_before_what_became_better() -> None:
    low: dict[Quantity, float] = {**AFTER, Quantity.MEAN_ARTERIAL_PRESSURE: 50.0}

    summary = comparison_words(compared(after=low))

    assert summary.startswith("Mean arterial pressure fell from 75 to 50 mmHg")
    assert "Worse: mean arterial pressure. Better: " in summary


def test_a_limit_that_is_not_known_is_not_said_to_hold() -> None:
    values = AFTER.copy()
    del values[Quantity.PLATEAU_PRESSURE]

    plateau, driving, _ = compared(after=values).limits

    assert (plateau.holds, driving.holds) == (None, None)
    assert "nothing shows whether it keeps to 30" in limit_check_words(plateau)


def test_compliance_that_rises_from_the_top_beyond_its_bands_is_overdistension() -> None:
    assert overdistension_at_top([step(20, 34), step(18, 38), step(16, 36)]).sureness is Confidence.SHOWN


def test_a_rise_within_the_bands_is_only_possible_overdistension() -> None:
    assert overdistension_at_top([step(20, 36, 2.0), step(18, 39, 2.0)]).sureness is Confidence.POSSIBLE


def test_no_rise_from_the_top_is_no_sign() -> None:
    assert overdistension_at_top([step(20, 38), step(18, 38.5), step(16, 36)]).sureness is Confidence.NOT_SEEN


def test_without_steps_the_top_is_not_judged() -> None:
    assert overdistension_at_top([]).sureness is Confidence.NOT_KNOWN


def test_a_gas_is_not_paired_with_an_fio2_that_was_changed_around_it() -> None:
    readings = [*charted(AFTER), reading(Quantity.FIO2_SET, 0.5, START_S + 40, 99)]

    snapshot = take_snapshot(readings, pbw_kg=70.0, from_s=START_S, until_s=START_S + 60)

    assert "70 % set at the same time and 50 % charted as set" in spell(snapshot.not_known[Measure.PF_RATIO])


def test_a_gas_goes_with_the_fio2_of_its_moment_though_it_was_changed_later_in_the_stretch() -> None:
    readings = [*charted(AFTER), reading(Quantity.FIO2_SET, 0.5, START_S + 1800, 99)]

    snapshot = take_snapshot(readings, pbw_kg=70.0, from_s=START_S, until_s=START_S + 3600)

    assert snapshot.figures[Measure.PF_RATIO].value == pytest.approx(170.0)
    assert 99 not in snapshot.figures[Measure.PF_RATIO].sources


def test_a_gas_that_cannot_be_true_beside_its_saturation_makes_no_ratio() -> None:
    snapshot = state({**AFTER, Quantity.PAO2: 11.0, Quantity.SPO2: 96.0})

    assert "cannot be true as it was sent: kPa and mmHg may have been mistaken" in spell(
        snapshot.not_known[Measure.PF_RATIO]
    )


def test_pressures_are_not_computed_across_a_change_of_peep() -> None:
    readings = [*charted(AFTER), reading(Quantity.PEEP_SET, 8.0, START_S + 40, 99)]

    snapshot = take_snapshot(readings, pbw_kg=70.0, from_s=START_S, until_s=START_S + 60)

    assert spell(snapshot.not_known[Measure.DRIVING_PRESSURE]) == "PEEP was changed within that time"
    assert snapshot.peep is None


def test_power_is_not_computed_when_both_pressure_and_volume_are_set() -> None:
    values = {**AFTER, Quantity.PRESSURE_ABOVE_PEEP_SET: 14.0}

    assert "two forms differ" in spell(state(values).not_known[Measure.MECHANICAL_POWER])


def test_intrinsic_peep_counts_into_driving_pressure() -> None:
    figure = state({**AFTER, Quantity.PEEP_INTRINSIC: 2.0}).figures[Measure.DRIVING_PRESSURE]

    assert figure.value == pytest.approx(11.0)


def test_a_figure_names_the_inputs_that_it_came_from() -> None:
    names = list(AFTER)

    figure = state(AFTER).figures[Measure.PF_RATIO]

    assert figure.sources == tuple(sorted((names.index(Quantity.FIO2_SET), names.index(Quantity.PAO2))))


def test_one_setting_beside_four_readings_counts_as_four_readings() -> None:
    readings = [reading(Quantity.PEEP_SET, 10.0, START_S, 0)]
    for index in range(4):
        readings.append(reading(Quantity.PLATEAU_PRESSURE, 24.0, START_S + index, 1 + index))
        readings.append(reading(Quantity.TIDAL_VOLUME_EXPIRED, 420.0, START_S + index, 1 + index))

    snapshot = take_snapshot(readings, pbw_kg=70.0, from_s=START_S, until_s=START_S + 60)

    assert snapshot.figures[Measure.COMPLIANCE].readings == 4
    assert snapshot.figures[Measure.COMPLIANCE].value == pytest.approx(30.0)


def test_the_ventilatory_ratio_may_come_from_volume_and_rate() -> None:
    # 420 mL x 20 /min = 8.4 L/min; 8400 x 55 / (70 x 3750) = 1.76
    assert state(AFTER).figures[Measure.VENTILATORY_RATIO].value == pytest.approx(1.76)


def test_a_ventilatory_ratio_without_rate_is_not_known() -> None:
    values = AFTER.copy()
    del values[Quantity.RESPIRATORY_RATE]

    assert "no minute volume" in spell(state(values).not_known[Measure.VENTILATORY_RATIO])


def test_dynamic_compliance_is_volume_over_peak_less_peep() -> None:
    assert state(AFTER).figures[Measure.COMPLIANCE_DYNAMIC].value == pytest.approx(420 / (31 - 12))


def test_a_plateau_that_does_not_lie_above_peep_gives_no_driving_pressure() -> None:
    values = AFTER.copy()
    values[Quantity.PLATEAU_PRESSURE] = 12.0

    assert "does not come out above zero" in spell(state(values).not_known[Measure.DRIVING_PRESSURE])


def test_total_peep_as_measured_comes_before_set_peep() -> None:
    values = AFTER.copy()
    values[Quantity.PEEP_TOTAL] = 15.0

    assert state(values).figures[Measure.DRIVING_PRESSURE].value == pytest.approx(10.0)


def test_power_in_pressure_control_uses_the_set_pressure() -> None:
    values = AFTER.copy()
    del values[Quantity.TIDAL_VOLUME_SET]
    values[Quantity.PRESSURE_ABOVE_PEEP_SET] = 14.0

    assert state(values).figures[Measure.MECHANICAL_POWER].value == pytest.approx(0.098 * 20 * 0.42 * (12 + 14))


def test_an_impossible_fio2_leaves_the_ratio_unknown_and_raises_nothing() -> None:
    values = AFTER.copy()
    values[Quantity.FIO2_SET] = 0.16

    assert "FiO2 at the time of the gas is not known" in spell(state(values).not_known[Measure.PF_RATIO])


def test_readings_outside_the_stretch_do_not_count() -> None:
    readings = [*charted(AFTER), reading(Quantity.PLATEAU_PRESSURE, 60.0, START_S + 61, 98)]

    snapshot = take_snapshot(readings, pbw_kg=70.0, from_s=START_S, until_s=START_S + 60)

    assert snapshot.figures[Measure.DRIVING_PRESSURE].value == pytest.approx(13.0)


def test_a_setting_made_before_the_stretch_is_still_in_force() -> None:
    values = AFTER.copy()
    del values[Quantity.FIO2_SET]
    readings = [*charted(values), reading(Quantity.FIO2_SET, 0.7, START_S - 7200, 97)]

    snapshot = take_snapshot(readings, pbw_kg=70.0, from_s=START_S, until_s=START_S + 60)

    assert snapshot.figures[Measure.PF_RATIO].value == pytest.approx(170.0)
    assert 97 in snapshot.figures[Measure.PF_RATIO].sources


def test_what_is_not_known_comes_last() -> None:
    values = AFTER.copy()
    del values[Quantity.PLATEAU_PRESSURE]

    order = [change.verdict is ChangeVerdict.NOT_KNOWN for change in compared(after=values).changes]

    assert any(order)
    assert order == sorted(order)


def test_more_gases_than_any_patient_has_are_not_used() -> None:
    many = [reading(Quantity.PAO2, 80.0, START_S + 10 + number, 50 + number) for number in range(101)]

    snapshot = take_snapshot([*charted(BEFORE), *many], pbw_kg=60.0, from_s=START_S, until_s=START_S + 600)

    assert Measure.PF_RATIO not in snapshot.figures
    assert "102 values of PaO2 were sent" in spell(snapshot.not_known[Measure.PF_RATIO])
