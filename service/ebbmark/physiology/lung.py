"""What would a lung of many units, each with its own opening and closing pressure, show in a PEEP trial?

The model is Hickling's: the lung is a stack of layers under the weight of the tissue above them; a unit opens
when its transpulmonary pressure exceeds its threshold opening pressure, then follows an elastic law, and
closes again below its threshold closing pressure, which is never the higher of the two. It invents trials for
tests and teaching; it is not fitted to a patient and advises nothing.

Written with the lung pressure p at the uppermost layer (airway minus chest-wall pressure), a unit at depth d
opens at p >= TOP + superimposed(d) and closes at p <= TCP + superimposed(d), and the airway pressure follows
as p + volume / chest-wall compliance. So one monotone equation in p is solved per half breath.

There is no randomness: thresholds are quantiles on a fixed lattice. Same lung, same trial, same bytes.

Source: Hickling KG, Am J Respir Crit Care Med 1998;158:194-202 (layers, thresholds, recruitment along the whole
inflation limb); Hickling KG, Am J Respir Crit Care Med 2001;163:69-78 (closing pressures, tidal ventilation,
incremental and decremental trials; parameters from memory). Sources of single parameters stand beside them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lung", "Phase", "SimulatedStep", "Spread", "Staircase", "Thresholds", "UnitLaw"]
__all__ += ["pressure_volume_loop", "simulate_trial"]

Floats: TypeAlias = NDArray[np.float64]
Flags: TypeAlias = NDArray[np.bool_]


class UnitLaw(Enum):
    """How the volume of one open unit follows its transpulmonary pressure P.

    EXPONENTIAL: v0 * (1 - exp(-ln2 * P / h)), 0 for P < 0. Source: Salazar and Knowles, J Appl Physiol 1964;19:97.
    SIGMOID: v0 / (1 + exp(-(P - c) / d)). Source: Venegas, Harris and Simon, J Appl Physiol 1998;84:389, there for
        the whole respiratory system; for one unit it is our assumption.
    """

    EXPONENTIAL = "exponential"
    SIGMOID = "sigmoid"


class Spread(Enum):
    """Shape of a distribution of threshold pressures.

    NORMAL is Crotti's finding (Am J Respir Crit Care Med 2001;164:131-40), UNIFORM stands for Hickling's range;
    LOGNORMAL (a tail of units that close early) and BIMODAL (loose and sticky collapse) are our assumptions.
    """

    NORMAL = "normal"
    UNIFORM = "uniform"
    LOGNORMAL = "lognormal"
    BIMODAL = "bimodal"


@dataclass(frozen=True, slots=True)
class Thresholds:
    """A distribution of threshold pressures over the units of one layer.

    Attributes:
        mean_cmh2o: mean; of the first mode where BIMODAL.
        sd_cmh2o: standard deviation, > 0 (UNIFORM spans mean +/- sqrt(3) sd); of each mode where BIMODAL.
        spread: shape.
        second_mean_cmh2o: mean of the second mode; BIMODAL only.
        second_share: share of the units in the second mode, 0 to 1; BIMODAL only.
    """

    mean_cmh2o: float
    sd_cmh2o: float
    spread: Spread = Spread.NORMAL
    second_mean_cmh2o: float = 0.0
    second_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Lung:
    """One invented patient.

    Attributes:
        opening: threshold opening pressures (TOP) [cmH2O]. Mode 20 in five patients (Crotti 2001); total range 5 to 60
            in one set of model runs (Hickling 1998); SD 5 to 8 is our assumption.
        closing: threshold closing pressures (TCP) [cmH2O]. Mode 5 (Crotti 2001); SD 2 to 4 is our assumption.
        superimposed_cmh2o: superimposed pressure at the lowest layer, rising linearly from 0 at the top. 14.5 in later
            Hickling-type models; 5 to 20 is our range.
        law: elastic law of an open unit.
        half_pressure_cmh2o: h of the exponential law. 4.9 in later Hickling-type models, normal lung 5 to 7 (from
            memory).
        inflection_cmh2o, width_cmh2o: c and d of the sigmoid law; our assumption, 5 to 14 and 3 to 7.
        capacity_ml: volume of all units at high pressure. 2,500 in later Hickling-type models; 800 to 3,000 is our
            range, chosen so that compliance falls into the 15 to 60 mL/cmH2O seen in ARDS.
        chest_wall_ml_per_cmh2o: chest-wall compliance, in series. 100 to 250 (textbook order, from memory).
        intrinsic_peep_cmh2o: added to set PEEP at end expiration, the same at all steps; 0 to 5, our assumption.
        tube_resistance_cmh2o_s_per_l: resistance of tube and large airways, 5 to 15 (textbook order, from memory).
        airway_resistance_cmh2o_s_per_l: resistance of the small airways of the fully open lung; divided by the share
            of units open, as airways in parallel. 2 to 20, our assumption.
        layers, units_per_layer: size of the lattice; 30 layers as in later Hickling-type models.
    """

    opening: Thresholds = Thresholds(20.0, 6.0)
    closing: Thresholds = Thresholds(5.0, 3.0)
    superimposed_cmh2o: float = 14.5
    law: UnitLaw = UnitLaw.EXPONENTIAL
    half_pressure_cmh2o: float = 4.9
    inflection_cmh2o: float = 9.0
    width_cmh2o: float = 5.0
    capacity_ml: float = 1500.0
    chest_wall_ml_per_cmh2o: float = 150.0
    intrinsic_peep_cmh2o: float = 0.0
    tube_resistance_cmh2o_s_per_l: float = 8.0
    airway_resistance_cmh2o_s_per_l: float = 4.0
    layers: int = 30
    units_per_layer: int = 34


class Phase(Enum):
    """Part of the trial."""

    BASELINE = "baseline"
    STAIRCASE = "staircase"
    HOLD = "hold"
    DECREMENTAL = "decremental"
    REOPENING = "re-opening"
    AFTER = "after"


@dataclass(frozen=True, slots=True)
class Staircase:
    """The trial to perform: which set PEEP in which order, and how breaths are given.

    Attributes:
        decremental_cmh2o: set PEEP of the decremental limb, in order.
        baseline_cmh2o: set PEEP before.
        staircase_cmh2o: set PEEP of the rising steps, pressure control.
        hold_cmh2o: set PEEP of the hold, pressure control; also used to re-open.
        driving_pressure_cmh2o: pressure above PEEP in pressure control (15: common in published staircases).
        after_cmh2o: set PEEP after re-opening; None ends the trial with the limb.
        tidal_volume_ml: delivered volume in volume control (baseline, limb, after).
        flow_l_per_s: constant inspiratory flow in volume control.
        breaths: breaths of a step; the last one is reported (fewer where the lung has settled before).
    """

    decremental_cmh2o: tuple[float, ...]
    baseline_cmh2o: float = 10.0
    staircase_cmh2o: tuple[float, ...] = (15.0, 20.0, 25.0, 30.0)
    hold_cmh2o: float = 35.0
    driving_pressure_cmh2o: float = 15.0
    after_cmh2o: float | None = None
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
        plateau_cmh2o, peak_cmh2o: end-inspiratory pressure without and with flow.
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

    Source: Hickling 2001 for the order of opening and closing within breaths; see the module.
    """
    plan = [(Phase.BASELINE, trial.baseline_cmh2o)]
    plan += [(Phase.STAIRCASE, peep) for peep in trial.staircase_cmh2o]
    plan += [(Phase.HOLD, trial.hold_cmh2o)]
    plan += [(Phase.DECREMENTAL, peep) for peep in trial.decremental_cmh2o]
    if trial.after_cmh2o is not None:
        plan += [(Phase.REOPENING, trial.hold_cmh2o), (Phase.AFTER, trial.after_cmh2o)]
    units = _units(lung)
    open_now: Flags = np.zeros(units.opens_at.shape, dtype=bool)
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

    Source: Hickling 1998 (inflation), 2001 (deflation); see the module.
    """
    units = _units(lung)
    open_now: Flags = np.zeros(units.opens_at.shape, dtype=bool)
    limbs = []
    for pressures, move in ((rising_cmh2o, units.inflate), (falling_cmh2o, units.deflate)):
        volumes = []
        for airway in pressures:
            pressure, open_now = _reach_airway(lung, units, move, open_now, airway)
            volumes.append(units.volume(pressure, open_now))
        limbs.append(np.array(volumes))
    return limbs[0], limbs[1]


@dataclass(frozen=True, slots=True)
class _Units:
    """Lattice of units, layers by units of one layer, with thresholds in lung pressure at the uppermost layer."""

    opens_at: Floats
    closes_at: Floats
    superimposed: Floats
    elastic: Callable[[Floats], Floats]

    def inflate(self, pressure: float, was_open: Flags) -> Flags:
        return was_open | (self.opens_at <= pressure)

    def deflate(self, pressure: float, was_open: Flags) -> Flags:
        return was_open & (self.closes_at < pressure)

    def volume(self, pressure: float, open_now: Flags) -> float:
        return float(np.count_nonzero(open_now, axis=1) @ self.elastic(pressure - self.superimposed))


_Move: TypeAlias = Callable[[float, Flags], Flags]


@lru_cache(maxsize=16)
def _units(lung: Lung) -> _Units:
    count = lung.layers * lung.units_per_layer
    index = np.arange(count)
    # A Fibonacci lattice spreads pairs (TOP, TCP) evenly; dealing it out in turn gives each layer its own pairs.
    shape = (lung.units_per_layer, lung.layers)
    opening = _quantiles(lung.opening, (index + 0.5) / count).reshape(shape).T
    closing = _quantiles(lung.closing, (index * ((5**0.5 - 1) / 2) + 0.5 / count) % 1.0).reshape(shape).T
    superimposed = lung.superimposed_cmh2o * (np.arange(lung.layers) + 0.5) / lung.layers
    weight = superimposed[:, np.newaxis]
    return _Units(
        np.ascontiguousarray(opening + weight),
        np.ascontiguousarray(np.minimum(closing, opening) + weight),
        superimposed,
        _elastic(lung, lung.capacity_ml / count),
    )


def _elastic(lung: Lung, unit_ml: float) -> Callable[[Floats], Floats]:
    if lung.law is UnitLaw.EXPONENTIAL:
        rate = math.log(2.0) / lung.half_pressure_cmh2o
        return lambda p: -unit_ml * np.expm1(-rate * np.maximum(p, 0.0))
    inflection, width = lung.inflection_cmh2o, lung.width_cmh2o
    return lambda p: unit_ml / (1.0 + np.exp((inflection - p) / width))


def _quantiles(thresholds: Thresholds, at: Floats) -> Floats:
    mean, sd = thresholds.mean_cmh2o, thresholds.sd_cmh2o
    match thresholds.spread:
        case Spread.NORMAL:
            return mean + sd * _normal_quantiles(at)
        case Spread.UNIFORM:
            return mean + sd * math.sqrt(3.0) * (2.0 * at - 1.0)
        case Spread.LOGNORMAL:
            sigma = math.sqrt(math.log1p((sd / mean) ** 2))
            return mean * np.exp(sigma * _normal_quantiles(at) - sigma**2 / 2)
        case Spread.BIMODAL:
            share = thresholds.second_share
            first = mean + sd * _normal_quantiles(np.clip(at / (1.0 - share), 0.0, 1.0))
            later = np.clip((at - 1.0 + share) / share, 0.0, 1.0)
            second = thresholds.second_mean_cmh2o + sd * _normal_quantiles(later)
            return np.where(at < 1.0 - share, first, second)


def _normal_quantiles(at: Floats) -> Floats:
    scores, shares = _normal_table()
    return np.interp(at, shares, scores)


@lru_cache(maxsize=1)
def _normal_table() -> tuple[Floats, Floats]:
    scores = np.linspace(-4.0, 4.0, 1601)
    return scores, np.array([0.5 * math.erfc(-score / math.sqrt(2.0)) for score in scores])


def _breathe(
    lung: Lung, units: _Units, trial: Staircase, phase: Phase, peep: float, open_now: Flags
) -> tuple[SimulatedStep, Flags]:
    """Breathe at one PEEP until end inspiration repeats itself, or the breaths of the step are over."""
    total_peep = peep + lung.intrinsic_peep_cmh2o
    volume_controlled = phase in (Phase.BASELINE, Phase.DECREMENTAL, Phase.AFTER)
    for _ in range(trial.breaths):
        low, at_expiration = _reach_airway(lung, units, units.deflate, open_now, total_peep)
        expired = units.volume(low, at_expiration)
        if volume_controlled:
            high, at_inspiration = _reach_volume(
                units, units.inflate, at_expiration, low, expired + trial.tidal_volume_ml
            )
        else:
            top = peep + trial.driving_pressure_cmh2o
            high, at_inspiration = _reach_airway(lung, units, units.inflate, at_expiration, top)
        settled = np.array_equal(at_inspiration, open_now)
        open_now = at_inspiration
        if settled:
            break
    inspired = units.volume(high, at_inspiration)
    tidal = inspired - expired
    plateau = high + inspired / lung.chest_wall_ml_per_cmh2o
    share_open = np.count_nonzero(at_expiration) / at_expiration.size
    resistance = lung.tube_resistance_cmh2o_s_per_l + lung.airway_resistance_cmh2o_s_per_l / max(
        share_open, 0.05
    )
    # In pressure control flow has ceased at end inspiration, so peak and plateau are one.
    peak = plateau + resistance * trial.flow_l_per_s if volume_controlled else plateau
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


def _reach_airway(
    lung: Lung, units: _Units, move: _Move, was_open: Flags, airway: float
) -> tuple[float, Flags]:
    wall = lung.chest_wall_ml_per_cmh2o

    def excess(pressure: float) -> float:
        return pressure + units.volume(pressure, move(pressure, was_open)) / wall - airway

    pressure = _root(excess, airway - lung.capacity_ml / wall - 1.0, airway + 1.0)
    return pressure, move(pressure, was_open)


def _reach_volume(
    units: _Units, move: _Move, was_open: Flags, low: float, volume: float
) -> tuple[float, Flags]:
    def excess(pressure: float) -> float:
        return units.volume(pressure, move(pressure, was_open)) - volume

    high = low + 15.0
    while excess(high) < 0.0:
        high += 15.0
        if high > 150.0:
            raise ValueError(f"the lung cannot take a volume of {volume:.0f} mL")
    pressure = _root(excess, low, high)
    return pressure, move(pressure, was_open)


def _root(excess: Callable[[float], float], low: float, high: float) -> float:
    """Find where a rising function, which may jump, crosses zero: false position kept honest by halving."""
    at_low, at_high = excess(low), excess(high)
    for turn in range(80):
        if high - low < 1e-7:
            break
        share = (
            0.5 if turn % 3 == 2 or at_high <= at_low else min(max(-at_low / (at_high - at_low), 0.02), 0.98)
        )
        middle = low + share * (high - low)
        value = excess(middle)
        if abs(value) < 1e-6:
            return middle
        if value < 0.0:
            low, at_low = middle, value
        else:
            high, at_high = middle, value
    return high
