"""What would an invented lung show in a recruitment trial: staircase, hold, decremental limb, re-opening?

Noise-free and deterministic: measuring and its errors are added elsewhere.

Source: Hickling KG, Am J Respir Crit Care Med 2001;163:69-78 for the idea (tidal ventilation of the model of
1998 in incremental and decremental trials; details from memory); see `lung`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from ebbmark.physiology.lung.lung import Lung
from ebbmark.physiology.lung.units import Flags, Floats, Units, lay_out, reach_airway, reach_volume

__all__ = ["Phase", "SimulatedStep", "Staircase", "pressure_volume_loop", "simulate_trial"]


class Phase(Enum):
    """Part of the trial."""

    BASELINE = "baseline"
    STAIRCASE = "staircase"
    HOLD = "hold"
    DECREMENTAL = "decremental"
    REOPENING = "re-opening"
    AFTER = "after"


VOLUME_CONTROLLED = frozenset({Phase.BASELINE, Phase.DECREMENTAL, Phase.AFTER})
LEAST_SHARE_OF_AIRWAYS = 0.3
"""Resistance of the small airways stops rising below this open share; our assumption."""


@dataclass(frozen=True, slots=True)
class Staircase:
    """The trial to perform: which set PEEP in which order, and how breaths are given.

    Attributes:
        decremental_cmh2o: set PEEP of the decremental limb, in order; volume control.
        baseline_cmh2o: set PEEP before; volume control.
        staircase_cmh2o: set PEEP of the rising steps; pressure control.
        hold_cmh2o: set PEEP of the hold, and of the re-opening; pressure control.
        after_cmh2o: set PEEP after re-opening, volume control; None ends the trial with the limb.
        driving_pressure_cmh2o: pressure above PEEP in pressure control (15 in published staircases).
        tidal_volume_ml: inspired volume in volume control.
        flow_l_per_s: constant inspiratory flow in volume control.
        breaths: most breaths of a step; the last one is reported. A step ends earlier where breaths repeat.
    """

    decremental_cmh2o: tuple[float, ...]
    baseline_cmh2o: float = 10.0
    staircase_cmh2o: tuple[float, ...] = (15.0, 20.0, 25.0, 30.0)
    hold_cmh2o: float = 35.0
    after_cmh2o: float | None = None
    driving_pressure_cmh2o: float = 15.0
    tidal_volume_ml: float = 420.0
    flow_l_per_s: float = 0.6
    breaths: int = 10


@dataclass(frozen=True, slots=True)
class SimulatedStep:
    """The noise-free last breath of one step.

    Attributes:
        phase: part of the trial.
        peep_cmh2o: set PEEP.
        total_peep_cmh2o: set plus intrinsic PEEP.
        plateau_cmh2o: end-inspiratory pressure without flow.
        peak_cmh2o: end-inspiratory pressure with flow; equals plateau in pressure control, where flow has ceased.
        tidal_volume_ml: inspired volume.
        static_ml_per_cmh2o: tidal volume / (plateau - total PEEP).
        dynamic_ml_per_cmh2o: tidal volume / (peak - set PEEP).
        end_expiratory_ml: lung volume at end expiration.
        open_fraction: share of units open at end expiration.
    """

    phase: Phase
    peep_cmh2o: float
    total_peep_cmh2o: float
    plateau_cmh2o: float
    peak_cmh2o: float
    tidal_volume_ml: float
    static_ml_per_cmh2o: float
    dynamic_ml_per_cmh2o: float
    end_expiratory_ml: float
    open_fraction: float


def simulate_trial(lung: Lung, trial: Staircase) -> tuple[SimulatedStep, ...]:
    """Take a collapsed lung through baseline, staircase, hold, decremental limb and, where asked, re-opening.

    Args:
        lung: the invented patient.
        trial: the steps to perform.

    Returns:
        One noise-free step each, in order.

    Raises:
        ValueError: the lung cannot take the tidal volume at some step.

    Source: Hickling 2001; see the module.
    """
    plan = [(Phase.BASELINE, trial.baseline_cmh2o)]
    plan += [(Phase.STAIRCASE, peep) for peep in trial.staircase_cmh2o]
    plan += [(Phase.HOLD, trial.hold_cmh2o)]
    plan += [(Phase.DECREMENTAL, peep) for peep in trial.decremental_cmh2o]
    if trial.after_cmh2o is not None:
        plan += [(Phase.REOPENING, trial.hold_cmh2o), (Phase.AFTER, trial.after_cmh2o)]
    units = lay_out(lung)
    open_now = units.all_closed()
    steps = []
    for phase, peep in plan:
        step, open_now = _breathe(lung, units, trial, phase, peep, open_now)
        steps.append(step)
    return tuple(steps)


def pressure_volume_loop(
    lung: Lung, rising_cmh2o: Sequence[float], falling_cmh2o: Sequence[float]
) -> tuple[Floats, Floats]:
    """Inflate the collapsed lung slowly along rising airway pressures, then deflate it along falling ones.

    Args:
        lung: the invented patient.
        rising_cmh2o: airway pressures, lowest first.
        falling_cmh2o: airway pressures, highest first.

    Returns:
        Lung volumes [mL] on the way up and on the way down.

    Source: Hickling 1998 (inflation) and 2001 (deflation); see the module.
    """
    units = lay_out(lung)
    open_now = units.all_closed()
    up, down = np.empty(len(rising_cmh2o)), np.empty(len(falling_cmh2o))
    for limb, pressures, move in ((up, rising_cmh2o, units.inflate), (down, falling_cmh2o, units.deflate)):
        for i, airway in enumerate(pressures):
            pressure, open_now = reach_airway(units, move, open_now, airway)
            limb[i] = units.volume_ml(pressure, open_now)
    return up, down


def _breathe(
    lung: Lung, units: Units, trial: Staircase, phase: Phase, peep: float, open_now: Flags
) -> tuple[SimulatedStep, Flags]:
    """Breathe at one PEEP until end inspiration repeats itself, or the breaths of the step are over."""
    total_peep = peep + lung.intrinsic_peep_cmh2o
    wall = units.chest_wall_ml_per_cmh2o
    for _ in range(trial.breaths):
        low, at_expiration = reach_airway(units, units.deflate, open_now, total_peep)
        expired = units.volume_ml(low, at_expiration)
        if phase in VOLUME_CONTROLLED:
            inspired = expired + trial.tidal_volume_ml
            high, at_inspiration = reach_volume(units, units.inflate, at_expiration, low, inspired)
            # Where the solution lies in the jump of one unit, the volume is the one asked for.
            plateau = high + inspired / wall
        else:
            plateau = peep + trial.driving_pressure_cmh2o
            high, at_inspiration = reach_airway(units, units.inflate, at_expiration, plateau)
            inspired = (plateau - high) * wall
        repeated = np.array_equal(at_inspiration, open_now)
        open_now = at_inspiration
        if repeated:
            break
    share_open = float(np.count_nonzero(at_expiration)) / at_expiration.size
    flow = trial.flow_l_per_s if phase in VOLUME_CONTROLLED else 0.0
    peak = plateau + _resistance(lung, share_open) * flow
    tidal = inspired - expired
    step = SimulatedStep(
        phase=phase,
        peep_cmh2o=peep,
        total_peep_cmh2o=total_peep,
        plateau_cmh2o=plateau,
        peak_cmh2o=peak,
        tidal_volume_ml=tidal,
        static_ml_per_cmh2o=tidal / (plateau - total_peep),
        dynamic_ml_per_cmh2o=tidal / (peak - peep),
        end_expiratory_ml=expired,
        open_fraction=share_open,
    )
    return step, open_now


def _resistance(lung: Lung, share_open: float) -> float:
    # Without a floor the few airways of a nearly closed lung would take pressures that no patient shows.
    small = lung.airway_resistance_cmh2o_s_per_l / max(share_open, LEAST_SHARE_OF_AIRWAYS)
    return lung.tube_resistance_cmh2o_s_per_l + small
