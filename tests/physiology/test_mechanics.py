"""Compliance, driving pressure, elastance, resistance and the two limits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.formulas.mechanics import (
    airway_resistance_cmh2o_s_per_l,
    driving_pressure_at_cmh2o,
    driving_pressure_cmh2o,
    dynamic_compliance_ml_per_cmh2o,
    elastance_cmh2o_per_l,
    largest_tidal_volume_ml,
    limits_exceeded,
    static_compliance_ml_per_cmh2o,
    time_constant_s,
)

NAN = float("nan")
INFINITE = float("inf")

volumes = st.floats(50.0, 1200.0)
peeps = st.floats(0.0, 30.0)
pushes = st.floats(0.5, 40.0)
compliances = st.floats(5.0, 150.0)


@given(volume=volumes, peep=peeps, push=pushes)
def test_compliance_times_driving_pressure_is_the_tidal_volume(volume: float, peep: float, push: float) -> None:
    plateau = peep + push

    compliance = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep)

    assert compliance * driving_pressure_cmh2o(plateau_cmh2o=plateau, total_peep_cmh2o=peep) == pytest.approx(volume)


@given(volume=volumes, compliance=compliances)
def test_what_a_volume_would_cost_is_what_it_does_cost(volume: float, compliance: float) -> None:
    cost = driving_pressure_at_cmh2o(tidal_volume_ml=volume, compliance_ml_per_cmh2o=compliance)

    assert static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume, plateau_cmh2o=10.0 + cost, total_peep_cmh2o=10.0
    ) == pytest.approx(compliance)


@given(volume=volumes, peep=peeps, push=pushes, intrinsic=st.floats(0.1, 0.4))
def test_overlooked_intrinsic_peep_makes_compliance_read_too_low(
    volume: float, peep: float, push: float, intrinsic: float
) -> None:
    plateau = peep + push

    overlooked = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep)
    known = static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep + intrinsic
    )

    assert overlooked < known


@given(volume=volumes, peep=peeps, push=pushes, resistive=st.floats(0.1, 20.0))
def test_dynamic_compliance_reads_lower_where_flow_costs_pressure(
    volume: float, peep: float, push: float, resistive: float
) -> None:
    static = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=peep + push, total_peep_cmh2o=peep)
    dynamic = dynamic_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume, peak_cmh2o=peep + push + resistive, peep_cmh2o=peep
    )

    assert dynamic < static


@given(compliance=compliances)
def test_a_litre_per_compliance_is_the_elastance(compliance: float) -> None:
    cost_of_a_litre = driving_pressure_at_cmh2o(tidal_volume_ml=1000.0, compliance_ml_per_cmh2o=compliance)

    assert elastance_cmh2o_per_l(compliance_ml_per_cmh2o=compliance) == pytest.approx(cost_of_a_litre)


@given(volume=volumes, peep=peeps, push=pushes, factor=st.floats(0.5, 2.0))
def test_compliance_scales_with_the_unit_of_volume(volume: float, peep: float, push: float, factor: float) -> None:
    one = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=peep + push, total_peep_cmh2o=peep)
    scaled = static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume * factor, plateau_cmh2o=peep + push, total_peep_cmh2o=peep
    )

    assert scaled == pytest.approx(one * factor)


@given(resistance=st.floats(1.0, 40.0), flow=st.floats(0.1, 2.0), plateau=st.floats(5.0, 40.0))
def test_resistance_times_flow_is_the_pressure_between_plateau_and_peak(
    resistance: float, flow: float, plateau: float
) -> None:
    found = airway_resistance_cmh2o_s_per_l(
        peak_cmh2o=plateau + resistance * flow, plateau_cmh2o=plateau, flow_l_per_s=flow
    )

    assert found == pytest.approx(resistance)


def test_a_peak_at_the_plateau_means_no_resistance() -> None:
    assert airway_resistance_cmh2o_s_per_l(peak_cmh2o=20.0, plateau_cmh2o=20.0, flow_l_per_s=0.5) == 0.0


@given(compliance=compliances, peep=peeps)
def test_the_largest_volume_brings_the_plateau_to_its_limit(compliance: float, peep: float) -> None:
    limit = peep + 12.0

    volume = largest_tidal_volume_ml(compliance_ml_per_cmh2o=compliance, peep_cmh2o=peep, plateau_limit_cmh2o=limit)

    assert peep + driving_pressure_at_cmh2o(
        tidal_volume_ml=volume, compliance_ml_per_cmh2o=compliance
    ) == pytest.approx(limit)


@pytest.mark.parametrize("peep", [30.0, 32.0])
def test_no_volume_fits_where_peep_uses_up_the_limit(peep: float) -> None:
    assert largest_tidal_volume_ml(compliance_ml_per_cmh2o=40.0, peep_cmh2o=peep, plateau_limit_cmh2o=30.0) == 0.0


def limits_passed_by(plateau: float, driving: float) -> tuple[str, ...]:
    return limits_exceeded(
        plateau_cmh2o=plateau,
        driving_pressure_cmh2o=driving,
        plateau_limit_cmh2o=30.0,
        driving_pressure_limit_cmh2o=15.0,
    )


def test_values_at_their_limits_are_within_them() -> None:
    assert limits_passed_by(30.0, 15.0) == ()


def test_a_difference_that_nobody_sees_passes_no_limit() -> None:
    assert limits_passed_by(30.04, 15.000000000000002) == ()


def test_the_first_difference_that_is_seen_passes_the_limit() -> None:
    assert len(limits_passed_by(30.1, 15.1)) == 2


def test_a_plateau_above_its_limit_is_said_with_value_and_limit() -> None:
    assert limits_passed_by(32.26, 12.0) == ("Plateau pressure of 32.3 cmH2O is above the limit of 30 cmH2O.",)


def test_a_driving_pressure_above_its_limit_is_said_with_value_and_limit() -> None:
    assert limits_passed_by(28.0, 16.0) == ("Driving pressure of 16.0 cmH2O is above the limit of 15 cmH2O.",)


@pytest.mark.parametrize(
    ("volume", "plateau", "peep"),
    [
        (0.0, 24.0, 10.0),
        (-420.0, 24.0, 10.0),
        (420.0, 10.0, 10.0),
        (420.0, 8.0, 10.0),
        (420.0, 24.0, -1.0),
        (NAN, 24.0, 10.0),
        (420.0, NAN, 10.0),
        (420.0, 24.0, NAN),
        (INFINITE, 24.0, 10.0),
        (420.0, INFINITE, 10.0),
    ],
)
def test_a_breath_that_cannot_be_has_no_static_compliance(volume: float, plateau: float, peep: float) -> None:
    with pytest.raises(ValueError, match=r"must (be|lie)"):
        static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep)


@pytest.mark.parametrize(
    ("volume", "peak", "peep"),
    [(0.0, 30.0, 10.0), (420.0, 10.0, 10.0), (420.0, 9.0, 10.0), (420.0, NAN, 10.0), (420.0, 30.0, -0.1)],
)
def test_a_breath_that_cannot_be_has_no_dynamic_compliance(volume: float, peak: float, peep: float) -> None:
    with pytest.raises(ValueError, match=r"must (be|lie)"):
        dynamic_compliance_ml_per_cmh2o(tidal_volume_ml=volume, peak_cmh2o=peak, peep_cmh2o=peep)


@pytest.mark.parametrize(
    ("peak", "plateau", "flow"), [(20.0, 25.0, 1.0), (40.0, 25.0, 0.0), (40.0, 25.0, -1.0), (NAN, 25.0, 1.0)]
)
def test_a_peak_below_the_plateau_or_no_flow_has_no_resistance(peak: float, plateau: float, flow: float) -> None:
    with pytest.raises(ValueError, match="must"):
        airway_resistance_cmh2o_s_per_l(peak_cmh2o=peak, plateau_cmh2o=plateau, flow_l_per_s=flow)


@pytest.mark.parametrize("compliance", [0.0, -30.0, NAN, INFINITE])
def test_a_compliance_that_cannot_be_has_neither_elastance_nor_time_constant(compliance: float) -> None:
    with pytest.raises(ValueError, match="compliance"):
        elastance_cmh2o_per_l(compliance_ml_per_cmh2o=compliance)
    with pytest.raises(ValueError, match="compliance"):
        time_constant_s(resistance_cmh2o_s_per_l=10.0, compliance_ml_per_cmh2o=compliance)
