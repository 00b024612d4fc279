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

`HOLD_OUT` holds a second set of ranges, mostly wider, with heavier tails of the closing pressures (Student
with 5 degrees of freedom). It was written down when figures of the first set had been looked at many times, before any
figure of its own was seen. All of it is our assumption.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchmarks.detection.families import LungCase
from benchmarks.detection.truth import true_closing
from ebbmark.physiology.closing.result import Verdict

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

UNITS = 500
BREATHS = 4
RECRUITED_CMH2O = 45.0
HIGHEST_PLATEAU_CMH2O = 50.0
REFERENCE_CMH2O = 14.0
HALVINGS = 22
"""To 2e-5 cmH2O."""

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ranges:
    """Between which values lungs and trials are drawn, evenly; see the module for units and sources.

    Attributes:
        stream: number of the stream of random numbers.
        tails: degrees of freedom of Student's distribution of closing pressures; 0 for a normal one.
        narrow: share of narrow lungs.
        steps: least and most steps.
        apart_cmh2o: distances of the steps, equally probable.
    """

    stream: int = 3
    tails: int = 0
    narrow: float = 0.5
    centre_cmh2o: Range = (0.0, 11.0)
    spread_cmh2o: Range = (1.5, 4.0)
    narrow_spread_cmh2o: Range = (0.3, 1.5)
    superimposed_cmh2o: Range = (5.0, 14.5)
    narrow_superimposed_cmh2o: Range = (2.0, 6.0)
    opening_above_cmh2o: Range = (2.0, 18.0)
    half_pressure_cmh2o: Range = (4.9, 10.0)
    inflection_cmh2o: Range = (4.0, 12.0)
    width_cmh2o: Range = (4.0, 8.0)
    chest_wall_ml_per_cmh2o: Range = (100.0, 250.0)
    compliance_ml_per_cmh2o: Range = (15.0, 60.0)
    weight_kg: Range = (50.0, 80.0)
    intrinsic_share: float = 0.5
    intrinsic_cmh2o: Range = (0.0, 3.0)
    tube_cmh2o_s_per_l: Range = (6.0, 14.0)
    airways_cmh2o_s_per_l: Range = (2.0, 6.0)
    most_rise_of_resistance: float = 2.5
    flow_l_per_s: Range = (0.5, 0.8)
    top_cmh2o: tuple[int, int] = (20, 26)
    steps: tuple[int, int] = (8, 11)
    apart_cmh2o: tuple[float, ...] = (2.0, 2.0, 2.0, 1.5, 2.5)


SECOND = Ranges()
HOLD_OUT = Ranges(
    stream=4,
    tails=5,
    narrow=0.4,
    centre_cmh2o=(-1.0, 13.0),
    spread_cmh2o=(1.0, 4.5),
    narrow_spread_cmh2o=(0.4, 1.2),
    superimposed_cmh2o=(3.0, 12.0),
    narrow_superimposed_cmh2o=(1.0, 5.0),
    opening_above_cmh2o=(3.0, 22.0),
    half_pressure_cmh2o=(4.0, 12.0),
    inflection_cmh2o=(3.0, 14.0),
    width_cmh2o=(3.0, 9.0),
    chest_wall_ml_per_cmh2o=(80.0, 300.0),
    compliance_ml_per_cmh2o=(12.0, 65.0),
    weight_kg=(45.0, 95.0),
    intrinsic_share=0.4,
    intrinsic_cmh2o=(0.0, 4.0),
    tube_cmh2o_s_per_l=(5.0, 16.0),
    airways_cmh2o_s_per_l=(1.0, 5.0),
    most_rise_of_resistance=2.0,
    flow_l_per_s=(0.4, 0.9),
    top_cmh2o=(18, 28),
    steps=(7, 12),
    apart_cmh2o=(2.0, 2.0, 1.0, 3.0),
)


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


