"""A second, independent generator of report lungs: many units at random heights, breathed through a whole trial.

It shares no code with `ebbmark.physiology.lung` and nothing with the model of the estimator. Where the first generator
lays thresholds on a lattice, simulates a fine limb and reads trials off it, this one draws each unit at random and
breathes the trial's own steps. Nobody tunes on these lungs: all numbers below were chosen before the first report, and
what comes out is reported as it comes. Two were corrected after a first run, for the lungs' sake and before anything
was fitted: the resistance of the tube does not rise as units close (only that of small airways does), and half of the
lungs are narrow, since otherwise one in a hundred closed abruptly and no figure could be stated of those.

A unit at height z under the superimposed pressure s(z) is open or closed. It opens where its transpulmonary pressure
P = airway - chest wall - s(z) exceeds its opening pressure, closes where P falls below its closing pressure, and while
open follows an exponential or a sigmoid law. Lung and chest wall are in series. Intrinsic PEEP is added to what the
ventilator sets and is not charted. Truth is the definition of closing applied to the elastic curve: tidal volume over
plateau pressure less total PEEP, without noise and fully settled.

Ranges and their sources:

* superimposed pressure at the bottom 5 to 14.5 cmH2O, in narrow lungs 2 to 6: up to 14.5 in later models of Hickling's
  kind;
* closing pressures: normal within a lung, centre 0 to 11, SD 1.5 to 4 cmH2O, in narrow lungs 0.3 to 1.5: normal with
  mode 5 in five patients (Crotti et al., Am J Respir Crit Care Med 2001;164:131-40); the ranges are our assumption;
* opening pressures: 2 to 18 cmH2O above the unit's own closing pressure, as in later models of Hickling's kind;
* exponential law: half-pressure 4.9 to 10 cmH2O (4.9 in one such model; the rest our assumption); sigmoid law (Venegas
  et al., J Appl Physiol 1998;84:389-95, there for the whole lung): inflection 4 to 12, width 4 to 8 cmH2O, our
  assumption; the share of sigmoid units 0 to 1;
* chest wall 100 to 250 mL/cmH2O (textbook order, from memory);
* compliance at PEEP 14 within 15 to 60 mL/cmH2O (range seen in ARDS, with 37.6 +/- 13 in 372 patients: Vandenbunder et
  al., Crit Care 2021, doi 10.1186/s13054-020-03433-0), reached by scaling all volumes;
* resistance 8 to 20 cmH2O/(L/s) in all (from memory): tube 6 to 14, small airways 2 to 6, the latter rising as units
  close, up to 2.5 times; flow 0.5 to 0.8 L/s;
* intrinsic PEEP 0 to 3 cmH2O, in half of the lungs none: our assumption;
* tidal volume 6 mL/kg of 50 to 80 kg;
* trials of 8 to 11 steps from 20 to 26 cmH2O, in steps of 2 (published staircases), or of 1.5 or 2.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchmarks.detection.families import LungCase
from benchmarks.detection.truth import true_closing
from ebbmark.physiology.closing.closing import Verdict

__all__ = ["gravity_cases"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

UNITS = 500
BREATHS = 4
RECRUITED_CMH2O = 45.0
HIGHEST_PLATEAU_CMH2O = 50.0
REFERENCE_CMH2O = 14.0
MOST_RISE_OF_RESISTANCE = 2.5
HALVINGS = 22
"""To 2e-5 cmH2O."""


@dataclass(frozen=True, slots=True)
class _Lung:
    """Units as arrays; pressures in cmH2O, volumes in mL."""

    superimposed: Floats
    closing: Floats
    opening: Floats
    sigmoid: Flags
    half_pressure: float
    inflection: float
    width: float
    unit_ml: float
    chest_wall: float

    def volume(self, pressure: float, is_open: Flags) -> float:
        """Volume at a lung pressure, which is airway less chest-wall pressure."""
        p = pressure - self.superimposed
        exponential = 1.0 - np.exp2(-np.maximum(p, 0.0) / self.half_pressure)
        sigmoid = 1.0 / (1.0 + np.exp((self.inflection - p) / self.width))
        return self.unit_ml * float(np.where(is_open, np.where(self.sigmoid, sigmoid, exponential), 0.0).sum())

    def after_falling(self, pressure: float, was_open: Flags) -> Flags:
        return was_open & (pressure - self.superimposed >= self.closing)

    def after_rising(self, pressure: float, was_open: Flags) -> Flags:
        return was_open | (pressure - self.superimposed > self.opening)


def gravity_cases(count: int, *, seed: int = 0) -> tuple[LungCase, ...]:
    """Draw noise-free limbs, one of each lung, as they come.

    Args:
        count: how many.
        seed: same arguments, same limbs.
    """
    return _cases(count, seed)


@lru_cache(maxsize=4)
def _cases(count: int, seed: int) -> tuple[LungCase, ...]:
    rng = np.random.default_rng([seed, 3])
    found: list[LungCase] = []
    while len(found) < count:
        case = _drawn(rng)
        if case is not None:
            found.append(case)
    return tuple(found)


def _drawn(rng: np.random.Generator) -> LungCase | None:
    lung = _draw_lung(rng)
    peeps = _draw_peeps(rng)
    tidal_volume = 6.0 * float(rng.uniform(50.0, 80.0))
    intrinsic = float(rng.uniform(0.0, 3.0)) if rng.random() < 0.5 else 0.0
    tube, airways = float(rng.uniform(6.0, 14.0)), float(rng.uniform(2.0, 6.0))
    flow = float(rng.uniform(0.5, 0.8))
    wanted = float(rng.uniform(15.0, 60.0))
    seed = int(rng.integers(2**31))
    scale = _scale_for(lung, wanted, tidal_volume)
    if scale is None:
        return None
    lung = _scaled(lung, scale)
    is_open = np.ones(UNITS, dtype=bool) & (RECRUITED_CMH2O - lung.superimposed > lung.opening)
    rows = []
    for peep in peeps:
        step = _settled(lung, is_open, peep + intrinsic, tidal_volume)
        if step is None:
            return None
        plateau, is_open, share_open = step
        narrowed = min(1.0 / max(share_open, 1e-9), MOST_RISE_OF_RESISTANCE)
        rows.append(
            (tidal_volume / (plateau - peep - intrinsic), plateau, plateau + (tube + airways * narrowed) * flow)
        )
    compliances, plateaus, peaks = (tuple(column) for column in zip(*rows, strict=True))
    if plateaus[0] > HIGHEST_PLATEAU_CMH2O:
        return None
    truth = true_closing(compliances)
    return LungCase(
        family=_family(compliances, truth.step, truth.verdict),
        peeps_cmh2o=peeps,
        compliances_ml_per_cmh2o=compliances,
        volumes_ml=(tidal_volume,) * len(peeps),
        plateaus_cmh2o=plateaus,
        peaks_cmh2o=peaks,
        total_peeps_cmh2o=tuple(peep + intrinsic for peep in peeps),
        truth=truth,
        lung=None,
        seed=seed,
    )


def _draw_lung(rng: np.random.Generator) -> _Lung:
    narrow = rng.random() < 0.5
    closing = rng.normal(rng.uniform(0.0, 11.0), rng.uniform(0.3, 1.5) if narrow else rng.uniform(1.5, 4.0), UNITS)
    return _Lung(
        superimposed=(rng.uniform(2.0, 6.0) if narrow else rng.uniform(5.0, 14.5)) * rng.random(UNITS),
        closing=closing,
        opening=closing + rng.uniform(2.0, 18.0, UNITS),
        sigmoid=rng.random(UNITS) < rng.random(),
        half_pressure=float(rng.uniform(4.9, 10.0)),
        inflection=float(rng.uniform(4.0, 12.0)),
        width=float(rng.uniform(4.0, 8.0)),
        unit_ml=1.0,
        chest_wall=float(rng.uniform(100.0, 250.0)),
    )


def _draw_peeps(rng: np.random.Generator) -> tuple[float, ...]:
    apart = float(rng.choice([2.0, 2.0, 2.0, 1.5, 2.5]))
    top, count = float(rng.integers(20, 27)), int(rng.integers(8, 12))
    peeps = [top - apart * step for step in range(count)]
    return tuple(peep for peep in peeps if peep >= 3.0)


def _scaled(lung: _Lung, unit_ml: float) -> _Lung:
    return _Lung(
        lung.superimposed,
        lung.closing,
        lung.opening,
        lung.sigmoid,
        lung.half_pressure,
        lung.inflection,
        lung.width,
        unit_ml,
        lung.chest_wall,
    )


def _scale_for(lung: _Lung, wanted: float, tidal_volume: float) -> float | None:
    """Volume of one unit with which the recruited lung has the wanted compliance at the reference PEEP."""
    low, high = 0.5, 20.0
    for _ in range(10):
        middle = (low * high) ** 0.5
        each = _scaled(lung, middle)
        is_open = RECRUITED_CMH2O - each.superimposed > each.opening
        step = _settled(each, is_open, REFERENCE_CMH2O, tidal_volume, breaths=1)
        if step is None or tidal_volume / (step[0] - REFERENCE_CMH2O) < wanted:
            low = middle
        else:
            high = middle
    return high if high < 19.9 else None


def _settled(
    lung: _Lung, is_open: Flags, total_peep: float, tidal_volume: float, breaths: int = BREATHS
) -> tuple[float, Flags, float] | None:
    """Breathe at one PEEP; plateau pressure, what is open at its end, share open at end expiration."""
    plateau = share = 0.0
    for _ in range(breaths):
        low = _falls_to(lung, is_open, total_peep)
        expired_open = lung.after_falling(low, is_open)
        end_expiratory = lung.volume(low, expired_open)
        high = _rises_to(lung, expired_open, end_expiratory + tidal_volume, low)
        if high is None:
            return None
        before, is_open = is_open, lung.after_rising(high, expired_open)
        # In the jump of a unit that opens, the volume is the one that was given.
        plateau = high + (end_expiratory + tidal_volume) / lung.chest_wall
        share = float(expired_open.mean())
        if np.array_equal(before, is_open):
            break
    return plateau, is_open, share


def _falls_to(lung: _Lung, is_open: Flags, airway: float) -> float:
    low, high = -20.0, airway
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if middle + lung.volume(middle, lung.after_falling(middle, is_open)) / lung.chest_wall > airway:
            high = middle
        else:
            low = middle
    return high


def _rises_to(lung: _Lung, is_open: Flags, volume: float, low: float) -> float | None:
    high = low + 80.0
    if lung.volume(high, lung.after_rising(high, is_open)) < volume:
        return None
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if lung.volume(middle, lung.after_rising(middle, is_open)) < volume:
            low = middle
        else:
            high = middle
    return high


def _family(compliances: tuple[float, ...], step: int | None, verdict: Verdict) -> str:
    """By what the curve does; the limits of abrupt and gradual are those of the first generator's families."""
    if verdict is Verdict.NOT_REACHED:
        return "not reached"
    if verdict is Verdict.FALLING_FROM_FIRST_STEP or step is None:
        return "falling"
    lost = (compliances[step - 1] - compliances[step]) / max(compliances[:step])
    return "abrupt" if lost >= 0.10 else "gradual" if lost <= 0.065 else "between"
