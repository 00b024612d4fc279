"""The invented lung: parameters, lattice of units, and the trial it goes through."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ebbmark.physiology.lung import (
    Lung,
    SimulatedPhase,
    SimulatedStep,
    Spread,
    Staircase,
    Thresholds,
    UnitLaw,
    lay_out,
    simulate_trial,
)
from inflation import pressure_volume_loop

DOWN = tuple(float(peep) for peep in range(26, 5, -2))
TRIAL = Staircase(DOWN, after_cmh2o=14.0)
LUNG = Lung(layers=10, units_per_layer=30)
ALL_OPEN = Thresholds(-50.0, 0.01)
"""Closes only far below any pressure of a trial: once open, always open."""


def limb(lung: Lung, trial: Staircase = TRIAL) -> list[SimulatedStep]:
    return [step for step in simulate_trial(lung, trial) if step.phase is SimulatedPhase.DECREMENTAL]


lungs = st.builds(
    Lung,
    opening=st.builds(Thresholds, st.floats(8.0, 30.0), st.floats(1.0, 8.0), st.sampled_from(Spread)),
    closing=st.builds(
        Thresholds,
        st.floats(0.5, 14.0),
        st.floats(0.3, 4.0),
        st.sampled_from(Spread),
        st.floats(2.0, 18.0),
        st.floats(0.05, 0.95),
    ),
    superimposed_cmh2o=st.floats(0.0, 15.0),
    law=st.sampled_from(UnitLaw),
    half_pressure_cmh2o=st.floats(4.0, 14.0),
    capacity_ml=st.floats(1500.0, 3000.0),
    chest_wall_ml_per_cmh2o=st.floats(100.0, 250.0),
    layers=st.just(6),
    units_per_layer=st.just(15),
)


def test_no_unit_closes_above_the_pressure_that_opens_it() -> None:
    units = lay_out(Lung(opening=Thresholds(6.0, 5.0), closing=Thresholds(6.0, 5.0)))

    assert (units.closes_at_cmh2o <= units.opens_at_cmh2o).all()


@pytest.mark.parametrize(
    ("thresholds", "mean", "sd"),
    [
        (Thresholds(20.0, 6.0), 20.0, 6.0),
        (Thresholds(20.0, 6.0, Spread.UNIFORM), 20.0, 6.0),
        (Thresholds(20.0, 6.0, Spread.LOGNORMAL), 20.0, 6.0),
        # Two modes: mean 0.7 * 10 + 0.3 * 20; variance 2**2 + 0.7 * 0.3 * 10**2.
        (Thresholds(10.0, 2.0, Spread.BIMODAL, 20.0, 0.3), 13.0, 5.0),
    ],
)
def test_thresholds_have_the_mean_and_spread_asked_for(thresholds: Thresholds, mean: float, sd: float) -> None:
    units = lay_out(Lung(opening=thresholds, closing=Thresholds(-9.0, 1.0), superimposed_cmh2o=0.0))

    assert units.opens_at_cmh2o.mean() == pytest.approx(mean, rel=0.005)
    assert units.opens_at_cmh2o.std() == pytest.approx(sd, rel=0.02)


def test_normal_thresholds_are_the_quantiles_of_an_outside_library() -> None:
    units = lay_out(Lung(opening=Thresholds(20.0, 6.0), superimposed_cmh2o=0.0))

    count = units.opens_at_cmh2o.size
    expected = stats.norm.ppf((np.arange(count) + 0.5) / count, 20.0, 6.0)
    assert np.sort(units.opens_at_cmh2o, axis=None) == pytest.approx(expected, abs=1e-3)


def test_opening_and_closing_pressures_of_a_unit_are_not_tied() -> None:
    units = lay_out(Lung(superimposed_cmh2o=0.0))

    assert abs(np.corrcoef(units.opens_at_cmh2o.ravel(), units.closes_at_cmh2o.ravel())[0, 1]) < 0.1


def test_an_exponential_unit_holds_half_at_its_half_pressure() -> None:
    lung = Lung(superimposed_cmh2o=0.0, half_pressure_cmh2o=5.0, capacity_ml=2000.0)
    units = lay_out(lung)

    everything = np.ones_like(units.all_closed())
    assert units.volume_ml(5.0, everything) == pytest.approx(1000.0)
    assert units.volume_ml(10.0, everything) == pytest.approx(1500.0)
    assert units.volume_ml(-3.0, everything) == 0.0


def test_a_sigmoid_unit_holds_half_at_its_inflection() -> None:
    lung = Lung(
        superimposed_cmh2o=0.0,
        law=UnitLaw.SIGMOID,
        inflection_cmh2o=9.0,
        width_cmh2o=4.0,
        capacity_ml=2000.0,
    )
    units = lay_out(lung)

    everything = np.ones_like(units.all_closed())
    assert units.volume_ml(9.0, everything) == pytest.approx(1000.0)
    assert units.volume_ml(13.0, everything) == pytest.approx(2000.0 / (1.0 + math.exp(-1.0)))


def test_superimposed_pressure_rises_evenly_from_top_to_bottom() -> None:
    superimposed = lay_out(Lung(superimposed_cmh2o=15.0, layers=30)).superimposed_cmh2o

    assert superimposed == pytest.approx(np.linspace(0.25, 14.75, 30))


def test_lung_and_chest_wall_are_in_series() -> None:
    stiff = Lung(closing=ALL_OPEN, chest_wall_ml_per_cmh2o=1e9, superimposed_cmh2o=0.0)
    whole = replace(stiff, chest_wall_ml_per_cmh2o=150.0)
    volume = 900.0

    # The same volume needs the lung's own pressure plus what stretches the chest wall, 900 / 150 = 6 cmH2O.
    rate = math.log(2.0) / stiff.half_pressure_cmh2o
    lung_pressure = -math.log(1.0 - volume / stiff.capacity_ml) / rate
    _, alone = pressure_volume_loop(stiff, [80.0], [lung_pressure])
    _, together = pressure_volume_loop(whole, [80.0], [lung_pressure + 6.0])

    assert alone == pytest.approx([volume], rel=1e-5)
    assert together == pytest.approx([volume], rel=1e-5)


def test_a_trial_passes_through_its_phases_in_order() -> None:
    phases = [step.phase for step in simulate_trial(LUNG, TRIAL)]

    assert list(dict.fromkeys(phases)) == list(SimulatedPhase)
    assert phases.count(SimulatedPhase.DECREMENTAL) == len(DOWN)


def test_a_trial_without_an_after_ends_with_the_limb() -> None:
    assert simulate_trial(LUNG, Staircase(DOWN))[-1].phase is SimulatedPhase.DECREMENTAL


def test_the_limb_delivers_the_tidal_volume() -> None:
    assert [step.tidal_volume_ml for step in limb(LUNG)] == pytest.approx([TRIAL.tidal_volume_ml] * len(DOWN))


def test_pressure_control_reaches_its_pressure_and_ends_without_flow() -> None:
    hold = next(step for step in simulate_trial(LUNG, TRIAL) if step.phase is SimulatedPhase.HOLD)

    assert hold.plateau_cmh2o == TRIAL.hold_cmh2o + TRIAL.driving_pressure_cmh2o
    assert hold.peak_cmh2o == hold.plateau_cmh2o


def test_static_compliance_is_volume_over_plateau_minus_total_peep() -> None:
    for step in limb(replace(LUNG, intrinsic_peep_cmh2o=2.0)):
        driving = step.plateau_cmh2o - step.total_peep_cmh2o
        assert step.static_ml_per_cmh2o == pytest.approx(step.tidal_volume_ml / driving)
        assert step.total_peep_cmh2o == step.peep_cmh2o + 2.0


def test_resistance_lowers_dynamic_but_not_static_compliance() -> None:
    tight = replace(LUNG, tube_resistance_cmh2o_s_per_l=20.0)

    for easy, hard in zip(limb(LUNG), limb(tight), strict=True):
        assert hard.static_ml_per_cmh2o == easy.static_ml_per_cmh2o
        assert hard.dynamic_ml_per_cmh2o < easy.dynamic_ml_per_cmh2o < easy.static_ml_per_cmh2o
        assert hard.peak_cmh2o - easy.peak_cmh2o == pytest.approx(12.0 * TRIAL.flow_l_per_s)


def test_intrinsic_peep_holds_the_lung_open_like_set_peep() -> None:
    trapped = limb(replace(LUNG, intrinsic_peep_cmh2o=2.0))
    free = limb(LUNG)

    # Set PEEP 10 with 2 trapped is the lung at PEEP 12; both limbs start from the same hold.
    assert trapped[8].open_fraction == pytest.approx(free[7].open_fraction, abs=0.01)


def test_reopening_restores_what_the_hold_had_opened() -> None:
    steps = simulate_trial(LUNG, TRIAL)
    hold = next(step for step in steps if step.phase is SimulatedPhase.HOLD)
    again = next(step for step in steps if step.phase is SimulatedPhase.REOPENING)
    at_14, after = next(s for s in steps if s.peep_cmh2o == 14.0), steps[-1]

    assert again.end_expiratory_ml == pytest.approx(hold.end_expiratory_ml, rel=0.01)
    assert after.open_fraction == pytest.approx(at_14.open_fraction, abs=0.01)


def test_a_lung_that_never_closes_never_loses_a_unit() -> None:
    assert {step.open_fraction for step in limb(replace(LUNG, closing=ALL_OPEN))} == {
        next(
            s.open_fraction
            for s in simulate_trial(replace(LUNG, closing=ALL_OPEN), TRIAL)
            if s.phase is SimulatedPhase.HOLD
        )
    }


def test_without_closing_compliance_only_rises_as_peep_falls_and_overdistension_is_relieved() -> None:
    compliances = [step.static_ml_per_cmh2o for step in limb(replace(LUNG, closing=ALL_OPEN))]

    # Units of the exponential law are the softer the lower the pressure, while all stay above their own zero.
    assert all(later > earlier for earlier, later in pairwise(compliances[:5]))


def test_the_same_lung_gives_the_same_bytes() -> None:
    first = simulate_trial(LUNG, TRIAL)
    lay_out.cache_clear()

    assert simulate_trial(LUNG, TRIAL) == first


def test_a_finer_lattice_changes_compliance_by_less_than_three_per_cent() -> None:
    coarse = [step.static_ml_per_cmh2o for step in limb(Lung())]
    fine = [step.static_ml_per_cmh2o for step in limb(Lung(layers=60, units_per_layer=100))]

    assert coarse == pytest.approx(fine, rel=0.03)


def test_a_volume_beyond_capacity_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot take a volume"):
        simulate_trial(Lung(capacity_ml=300.0), TRIAL)


@settings(max_examples=40, deadline=None)
@given(lung=lungs)
def test_deflation_never_holds_less_than_inflation_and_both_rise_with_pressure(lung: Lung) -> None:
    up = np.arange(0.0, 46.0, 3.0)

    rising, falling = pressure_volume_loop(lung, up.tolist(), up[::-1].tolist())

    one_unit = lung.capacity_ml / (lung.layers * lung.units_per_layer)
    assert (falling[::-1] >= rising - one_unit).all()
    assert (np.diff(rising) >= -one_unit).all()
    assert (np.diff(falling) <= one_unit).all()


@settings(max_examples=40, deadline=None)
@given(lung=lungs)
def test_going_down_the_open_share_never_grows_unless_a_breath_reopens(lung: Lung) -> None:
    sticky = replace(lung, opening=Thresholds(45.0, 0.1))
    steps = limb(sticky, Staircase(DOWN, hold_cmh2o=90.0, tidal_volume_ml=5.0))

    shares = [step.open_fraction for step in steps]
    assert shares == sorted(shares, reverse=True)
    assert all(0.0 <= share <= 1.0 for share in shares)
