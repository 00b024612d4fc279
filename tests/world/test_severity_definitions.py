"""Severity of ARDS against the tables of the two definitions, from readings to class.

Berlin definition, ARDS Definition Task Force, JAMA 2012;307:2526-33 (reprinted tables PMC8450703, PMC4538316): mild
200 < P/F <= 300, moderate 100 < P/F <= 200, severe P/F <= 100, each with PEEP of 5 cmH2O or more. Global definition,
Matthay et al, Am J Respir Crit Care Med 2024;209:37-47 (summary of the criteria): intubated, the same by P/F, and by
S/F with SpO2 of 97 % or less mild 235 < S/F <= 315, moderate 148 < S/F <= 235, severe S/F <= 148.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.before.state import ArdsClass, ards_classes
from ebbmark.physiology.gas_exchange import Oxygenation
from ebbmark.physiology.readings import Quantity
from ebbmark.words.messages import spell
from trials import START_S, reading

SEVERE, MODERATE, MILD = Oxygenation.SEVERE, Oxygenation.MODERATE, Oxygenation.MILD

# PaO2 at FiO2 0.5 on each side of each printed bound
P_F = [(50.0, SEVERE), (50.5, MODERATE), (100.0, MODERATE), (100.5, MILD), (150.0, MILD)]
# SpO2 with the FiO2 that gives each printed bound, and one just past it
S_F = [(88.8, 0.6, SEVERE), (89.0, 0.6, MODERATE), (94.0, 0.4, MODERATE), (94.4, 0.4, MILD), (94.5, 0.3, MILD)]


def by_pressure(pao2: float, *, peep: float) -> tuple[ArdsClass, ArdsClass]:
    berlin, by_pf, _ = ards_classes(
        [
            reading(Quantity.FIO2_SET, 0.5, START_S - 600, 1),
            reading(Quantity.PEEP_SET, peep, START_S - 600, 2),
            reading(Quantity.PAO2, pao2, START_S - 60, 3),
        ],
        at_s=START_S,
    )
    return berlin, by_pf


@pytest.mark.parametrize(("pao2", "expected"), P_F)
def test_the_berlin_table_is_met_at_a_peep_of_5(pao2: float, expected: Oxygenation) -> None:
    assert by_pressure(pao2, peep=5.0)[0].oxygenation is expected


@pytest.mark.parametrize(("pao2", "expected"), P_F)
def test_the_global_table_is_met_by_p_f(pao2: float, expected: Oxygenation) -> None:
    assert by_pressure(pao2, peep=5.0)[1].oxygenation is expected


@pytest.mark.parametrize(("spo2", "fio2", "expected"), S_F)
def test_the_global_table_is_met_by_s_f(spo2: float, fio2: float, expected: Oxygenation) -> None:
    readings = [
        reading(Quantity.FIO2_SET, fio2, START_S - 600, 1),
        reading(Quantity.SPO2, spo2, START_S - 60, 2),
    ]

    assert ards_classes(readings, at_s=START_S)[2].oxygenation is expected


def test_berlin_does_not_classify_below_a_peep_of_5_and_the_global_definition_does() -> None:
    berlin, by_pf = by_pressure(80.0, peep=4.0)

    assert berlin.oxygenation is Oxygenation.NOT_CLASSIFIED
    assert by_pf.oxygenation is MODERATE


def test_a_saturation_above_97_gives_no_s_f_class() -> None:
    readings = [reading(Quantity.FIO2_SET, 0.6, START_S - 600, 1), reading(Quantity.SPO2, 98.0, START_S - 60, 2)]

    answer = ards_classes(readings, at_s=START_S)[2]

    assert answer.oxygenation is None
    assert "97 % or less" in spell(answer.sentence)