@lru_cache(maxsize=4)
def gravity_cases(count: int, *, seed: int = 0, ranges: Ranges = SECOND) -> tuple[LungCase, ...]:
    """Draw noise-free limbs, one of each lung, as they come.

    Args:
        count: how many.
        seed: same arguments, same limbs.
        ranges: of lungs and trials.
    """
    rng = np.random.default_rng([seed, ranges.stream])
    found: list[LungCase] = []
    while len(found) < count:
        case = _drawn(rng, ranges)
        if case is not None:
            found.append(case)
    return tuple(found)


def _drawn(rng: np.random.Generator, ranges: Ranges) -> LungCase | None:
    lung = _draw_lung(rng, ranges)
    peeps = _draw_peeps(rng, ranges)
    tidal_volume = 6.0 * float(rng.uniform(*ranges.weight_kg))
    intrinsic = float(rng.uniform(*ranges.intrinsic_cmh2o)) if rng.random() < ranges.intrinsic_share else 0.0
    tube, airways = float(rng.uniform(*ranges.tube_cmh2o_s_per_l)), float(rng.uniform(*ranges.airways_cmh2o_s_per_l))
    flow = float(rng.uniform(*ranges.flow_l_per_s))
    wanted = float(rng.uniform(*ranges.compliance_ml_per_cmh2o))
    seed = int(rng.integers(2**31))
    scale = _scale_for(lung, wanted, tidal_volume)
    if scale is None:
        return None
    lung = replace(lung, unit_ml=scale)
    is_open = np.ones(UNITS, dtype=bool) & (RECRUITED_CMH2O - lung.superimposed > lung.opening)
    rows = []
    for peep in peeps:
        step = _settled(lung, is_open, peep + intrinsic, tidal_volume)
        if step is None:
            return None
        plateau, is_open, share_open = step
        narrowed = min(1.0 / max(share_open, 1e-9), ranges.most_rise_of_resistance)
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


def _draw_lung(rng: np.random.Generator, ranges: Ranges) -> _Lung:
    narrow = rng.random() < ranges.narrow
    centre = rng.uniform(*ranges.centre_cmh2o)
    spread = rng.uniform(*(ranges.narrow_spread_cmh2o if narrow else ranges.spread_cmh2o))
    closing = centre + spread * (rng.standard_t(ranges.tails, UNITS) if ranges.tails else rng.standard_normal(UNITS))
    superimposed = rng.uniform(*(ranges.narrow_superimposed_cmh2o if narrow else ranges.superimposed_cmh2o))
    return _Lung(
        superimposed=superimposed * rng.random(UNITS),
        closing=closing,
        opening=closing + rng.uniform(*ranges.opening_above_cmh2o, UNITS),
        sigmoid=rng.random(UNITS) < rng.random(),
        half_pressure=float(rng.uniform(*ranges.half_pressure_cmh2o)),
        inflection=float(rng.uniform(*ranges.inflection_cmh2o)),
        width=float(rng.uniform(*ranges.width_cmh2o)),
        unit_ml=1.0,
        chest_wall=float(rng.uniform(*ranges.chest_wall_ml_per_cmh2o)),
    )


def _draw_peeps(rng: np.random.Generator, ranges: Ranges) -> tuple[float, ...]:
    apart = float(rng.choice(ranges.apart_cmh2o))
    top, count = (
        float(rng.integers(ranges.top_cmh2o[0], ranges.top_cmh2o[1] + 1)),
        int(rng.integers(ranges.steps[0], ranges.steps[1] + 1)),
    )
    peeps = [top - apart * step for step in range(count)]
    return tuple(peep for peep in peeps if peep >= 3.0)


def _scale_for(lung: _Lung, wanted: float, tidal_volume: float) -> float | None:
    """Volume of one unit with which the recruited lung has the wanted compliance at the reference PEEP."""
    low, high = 0.5, 20.0
    for _ in range(10):
        middle = (low * high) ** 0.5
        each = replace(lung, unit_ml=middle)
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
