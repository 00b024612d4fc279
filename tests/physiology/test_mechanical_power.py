"""Mechanical power: the forms agree where they must, and refuse what cannot be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.mechanics import (
    Control,
    expected_mechanical_power_j_per_min,
    mechanical_power_pressure_control_j_per_min,
    mechanical_power_volume_control_j_per_min,
)

NAN = float("nan")

rates = st.floats(8.0, 35.0)
volumes = st.floats(150.0, 800.0)
peeps = st.floats(0.0, 25.0)
pushes = st.floats(3.0, 30.0)
drops = st.floats(0.0, 20.0)


@given(rate=rates, volume=volumes, peep=peeps, push=pushes, drop=drops, factor=st.floats(1.1, 3.0))
def test_power_goes_with_the_rate(
    rate: float, volume: float, peep: float, push: float, drop: float, factor: float
) -> None:
    once = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=peep + push,
        peak_cmh2o=peep + push + drop,
    )
    faster = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate * factor,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=peep + push,
        peak_cmh2o=peep + push + drop,
    )

    assert faster == pytest.approx(once * factor)


@given(rate=rates, volume=volumes, peep=peeps, push=pushes)
def test_a_square_wave_costs_more_than_constant_flow_without_resistance(
    rate: float, volume: float, peep: float, push: float
) -> None:
    square = mechanical_power_pressure_control_j_per_min(
        rate_per_min=rate, tidal_volume_ml=volume, peep_cmh2o=peep, pressure_above_peep_cmh2o=push
    )
    constant_flow = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=peep + push,
        peak_cmh2o=peep + push,
    )

    assert square - constant_flow == pytest.approx(0.098 * rate * volume / 1000.0 * push / 2.0)


@given(rate=rates, volume=volumes, peep=peeps, push=pushes)
def test_an_expected_breath_in_pressure_control_is_a_square_wave_of_the_driving_pressure(
    rate: float, volume: float, peep: float, push: float
) -> None:
    expected = expected_mechanical_power_j_per_min(
        control=Control.PRESSURE,
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        driving_pressure_cmh2o=push,
    )

    assert expected == pytest.approx(0.098 * rate * volume / 1000.0 * (peep + push))


@given(rate=rates, volume=volumes, peep=peeps, push=pushes, drop=drops)
def test_an_expected_breath_in_volume_control_is_what_the_same_breath_would_measure(
    rate: float, volume: float, peep: float, push: float, drop: float
) -> None:
    expected = expected_mechanical_power_j_per_min(
        control=Control.VOLUME,
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        driving_pressure_cmh2o=push,
        resistive_pressure_cmh2o=drop,
    )

    assert expected == pytest.approx(0.098 * rate * volume / 1000.0 * (peep + push / 2.0 + drop))


def test_volume_control_without_a_resistive_pressure_is_not_guessed() -> None:
    expected = expected_mechanical_power_j_per_min(
        control=Control.VOLUME,
        rate_per_min=20.0,
        tidal_volume_ml=420.0,
        peep_cmh2o=10.0,
        driving_pressure_cmh2o=14.0,
    )

    assert expected is None


@pytest.mark.parametrize(
    ("rate", "volume", "peep", "plateau", "peak"),
    [
        (0.0, 420.0, 10.0, 24.0, 30.0),
        (20.0, 0.0, 10.0, 24.0, 30.0),
        (20.0, 420.0, -1.0, 24.0, 30.0),
        (20.0, 420.0, 24.0, 24.0, 30.0),
        (20.0, 420.0, 10.0, 31.0, 30.0),
        (20.0, 420.0, 10.0, NAN, 30.0),
        (NAN, 420.0, 10.0, 24.0, 30.0),
        (20.0, 420.0, 10.0, 24.0, float("inf")),
    ],
)
def test_a_breath_that_cannot_be_has_no_power(
    rate: float, volume: float, peep: float, plateau: float, peak: float
) -> None:
    with pytest.raises(ValueError, match="must"):
        mechanical_power_volume_control_j_per_min(
            rate_per_min=rate,
            tidal_volume_ml=volume,
            peep_cmh2o=peep,
            plateau_cmh2o=plateau,
            peak_cmh2o=peak,
        )


def test_a_negative_resistive_pressure_is_refused() -> None:
    with pytest.raises(ValueError, match="resistive"):
        expected_mechanical_power_j_per_min(
            control=Control.VOLUME,
            rate_per_min=20.0,
            tidal_volume_ml=420.0,
            peep_cmh2o=10.0,
            driving_pressure_cmh2o=14.0,
            resistive_pressure_cmh2o=-1.0,
        )
