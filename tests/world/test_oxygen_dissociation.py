"""The oxygen dissociation curve against what is printed.

Severinghaus JW, J Appl Physiol 1979;46:599-602, doi 10.1152/jappl.1979.46.3.599 (abstract read in two copies): equation
1, S = (((PO2^3 + 150 PO2)^-1 x 23,400) + 1)^-1, within 0.0055 of the standard curve. Points of that curve from a public
teaching text: half saturated at about 3.5 kPa, 75 % in venous blood at about 5.3 kPa; and from Anesthesia Progress (a
review on monitoring): 95 % and more sustain 80 mmHg, the curve is steep from 90 % down.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.gas_exchange import may_go_together, saturation_percent

KPA = 7.50062


@pytest.mark.parametrize(
    ("po2_mmhg", "percent", "tolerance"),
    [(3.5 * KPA, 50.0, 2.0), (5.3 * KPA, 75.0, 1.0), (80.0, 95.0, 1.0), (60.0, 90.0, 1.0)],
)
def test_points_of_the_standard_curve(po2_mmhg: float, percent: float, tolerance: float) -> None:
    assert saturation_percent(po2_mmhg=po2_mmhg) == pytest.approx(percent, abs=tolerance)


def test_the_equation_as_printed() -> None:
    # 40^3 + 150 x 40 = 70,000; 23,400 / 70,000 = 0.3343; 1 / 1.3343 = 0.7495
    assert saturation_percent(po2_mmhg=40.0) == pytest.approx(74.95, abs=0.005)


@pytest.mark.parametrize(
    ("pao2", "spo2", "together"),
    [
        (78, 93, True),
        (60, 97, True),
        (55, 80, True),  # a curve far to the right, as in severe acidosis
        (90, 90, True),
        (150, 99, True),
        (10, 98, False),  # kPa as mmHg
        (13.3, 99, False),
        (40, 99, False),
        (600, 92, False),  # mmHg as kPa
        (300, 80, False),
    ],
)
def test_what_may_be_true_together(pao2: float, spo2: float, together: bool) -> None:
    assert may_go_together(pao2_mmhg=pao2, spo2_percent=spo2) is together


@given(st.floats(20, 500))
def test_a_point_of_the_standard_curve_is_never_questioned(pao2: float) -> None:
    assert may_go_together(pao2_mmhg=pao2, spo2_percent=saturation_percent(po2_mmhg=pao2))


@given(st.floats(6.5, 20))
def test_a_usual_tension_in_kpa_sent_as_mmhg_is_always_questioned(kpa: float) -> None:
    assert not may_go_together(pao2_mmhg=kpa, spo2_percent=saturation_percent(po2_mmhg=kpa * KPA))
