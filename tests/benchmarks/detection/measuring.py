"""What would stand in the chart, if a perfect lung were read by ordinary people with ordinary machines?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchmarks.detection.conditions import FLOW_L_PER_S, Conditions, Kind
from benchmarks.detection.families import LungCase
from ebbmark.physiology.closing.result import CurveStep

Floats: TypeAlias = NDArray[np.float64]


def measure(case: LungCase, conditions: Conditions, *, seed: int = 0) -> tuple[CurveStep, ...]:
    """Read a noise-free limb as a chart would.

    Args:
        case: the limb.
        conditions: how it is measured.
        seed: another seed, another measurement of the same limb; combined with the seed of the case.
    """
    rng = np.random.default_rng([case.seed, seed])
    perfect = _noise_free(case, conditions)
    slope = conditions.drift * rng.uniform(-1.0, 1.0)
    gauge = _draw_gauge(rng) if conditions.device_limits else _Gauge()
    last = max(len(perfect) - 1, 1)
    before = perfect[0]
    steps = []
    for i, (peep, now) in enumerate(zip(case.peeps_cmh2o, perfect, strict=True)):
        factor = (1.0 + slope * i / last) * _unsettled(conditions, before, now) * _artefacts(rng, conditions)
        compliance = _read(rng, conditions, gauge, now, factor)
        steps.append(
            CurveStep(
                peep_cmh2o=peep,
                compliances_ml_per_cmh2o=tuple(_missing_and_doubled(rng, conditions, compliance).tolist()),
                resolution=_resolution(conditions, now),
            )
        )
        before = now
    return tuple(steps)


def standard_errors(case: LungCase, conditions: Conditions) -> tuple[float, ...]:
    """Relative standard error of the mean compliance of each step, from the noise that was put in.

    Volume and pressure noise average over the readings. Rounding averages as far as noise shakes the readings from one
    unit to the next; the rest is the same in all readings. Artefacts, drift and so on are left out.
    """
    n = conditions.readings
    errors = []
    for breath in _noise_free(case, conditions):
        pressure, volume = _rounding(conditions, breath)
        noise = conditions.volume_noise**2 + 2.0 * (conditions.pressure_noise_cmh2o / breath.driving) ** 2
        stuck = pressure * _stuck(conditions.pressure_noise_cmh2o, conditions.pressure_unit_cmh2o)
        stuck += volume * _stuck(conditions.volume_noise * breath.volume, conditions.volume_unit_ml)
        errors.append(math.sqrt(stuck + (noise + pressure + volume - stuck) / n))
    return tuple(errors)


@dataclass(frozen=True, slots=True)
class _Breath:
    """What a perfect machine would show: volume [mL], end-inspiratory and end-expiratory pressure [cmH2O]."""

    volume: float
    top: float
    bottom: float

    @property
    def driving(self) -> float:
        return self.top - self.bottom


@dataclass(frozen=True, slots=True)
class _Gauge:
    """Errors of one machine that stay the same through a trial. PEEP is charted as set, without them."""

    pressure_gain: float = 1.0
    pressure_offset: float = 0.0
    volume_gain: float = 1.0


def _draw_gauge(rng: np.random.Generator) -> _Gauge:
    return _Gauge(1.0 + float(rng.uniform(-0.04, 0.04)), float(rng.uniform(-2.0, 2.0)), float(rng.uniform(0.85, 1.15)))


def _noise_free(case: LungCase, conditions: Conditions) -> list[_Breath]:
    if conditions.kind is Kind.STATIC:
        tops, bottoms = case.plateaus_cmh2o, case.total_peeps_cmh2o
    else:
        more = conditions.extra_resistance_cmh2o_s_per_l * FLOW_L_PER_S
        tops, bottoms = tuple(peak + more for peak in case.peaks_cmh2o), case.peeps_cmh2o
    return [_Breath(*values) for values in zip(case.volumes_ml, tops, bottoms, strict=True)]


def _unsettled(conditions: Conditions, before: _Breath, now: _Breath) -> Floats:
    change = before.volume / before.driving / (now.volume / now.driving) - 1.0
    return 1.0 + conditions.unsettled * 0.5 ** np.arange(conditions.readings, dtype=np.float64) * change


def _artefacts(rng: np.random.Generator, conditions: Conditions) -> Floats:
    """Factors on compliance: one for the whole step, one for each reading."""

    def sizes(count: int) -> Floats:
        return 1.0 + rng.uniform(0.12, 0.40, count) * np.where(rng.random(count) < 0.75, -1.0, 1.0)

    step = np.where(rng.random(1) < conditions.outlier_steps, sizes(1), 1.0)
    n = conditions.readings
    return np.asarray(step * np.where(rng.random(n) < conditions.outlier_readings, sizes(n), 1.0))


def _read(rng: np.random.Generator, conditions: Conditions, gauge: _Gauge, breath: _Breath, factor: Floats) -> Floats:
    n, pressure_noise = conditions.readings, conditions.pressure_noise_cmh2o
    # Drift, artefacts and what has not settled are factors on compliance; the volume carries them.
    kept = (1.0 - conditions.leak * breath.top / 30.0) * gauge.volume_gain
    volume = breath.volume * factor * kept * (1.0 + conditions.volume_noise * rng.standard_normal(n))
    top = breath.top * gauge.pressure_gain + gauge.pressure_offset + pressure_noise * rng.standard_normal(n)
    top = top - np.where(rng.random(n) < conditions.effort, rng.uniform(1.0, 4.0, n), 0.0)
    bottom = breath.bottom + pressure_noise * rng.standard_normal(n)
    driving = _rounded(top, conditions.pressure_unit_cmh2o) - _rounded(bottom, conditions.pressure_unit_cmh2o)
    # A driving pressure below 1 is no reading of compliance; a person would not chart it.
    compliance = _rounded(volume, conditions.volume_unit_ml) / np.maximum(driving, 1.0)
    wrong = np.where(rng.random(n) < conditions.wrong_unit, rng.choice([1e-3, 10.197], n), 1.0)
    return np.asarray(compliance * wrong)


def _rounded(values: Floats, unit: float) -> Floats:
    return np.round(values / unit) * unit if unit > 0.0 else values


def _resolution(conditions: Conditions, breath: _Breath) -> float:
    return math.sqrt(sum(_rounding(conditions, breath)))


def _rounding(conditions: Conditions, breath: _Breath) -> tuple[float, float]:
    """Relative variance that rounding of the two pressures, and of the volume, gives one reading."""
    pressure = 2.0 * (conditions.pressure_unit_cmh2o / breath.driving) ** 2 / 12.0
    return pressure, (conditions.volume_unit_ml / breath.volume) ** 2 / 12.0


def _stuck(noise: float, unit: float) -> float:
    """Share of the rounding variance that all readings of a step have in common.

    The mean of rounded noisy values errs by a Fourier series in the true value, whose k-th term Gaussian noise damps by
    exp(-2 (pi k noise / unit)^2); textbook theory of dithered rounding.
    """
    if unit == 0.0:
        return 0.0
    terms = (math.exp(-4.0 * (math.pi * k * noise / unit) ** 2) / k**2 for k in range(1, 60))
    return 6.0 / math.pi**2 * sum(terms)


def _missing_and_doubled(rng: np.random.Generator, conditions: Conditions, compliance: Floats) -> Floats:
    kept = rng.random(len(compliance)) >= conditions.missing
    kept[int(rng.integers(len(compliance)))] = True
    return np.repeat(compliance, np.where(kept, 1 + (rng.random(len(kept)) < conditions.duplicated), 0))
