"""Compliance and driving pressure."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.mechanics import (
    driving_pressure_at_cmh2o,
    driving_pressure_cmh2o,
    dynamic_compliance_ml_per_cmh2o,
    static_compliance_ml_per_cmh2o,
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


@given(volume=volumes, peep=peeps, push=pushes, factor=st.floats(0.5, 2.0))
def test_compliance_scales_with_the_unit_of_volume(volume: float, peep: float, push: float, factor: float) -> None:
    one = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=peep + push, total_peep_cmh2o=peep)
    scaled = static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume * factor, plateau_cmh2o=peep + push, total_peep_cmh2o=peep
    )

    assert scaled == pytest.approx(one * factor)


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


@pytest.mark.parametrize("compliance", [0.0, -30.0, NAN, INFINITE])
def test_a_compliance_that_cannot_be_costs_no_pressure(compliance: float) -> None:
    with pytest.raises(ValueError, match="compliance"):
        driving_pressure_at_cmh2o(tidal_volume_ml=420.0, compliance_ml_per_cmh2o=compliance)
