"""Mechanics against worked examples in a textbook.

Cairo JM, Pilbeam's Mechanical Ventilation: Physiological and Clinical Applications, chapter 1; examples as quoted in
our reading notes (second-hand). Case 1.1 prints the inputs; its answers were worked by hand and are marked so.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.formulas.mechanics import (
    airway_resistance_cmh2o_s_per_l,
    static_compliance_ml_per_cmh2o,
    time_constant_s,
)


def test_a_peak_of_40_and_a_plateau_of_25_at_60_litres_a_minute_make_a_resistance_of_15() -> None:
    resistance = airway_resistance_cmh2o_s_per_l(peak_cmh2o=40.0, plateau_cmh2o=25.0, flow_l_per_s=60.0 / 60.0)

    assert resistance == pytest.approx(15.0, abs=0.5)


def test_a_peak_of_25_and_a_plateau_of_20_lie_5_apart() -> None:
    # transairway pressure is what resistance makes of one litre per second
    transairway = airway_resistance_cmh2o_s_per_l(peak_cmh2o=25.0, plateau_cmh2o=20.0, flow_l_per_s=1.0)

    assert transairway == pytest.approx(5.0, abs=0.5)


def test_a_time_constant_is_a_tenth_of_a_second_at_a_tenth_of_a_litre_and_a_resistance_of_1() -> None:
    tau = time_constant_s(resistance_cmh2o_s_per_l=1.0, compliance_ml_per_cmh2o=100.0)

    assert tau == pytest.approx(0.1, abs=0.05)


def test_case_1_1_has_a_compliance_of_26_3_worked_by_hand() -> None:
    compliance = static_compliance_ml_per_cmh2o(tidal_volume_ml=500.0, plateau_cmh2o=19.0, total_peep_cmh2o=0.0)

    assert compliance == pytest.approx(26.3, abs=0.05)


def test_case_1_1_has_a_resistance_of_5_worked_by_hand() -> None:
    resistance = airway_resistance_cmh2o_s_per_l(peak_cmh2o=24.0, plateau_cmh2o=19.0, flow_l_per_s=1.0)

    assert resistance == pytest.approx(5.0, abs=0.5)
