"""Ratios of gas exchange and the classes that they fall into."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.gas_exchange import (
    GasDoubt,
    Oxygenation,
    berlin_class,
    doubt_of,
    global_class_from_pf,
    global_class_from_sf,
    pf_ratio_at_altitude_mmhg,
    pf_ratio_mmhg,
    sf_ratio,
    ventilatory_ratio,
)
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import BESIDE_S
from ebbmark.words.messages import spell

NAN = float("nan")
WORST_FIRST = list(Oxygenation)

fractions = st.floats(0.21, 1.0)
ratios = st.floats(20.0, 700.0)


@given(fio2=fractions, pao2=st.floats(30.0, 600.0))
def test_more_oxygen_for_the_same_tension_is_worse(fio2: float, pao2: float) -> None:
    assert pf_ratio_mmhg(pao2_mmhg=pao2, fio2=1.0) <= pf_ratio_mmhg(pao2_mmhg=pao2, fio2=fio2)


@pytest.mark.parametrize("fio2", [21.0, 60.0, 1.01, 0.19, 0.0, -0.5, NAN])
def test_inspired_oxygen_that_is_no_fraction_is_refused(fio2: float) -> None:
    with pytest.raises(ValueError, match="fraction"):
        pf_ratio_mmhg(pao2_mmhg=70.0, fio2=fio2)
    with pytest.raises(ValueError, match="fraction"):
        sf_ratio(spo2_percent=92.0, fio2=fio2)


@given(spo2=st.floats(97.001, 100.0), fio2=fractions)
def test_a_saturation_above_97_tells_nothing(spo2: float, fio2: float) -> None:
    assert sf_ratio(spo2_percent=spo2, fio2=fio2) is None


def test_a_saturation_of_97_still_counts() -> None:
    assert sf_ratio(spo2_percent=97.0, fio2=0.5) == pytest.approx(194.0)


@pytest.mark.parametrize("spo2", [0.0, -1.0, 100.5, NAN])
def test_a_saturation_that_cannot_be_is_refused(spo2: float) -> None:
    with pytest.raises(ValueError, match=r"saturation|spo2"):
        sf_ratio(spo2_percent=spo2, fio2=0.5)


@pytest.mark.parametrize("percent", range(21, 101))
def test_a_tension_of_as_many_mmhg_as_percent_of_oxygen_is_severe(percent: int) -> None:
    ratio = pf_ratio_mmhg(pao2_mmhg=float(percent), fio2=percent / 100.0)

    assert global_class_from_pf(pf_ratio_mmhg=ratio) is Oxygenation.SEVERE


@given(worse=ratios, better=ratios)
def test_a_better_ratio_is_never_in_a_worse_class(worse: float, better: float) -> None:
    worse, better = sorted((worse, better))

    def rank_by_pf(ratio: float) -> int:
        return WORST_FIRST.index(global_class_from_pf(pf_ratio_mmhg=ratio))

    def rank_by_sf(ratio: float) -> int:
        return WORST_FIRST.index(global_class_from_sf(sf_ratio=ratio))

    assert rank_by_pf(worse) <= rank_by_pf(better)
    assert rank_by_sf(worse) <= rank_by_sf(better)


@given(ratio=ratios, peep=st.floats(5.0, 30.0))
def test_both_definitions_agree_on_p_f_once_peep_reaches_5(ratio: float, peep: float) -> None:
    by_berlin = berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=peep)

    assert by_berlin is global_class_from_pf(pf_ratio_mmhg=ratio)


@given(ratio=ratios, peep=st.floats(0.0, 4.999))
def test_berlin_does_not_classify_below_a_peep_of_5(ratio: float, peep: float) -> None:
    assert berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=peep) is Oxygenation.NOT_CLASSIFIED


@pytest.mark.parametrize(("ratio", "peep"), [(0.0, 8.0), (-100.0, 8.0), (NAN, 8.0), (150.0, -1.0), (NAN, 0.0)])
def test_a_ratio_or_support_that_cannot_be_is_not_classified_but_refused(ratio: float, peep: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=peep)


@given(ratio=ratios)
def test_at_sea_level_altitude_changes_nothing(ratio: float) -> None:
    corrected = pf_ratio_at_altitude_mmhg(pf_ratio_mmhg=ratio, barometric_pressure_mmhg=760.0)

    assert corrected == pytest.approx(ratio)


@given(minute_volume=st.floats(3.0, 25.0), paco2=st.floats(20.0, 120.0), pbw=st.floats(35.0, 110.0))
def test_twice_the_ventilation_for_the_same_carbon_dioxide_is_twice_as_bad(
    minute_volume: float, paco2: float, pbw: float
) -> None:
    once = ventilatory_ratio(minute_volume_l_per_min=minute_volume, paco2_mmhg=paco2, pbw_kg=pbw)
    twice = ventilatory_ratio(minute_volume_l_per_min=2.0 * minute_volume, paco2_mmhg=paco2, pbw_kg=pbw)

    assert twice == pytest.approx(2.0 * once)


@pytest.mark.parametrize(("minute_volume", "paco2", "pbw"), [(0.0, 60.0, 70.0), (8.4, NAN, 70.0), (8.4, 60.0, -70.0)])
def test_a_ventilatory_ratio_of_nothing_is_refused(minute_volume: float, paco2: float, pbw: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        ventilatory_ratio(minute_volume_l_per_min=minute_volume, paco2_mmhg=paco2, pbw_kg=pbw)


PAO2_S = 1_790_000_000.0


def doubted(pao2: float, spo2: float | None = None, apart_s: float = 0.0) -> GasDoubt | None:
    gas = Reading(Quantity.PAO2, pao2, PAO2_S, PAO2_S, 1)
    beside = [] if spo2 is None else [Reading(Quantity.SPO2, spo2, PAO2_S + apart_s, PAO2_S + apart_s, 2)]
    return doubt_of([gas, *beside], gas)


@pytest.mark.parametrize(("pao2", "found"), [(20.0, False), (19.9, True)])
def test_a_tension_below_twenty_is_asked_about_where_nothing_stands_beside_it(pao2: float, *, found: bool) -> None:
    doubt = doubted(pao2)

    assert (doubt is not None) is found
    assert doubt is None or (doubt.unit_slip and doubt.spo2 is None)


@pytest.mark.parametrize(("apart_s", "contradicts"), [(BESIDE_S, True), (BESIDE_S + 1, False)])
def test_a_saturation_counts_beside_a_gas_within_its_time(apart_s: float, *, contradicts: bool) -> None:
    assert (doubted(200.0, 60.0, apart_s) is not None) is contradicts


@pytest.mark.parametrize(("pao2", "spo2", "slip"), [(10.0, 94.0, True), (200.0, 60.0, True), (100.0, 60.0, False)])
def test_a_tension_in_kilopascal_is_told_from_one_that_contradicts(pao2: float, spo2: float, *, slip: bool) -> None:
    doubt = doubted(pao2, spo2)

    assert doubt is not None
    assert doubt.unit_slip is slip
    assert ("Which of them is wrong is not known" in spell(doubt.sentence)) is not slip
    assert "at the same time" in spell(doubt.sentence)
