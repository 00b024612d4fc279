"""Invented lung of many units, each with its own opening and closing pressure, and what it shows in a trial.

The model is Hickling's: the lung is a stack of layers under the weight of the tissue above them; a unit opens
when its transpulmonary pressure exceeds its threshold opening pressure, then follows an elastic law, and
closes again below its threshold closing pressure, which is never the higher of the two. It invents trials for
tests and teaching (`lung_trial`); it is not fitted to a patient and advises nothing.

Source: Hickling KG, Am J Respir Crit Care Med 1998;158:194-202 (layers, thresholds, recruitment along the
whole inflation limb); Hickling KG, Am J Respir Crit Care Med 2001;163:69-78 (closing pressures, tidal
ventilation, incremental and decremental trials; its parameters only from memory). Sources of single
parameters stand beside them; what has none is called our assumption.

Written with the lung pressure p at the uppermost layer (airway minus chest-wall pressure), a unit under the
superimposed pressure s opens at p >= TOP + s and closes at p <= TCP + s, and the airway pressure follows as
p + volume / chest-wall compliance. So one rising equation in p is solved for each half breath.

There is no randomness: thresholds are quantiles on a fixed lattice. Same lung, same units, same bytes.

The trial (staircase, hold, decremental limb, re-opening) is free of noise: measuring and its errors are added
elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray


class UnitLaw(Enum):
    """How the volume of one open unit follows its transpulmonary pressure P [cmH2O].

    EXPONENTIAL: v0 * (1 - exp(-ln2 * P / h)), 0 for P < 0.
        Source: Salazar E, Knowles JH, J Appl Physiol 1964;19:97-104.
    SIGMOID: v0 / (1 + exp(-(P - c) / d)).
        Source: Venegas JG, Harris RS, Simon BA, J Appl Physiol 1998;84:389-95, there for the whole
        respiratory system; for one unit it is our assumption.
    """

    EXPONENTIAL = "exponential"
    SIGMOID = "sigmoid"


class Spread(Enum):
    """Shape of a distribution of threshold pressures.

    NORMAL: found for opening and closing in five patients. Source: Crotti S et al, Am J Respir Crit Care Med
        2001;164:131-40.
    UNIFORM: stands for the range of opening pressures of Hickling 1998.
    LOGNORMAL: with a tail of units that close early; our assumption.
    BIMODAL: two kinds of collapse, loose and sticky; our assumption.
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
        sd_cmh2o: standard deviation, > 0; of each mode where BIMODAL. UNIFORM spans mean +/- sqrt(3) sd.
        second_mean_cmh2o: mean of the second mode; BIMODAL only.
        second_share: share of the units in the second mode, above 0 and below 1; BIMODAL only.
    """

    mean_cmh2o: float
    sd_cmh2o: float
    spread: Spread = Spread.NORMAL
    second_mean_cmh2o: float = 0.0
    second_share: float = 0.5


@dataclass(frozen=True, slots=True)
class Lung:
    """One invented patient.

    Attributes:
        opening: threshold opening pressures (TOP). Mode 20 cmH2O in five patients (Crotti 2001); over all
            units 5 to 60 in one set of model runs (Hickling 1998). SD 5 to 8: our assumption.
        closing: threshold closing pressures (TCP). Mode 5 cmH2O (Crotti 2001). SD 2 to 4: our assumption.
        superimposed_cmh2o: superimposed pressure at the bottom, rising linearly from 0 at the top. 14.5 in
            later Hickling-type models; 0 to 20 our range.
        law: elastic law of an open unit.
        half_pressure_cmh2o: h of the exponential law. 4.9 in later Hickling-type models; normal lung 5 to 7
            (from memory); up to 14 our range.
        inflection_cmh2o: c of the sigmoid law, 2 to 14; our assumption.
        width_cmh2o: d of the sigmoid law, 3 to 9; our assumption.
        capacity_ml: volume of all units at high pressure. 2,500 in later Hickling-type models; 800 to 3,000
            our range, chosen so that compliance falls into the 15 to 60 mL/cmH2O seen in ARDS.
        chest_wall_ml_per_cmh2o: chest-wall compliance, in series, 100 to 250 (textbook order, from memory).
            The wall is at rest when all units are closed.
        intrinsic_peep_cmh2o: added to set PEEP at end expiration, 0 to 5, the same at all steps; our
            assumption.
        tube_resistance_cmh2o_s_per_l: tube and large airways, 5 to 15 (textbook order, from memory).
        airway_resistance_cmh2o_s_per_l: small airways of the fully open lung, 1 to 5; divided by the share of
            units open, as airways in parallel, down to a share of 0.3. Our assumption, so that the whole stays
            near the 8 to 20 of intubated patients (from memory).
        layers: number of layers; 30 in later Hickling-type models.
        units_per_layer: fineness of the lattice of thresholds; our choice.
    """

    opening: Thresholds = Thresholds(20.0, 6.0)
    closing: Thresholds = Thresholds(5.0, 3.0)
    superimposed_cmh2o: float = 14.5
    law: UnitLaw = UnitLaw.EXPONENTIAL
    half_pressure_cmh2o: float = 4.9
    inflection_cmh2o: float = 9.0
    width_cmh2o: float = 5.0
    capacity_ml: float = 2500.0
    chest_wall_ml_per_cmh2o: float = 150.0
    intrinsic_peep_cmh2o: float = 0.0
    tube_resistance_cmh2o_s_per_l: float = 8.0
    airway_resistance_cmh2o_s_per_l: float = 3.0
    layers: int = 30
    units_per_layer: int = 34


Floats: TypeAlias = NDArray[np.float64]
Flags: TypeAlias = NDArray[np.bool_]
Move: TypeAlias = Callable[[float, Flags], Flags]
"""What is open at a lung pressure [cmH2O], given what was open before."""

HIGHEST_CMH2O = 150.0
"""Beyond this a lung counts as unable to take a volume; no airway ever sees it."""


@dataclass(frozen=True, slots=True)
class Units:
    """The lattice of units: rows are layers from the top, columns the units of a layer.

    Attributes:
        opens_at_cmh2o: lung pressure at the uppermost layer at which a unit opens.
        closes_at_cmh2o: likewise closes; never above the former.
        elastic_ml: volume of one open unit at its own transpulmonary pressure.
    """

    opens_at_cmh2o: Floats
    closes_at_cmh2o: Floats
    superimposed_cmh2o: Floats
    chest_wall_ml_per_cmh2o: float
    elastic_ml: Callable[[Floats], Floats]

    def all_closed(self) -> Flags:
        """Return the collapsed lung."""
        return np.zeros(self.opens_at_cmh2o.shape, dtype=bool)

    def inflate(self, pressure_cmh2o: float, was_open: Flags) -> Flags:
        """Return what is open after lung pressure has risen to a value."""
        return was_open | (self.opens_at_cmh2o <= pressure_cmh2o)

    def deflate(self, pressure_cmh2o: float, was_open: Flags) -> Flags:
        """Return what is still open after lung pressure has fallen to a value."""
        return was_open & (self.closes_at_cmh2o < pressure_cmh2o)

    def volume_ml(self, pressure_cmh2o: float, open_now: Flags) -> float:
        """Return the volume of the open units. Source: Hickling 1998 (sum over units), unit laws as in `UnitLaw`."""
        each = self.elastic_ml(pressure_cmh2o - self.superimposed_cmh2o)
        return float(np.count_nonzero(open_now, axis=1) @ each)


@lru_cache(maxsize=16)
def lay_out(lung: Lung) -> Units:
    """Spread the thresholds of a lung over its layers.

    Source: Hickling 1998 for layers with linearly rising superimposed pressure; the lattice is ours.
    """
    count = lung.layers * lung.units_per_layer
    index = np.arange(count, dtype=np.float64)
    # A Fibonacci lattice spreads the pairs (TOP, TCP) evenly; dealt out in turn, each layer has its own pairs.
    shape = (lung.units_per_layer, lung.layers)
    opening = _quantiles(lung.opening, (index + 0.5) / count).reshape(shape).T
    closing = _quantiles(lung.closing, (index * ((5**0.5 - 1) / 2) + 0.5 / count) % 1.0).reshape(shape).T
    superimposed = lung.superimposed_cmh2o * (np.arange(lung.layers) + 0.5) / lung.layers
    return Units(
        np.ascontiguousarray(opening + superimposed[:, np.newaxis]),
        np.ascontiguousarray(np.minimum(closing, opening) + superimposed[:, np.newaxis]),
        superimposed,
        lung.chest_wall_ml_per_cmh2o,
        _elastic_ml(lung, lung.capacity_ml / count),
    )


def reach_airway(units: Units, move: Move, was_open: Flags, airway_cmh2o: float) -> tuple[float, Flags]:
    """Find the lung pressure [cmH2O] at a static airway pressure, and what is open there.

    Args:
        move: its `inflate` or `deflate`.

    Source: pressures of lung and chest wall add up in series (textbook).
    """
    wall = units.chest_wall_ml_per_cmh2o

    def excess(pressure: float) -> float:
        return pressure + units.volume_ml(pressure, move(pressure, was_open)) / wall - airway_cmh2o

    low = airway_cmh2o - units.volume_ml(airway_cmh2o, move(airway_cmh2o, was_open)) / wall - 1e-3
    pressure = _root(excess, low, airway_cmh2o + 1e-3)
    return pressure, move(pressure, was_open)


def reach_volume(units: Units, move: Move, was_open: Flags, low_cmh2o: float, volume_ml: float) -> tuple[float, Flags]:
    """Find the lung pressure [cmH2O] at which the lung holds a volume, and what is open there.

    Args:
        move: its `inflate` or `deflate`.
        low_cmh2o: a lung pressure at which it holds less.

    Raises:
        ValueError: the lung cannot take the volume.

    Source: as in `Units.volume_ml`.
    """

    def excess(pressure: float) -> float:
        return units.volume_ml(pressure, move(pressure, was_open)) - volume_ml

    high = low_cmh2o + 12.0
    while excess(high) < 0.0:
        high += 12.0
        if high > HIGHEST_CMH2O:
            raise ValueError(f"the lung cannot take a volume of {volume_ml:.0f} mL")
    pressure = _root(excess, low_cmh2o, high)
    return pressure, move(pressure, was_open)


def _elastic_ml(lung: Lung, unit_ml: float) -> Callable[[Floats], Floats]:
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
            return mean * np.exp(sigma * _normal_quantiles(at) - sigma**2 / 2.0)
        case Spread.BIMODAL:
            first = 1.0 - thresholds.second_share
            lower = mean + sd * _normal_quantiles(at / first)
            upper = thresholds.second_mean_cmh2o + sd * _normal_quantiles((at - first) / (1.0 - first))
            return np.where(at < first, lower, upper)


def _normal_quantiles(at: Floats) -> Floats:
    scores, shares = _normal_table()
    return np.asarray(np.interp(at, shares, scores), dtype=np.float64)


@lru_cache(maxsize=1)
def _normal_table() -> tuple[Floats, Floats]:
    # 4 standard deviations hold all but 1 unit in 15,000; beyond lies the end of the table.
    scores = np.linspace(-4.0, 4.0, 1601)
    return scores, np.array([0.5 * math.erfc(-score / math.sqrt(2.0)) for score in scores])


def _root(excess: Callable[[float], float], low: float, high: float) -> float:
    """Find where a rising function, which jumps where a unit opens, crosses zero.

    False position converges fast on the smooth stretches; every third turn halves, which a jump needs.
    """
    at_low, at_high = excess(low), excess(high)
    for turn in range(100):
        if high - low < 1e-5 or at_high <= at_low:
            break
        share = 0.5 if turn % 3 == 2 else min(max(-at_low / (at_high - at_low), 0.01), 0.99)
        middle = low + share * (high - low)
        value = excess(middle)
        if abs(value) < 1e-4:
            return middle
        if value < 0.0:
            low, at_low = middle, value
        else:
            high, at_high = middle, value
    return high


class SimulatedPhase(Enum):
    """Part of the trial."""

    BASELINE = "baseline"
    STAIRCASE = "staircase"
    HOLD = "hold"
    DECREMENTAL = "decremental"
    REOPENING = "re-opening"
    AFTER = "after"


VOLUME_CONTROLLED = frozenset({SimulatedPhase.BASELINE, SimulatedPhase.DECREMENTAL, SimulatedPhase.AFTER})
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
        peak_cmh2o: end-inspiratory pressure with flow; equals plateau in pressure control, where flow has ceased.
        static_ml_per_cmh2o: tidal volume / (plateau - total PEEP).
        dynamic_ml_per_cmh2o: tidal volume / (peak - set PEEP).
        open_fraction: share of units open at end expiration.
    """

    phase: SimulatedPhase
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

    Raises:
        ValueError: the lung cannot take the tidal volume at some step.
    """
    plan = [(SimulatedPhase.BASELINE, trial.baseline_cmh2o)]
    plan += [(SimulatedPhase.STAIRCASE, peep) for peep in trial.staircase_cmh2o]
    plan += [(SimulatedPhase.HOLD, trial.hold_cmh2o)]
    plan += [(SimulatedPhase.DECREMENTAL, peep) for peep in trial.decremental_cmh2o]
    if trial.after_cmh2o is not None:
        plan += [(SimulatedPhase.REOPENING, trial.hold_cmh2o), (SimulatedPhase.AFTER, trial.after_cmh2o)]
    units = lay_out(lung)
    open_now = units.all_closed()
    steps = []
    for phase, peep in plan:
        step, open_now = _breathe(lung, units, trial, phase, peep, open_now)
        steps.append(step)
    return tuple(steps)


def _breathe(
    lung: Lung, units: Units, trial: Staircase, phase: SimulatedPhase, peep: float, open_now: Flags
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
