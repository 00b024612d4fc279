"""Which lungs are invented for the benchmark, and what do they show along a fine decremental limb?

Tuning lungs and report lungs share neither the law of the unit nor the shapes of the threshold distributions,
and differ in their ranges, so that a method tuned on the first is judged on the second:

    tuning: sigmoid units; normal opening and closing pressures (Crotti 2001).
    report: exponential units; lognormal, uniform or bimodal closing pressures, lognormal or uniform opening ones.

All ranges are our assumptions around the sourced values in `ebbmark.physiology.lung`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

import numpy as np

from ebbmark.physiology.lung import (
    Lung,
    SimulatedPhase,
    SimulatedStep,
    Spread,
    Staircase,
    Thresholds,
    UnitLaw,
    simulate_trial,
)

TOP_CMH2O, BOTTOM_CMH2O, GRID_CMH2O = 28.0, 3.0, 0.5
HOLD_CMH2O = 40.0
LAYERS, UNITS_PER_LAYER = 20, 120


class Purpose(Enum):
    """What a set of lungs is for."""

    TUNING = "tuning"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class FineLimb:
    """A lung along the fine decremental limb; rows: PEEP, static, volume, plateau, peak, total PEEP."""

    lung: Lung
    rows: np.ndarray[tuple[int, int], np.dtype[np.float64]]


def invent_lung(rng: np.random.Generator, purpose: Purpose, *, narrow: bool) -> Lung:
    """Draw one lung: with narrow closing pressures it tends to close abruptly, with wide ones gradually."""
    return _tuning_lung(rng, narrow) if purpose is Purpose.TUNING else _report_lung(rng, narrow)


def _tuning_lung(rng: np.random.Generator, narrow: bool) -> Lung:
    centre = rng.uniform(1.0, 13.0)
    return Lung(
        opening=Thresholds(centre + rng.uniform(10.0, 22.0), rng.uniform(4.0, 8.0)),
        closing=Thresholds(centre, rng.uniform(0.3, 1.2) if narrow else rng.uniform(1.5, 4.0)),
        superimposed_cmh2o=rng.uniform(0.5, 3.0) if narrow else rng.uniform(3.0, 14.5),
        law=UnitLaw.SIGMOID,
        inflection_cmh2o=rng.uniform(2.0, 14.0),
        width_cmh2o=rng.uniform(4.0, 9.0),
        capacity_ml=rng.uniform(1000.0, 2600.0),
        chest_wall_ml_per_cmh2o=rng.uniform(110.0, 250.0),
        intrinsic_peep_cmh2o=float(rng.choice([0.0, 0.0, 1.0, 2.0])),
        tube_resistance_cmh2o_s_per_l=rng.uniform(6.0, 12.0),
        airway_resistance_cmh2o_s_per_l=rng.uniform(1.0, 4.0),
        layers=LAYERS,
        units_per_layer=UNITS_PER_LAYER,
    )


def _report_lung(rng: np.random.Generator, narrow: bool) -> Lung:
    centre = rng.uniform(0.5, 15.0)
    shape = (Spread.LOGNORMAL, Spread.UNIFORM, Spread.BIMODAL)[int(rng.integers(3))]
    second = centre + rng.uniform(1.0, 3.0 if narrow else 6.0)
    return Lung(
        opening=Thresholds(
            centre + rng.uniform(8.0, 25.0),
            rng.uniform(3.0, 10.0),
            (Spread.LOGNORMAL, Spread.UNIFORM)[int(rng.integers(2))],
        ),
        closing=Thresholds(
            centre,
            rng.uniform(0.2, 1.5) if narrow else rng.uniform(1.2, 5.0),
            shape,
            second,
            rng.uniform(0.1, 0.4),
        ),
        superimposed_cmh2o=rng.uniform(0.0, 4.0) if narrow else rng.uniform(2.0, 17.0),
        law=UnitLaw.EXPONENTIAL,
        half_pressure_cmh2o=rng.uniform(6.0, 14.0),
        capacity_ml=rng.uniform(900.0, 3000.0),
        chest_wall_ml_per_cmh2o=rng.uniform(100.0, 220.0),
        intrinsic_peep_cmh2o=float(rng.choice([0.0, 0.0, 1.0, 3.0])),
        tube_resistance_cmh2o_s_per_l=rng.uniform(5.0, 15.0),
        airway_resistance_cmh2o_s_per_l=rng.uniform(1.0, 5.0),
        layers=LAYERS,
        units_per_layer=UNITS_PER_LAYER,
    )


@lru_cache(maxsize=8)
def lung_limbs(purpose: Purpose, count: int = 160, seed: int = 0) -> tuple[FineLimb, ...]:
    """Simulate a pool of lungs along the fine limb, half of them narrow, half wide.

    A lung is taken if its compliance in the middle of the limb lies in 12 to 70 mL/cmH2O, and if no breath of the limb
    goes above the pressure of the hold; otherwise the limb would open what the hold had left closed.
    """
    rng = np.random.default_rng([seed, 1 if purpose is Purpose.TUNING else 2])
    fine = tuple(float(p) for p in np.arange(TOP_CMH2O, BOTTOM_CMH2O - 0.1, -GRID_CMH2O))
    limbs: list[FineLimb] = []
    while len(limbs) < count:
        lung = invent_lung(rng, purpose, narrow=len(limbs) % 2 == 0)
        tidal_volume = float(rng.uniform(280.0, 480.0))
        steps = _decremental(lung, fine[:1], tidal_volume) and _decremental(lung, fine, tidal_volume)
        if not steps:
            continue
        rows = np.array(
            [
                (
                    s.peep_cmh2o,
                    s.static_ml_per_cmh2o,
                    s.tidal_volume_ml,
                    s.plateau_cmh2o,
                    s.peak_cmh2o,
                    s.total_peep_cmh2o,
                )
                for s in steps
            ]
        ).T
        if 12.0 <= rows[1, rows.shape[1] // 2] <= 70.0:
            limbs.append(FineLimb(lung, rows))
    return tuple(limbs)


def _decremental(lung: Lung, peeps: tuple[float, ...], tidal_volume_ml: float) -> list[SimulatedStep]:
    """Simulate a limb; empty where the lung cannot take the breaths, or a breath goes above the hold."""
    trial = Staircase(peeps, staircase_cmh2o=(), hold_cmh2o=HOLD_CMH2O, tidal_volume_ml=tidal_volume_ml)
    try:
        steps = [step for step in simulate_trial(lung, trial) if step.phase is SimulatedPhase.DECREMENTAL]
    except ValueError:
        return []
    within = all(step.plateau_cmh2o <= HOLD_CMH2O + trial.driving_pressure_cmh2o for step in steps)
    return steps if within else []
