"""Gas exchange against published thresholds and definitions.

Berlin definition, ARDS Definition Task Force, JAMA 2012;307:2526-33 (thresholds in the reprinted tables of PMC8450703
and PMC4538316). Global definition, Matthay et al, Am J Respir Crit Care Med 2024;209:37-47 (abstract, and a library's
summary of the criteria). Ventilatory ratio: Sinha et al, Br J Anaesth 2009;102:692-7 and Sinha et al 2013 (abstracts).
Each boundary is typed as printed, with a value just past it.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.gas_exchange import (
    BERLIN_LOWEST_PEEP_CMH2O,
    HIGHEST_INFORMATIVE_SPO2_PERCENT,
    REFERENCE_PACO2_MMHG,
    REFERENCE_VENTILATION_ML_PER_KG_PER_MIN,
    Oxygenation,
    berlin_class,
    global_class_from_pf,
    global_class_from_sf,
    pf_ratio_at_altitude_mmhg,
    ventilatory_ratio,
)

SEVERE, MODERATE, MILD = Oxygenation.SEVERE, Oxygenation.MODERATE, Oxygenation.MILD
ABOVE = Oxygenation.ABOVE_THRESHOLD

P_F = [(100.0, SEVERE), (100.001, MODERATE), (200.0, MODERATE), (200.001, MILD), (300.0, MILD), (300.001, ABOVE)]
S_F = [(148.0, SEVERE), (148.001, MODERATE), (235.0, MODERATE), (235.001, MILD), (315.0, MILD), (315.001, ABOVE)]


@pytest.mark.parametrize(("ratio", "expected"), P_F)
def test_berlin_boundaries_belong_to_the_worse_class(ratio: float, expected: Oxygenation) -> None:
    assert berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=5.0) is expected


@pytest.mark.parametrize(("ratio", "expected"), P_F)
def test_the_global_definition_keeps_the_boundaries_of_p_f(ratio: float, expected: Oxygenation) -> None:
    assert global_class_from_pf(pf_ratio_mmhg=ratio) is expected


@pytest.mark.parametrize(("ratio", "expected"), S_F)
def test_s_f_boundaries_belong_to_the_worse_class(ratio: float, expected: Oxygenation) -> None:
    assert global_class_from_sf(sf_ratio=ratio) is expected


def test_berlin_asks_for_a_peep_of_5() -> None:
    assert BERLIN_LOWEST_PEEP_CMH2O == 5.0
    assert berlin_class(pf_ratio_mmhg=90.0, peep_cmh2o=4.9) is Oxygenation.NOT_CLASSIFIED


def test_the_global_definition_uses_saturations_up_to_97() -> None:
    assert HIGHEST_INFORMATIVE_SPO2_PERCENT == 97.0


def test_berlin_multiplies_by_barometric_pressure_over_760() -> None:
    assert pf_ratio_at_altitude_mmhg(pf_ratio_mmhg=110.0, barometric_pressure_mmhg=630.0) == pytest.approx(
        110.0 * 630.0 / 760.0
    )


def test_the_ventilatory_ratio_is_1_at_the_published_reference() -> None:
    pbw_kg = 64.0

    at_reference = ventilatory_ratio(minute_volume_l_per_min=pbw_kg * 100.0 / 1000.0, paco2_mmhg=37.5, pbw_kg=pbw_kg)

    assert at_reference == pytest.approx(1.0)
    assert (REFERENCE_VENTILATION_ML_PER_KG_PER_MIN, REFERENCE_PACO2_MMHG) == (100.0, 37.5)


# Our own case, worked by hand: 8400 x 60 / (70 x 3750).


def test_our_own_case_of_a_ventilatory_ratio() -> None:
    ratio = ventilatory_ratio(minute_volume_l_per_min=8.4, paco2_mmhg=60.0, pbw_kg=70.0)

    assert ratio == pytest.approx(1.92, abs=0.005)


# From memory; counts for nothing until the formula has been read in print: 18 x 0.7 x 100 / 84.
