"""Mechanics against worked examples in a textbook.

Cairo JM, Pilbeam's Mechanical Ventilation: Physiological and Clinical Applications, chapter 1; examples as quoted in
our reading notes (second-hand). Case 1.1 prints the inputs; its answers were worked by hand and are marked so.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.mechanics import static_compliance_ml_per_cmh2o


def test_case_1_1_has_a_compliance_of_26_3_worked_by_hand() -> None:
    compliance = static_compliance_ml_per_cmh2o(tidal_volume_ml=500.0, plateau_cmh2o=19.0, total_peep_cmh2o=0.0)

    assert compliance == pytest.approx(26.3, abs=0.05)
