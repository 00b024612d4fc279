"""The conversions hidden inside published formulas, against the definitions of the units.

Standard definitions through scipy.constants, which takes no part in the engine: standard gravity, standard
atmosphere, millimetre of mercury, inch. A centimetre of water is 1000 kg/m3 x g x 0.01 m = 98.0665 Pa.
"""

from __future__ import annotations

import pytest
from scipy.constants import g, inch, kilo, liter, milli, minute, mmHg

from ebbmark.physiology.gas_exchange import ventilatory_ratio
from ebbmark.physiology.mechanics import (
    J_PER_L_CMH2O,
    PUBLISHED_HEIGHT_RANGE_CM,
    Sex,
    mechanical_power_pressure_control_j_per_min,
    predicted_body_weight_kg,
)

PA_PER_CMH2O = 1000.0 * g * 0.01
MILLILITRE = milli * liter


def test_a_litre_against_a_centimetre_of_water_is_0_098_joule_to_three_decimals() -> None:
    assert pytest.approx(liter * PA_PER_CMH2O, abs=0.0005) == J_PER_L_CMH2O


def test_pressure_control_power_is_pressure_times_flow_in_si_units() -> None:
    work_j = 420.0 * MILLILITRE * 24.0 * PA_PER_CMH2O
    watts = work_j * 20.0 / minute

    power = mechanical_power_pressure_control_j_per_min(
        rate_per_min=20.0, tidal_volume_ml=420.0, peep_cmh2o=10.0, pressure_above_peep_cmh2o=14.0
    )

    # 0.098 for 0.0980665 leaves less than 0.07 %
    assert power == pytest.approx(watts * minute, rel=7e-4)


def test_five_kilopascal_of_carbon_dioxide_make_a_ventilatory_ratio_of_1() -> None:
    five_kpa_mmhg = 5.0 * kilo / mmHg

    ratio = ventilatory_ratio(minute_volume_l_per_min=7.0, paco2_mmhg=five_kpa_mmhg, pbw_kg=70.0)

    # 37.5 mmHg as printed, half its last digit
    assert ratio == pytest.approx(1.0, abs=0.05 / 37.5)


@pytest.mark.parametrize(("sex", "kg"), [(Sex.MALE, 50.0), (Sex.FEMALE, 45.5)])
def test_weight_at_sixty_inches_is_the_constant_of_the_formula(sex: Sex, kg: float) -> None:
    assert predicted_body_weight_kg(60.0 * inch * 100.0, sex) == pytest.approx(kg)


def test_a_centimetre_weighs_2_3_kilograms_an_inch_to_two_decimals() -> None:
    per_cm = predicted_body_weight_kg(171.0, Sex.MALE) - predicted_body_weight_kg(170.0, Sex.MALE)

    assert per_cm == pytest.approx(2.3 / (inch * 100.0), abs=0.005)


def test_heights_without_remark_run_from_60_to_76_inches() -> None:
    in_inches = [height_cm / 100.0 / inch for height_cm in PUBLISHED_HEIGHT_RANGE_CM]

    assert in_inches == pytest.approx([60.0, 76.0], abs=0.05)
