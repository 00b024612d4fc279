"""Which units of the invented lung are open, and how much do they hold, at a given pressure and history?

Written with the lung pressure p at the uppermost layer (airway minus chest-wall pressure), a unit under the
superimposed pressure s opens at p >= TOP + s and closes at p <= TCP + s, and the airway pressure follows as
p + volume / chest-wall compliance. So one rising equation in p is solved for each half breath.

There is no randomness: thresholds are quantiles on a fixed lattice. Same lung, same units, same bytes.

Source: Hickling 1998 and 2001, as in `lung`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.lung.lung import Lung, Spread, Thresholds, UnitLaw

__all__ = ["Flags", "Floats", "Move", "Units", "lay_out", "reach_airway", "reach_volume"]

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
        superimposed_cmh2o: superimposed pressure of each layer.
        chest_wall_ml_per_cmh2o: chest-wall compliance.
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
        """Return the volume of the open units.

        Source: Hickling 1998 (sum over units), unit laws as in `UnitLaw`.
        """
        each = self.elastic_ml(pressure_cmh2o - self.superimposed_cmh2o)
        return float(np.count_nonzero(open_now, axis=1) @ each)


@lru_cache(maxsize=16)
def lay_out(lung: Lung) -> Units:
    """Spread the thresholds of a lung over its layers.

    Args:
        lung: the invented patient.

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
        units: the lattice.
        move: its `inflate` or `deflate`.
        was_open: what was open before.
        airway_cmh2o: airway pressure to reach.

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
        units: the lattice.
        move: its `inflate` or `deflate`.
        was_open: what was open before.
        low_cmh2o: a lung pressure at which it holds less.
        volume_ml: volume to reach.

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
