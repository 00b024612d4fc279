"""What would stand in the chart, if a perfect lung were read by ordinary people with ordinary machines?

Noise sizes are team assumptions (no citable source for breath-to-breath noise was found): volume 1 to 3 %,
pressure 0.2 to 0.5 cmH2O in a passive patient; the benchmark goes to 10 %. Monitoring limits of
ISO 80601-2-12 are used in the condition `device limits` only: pressure +/- (2 cmH2O + 4 %) is from memory of
the 2011 edition, volume +/- 15 % is second-hand and speaks of delivered volume.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchmarks.detection.families import LungCase
from ebbmark.physiology.closing import CurveStep

__all__ = ["CONDITIONS", "PLAIN", "Conditions", "Kind", "measure", "standard_errors"]


Floats: TypeAlias = NDArray[np.float64]


class Kind(Enum):
    """Which compliance is charted."""

    STATIC = "static"
    DYNAMIC = "dynamic"


@dataclass(frozen=True, slots=True)
class Conditions:
    """How a trial is measured.

    Attributes:
        readings: per step.
        volume_noise: relative standard deviation of one volume reading.
        pressure_noise_cmh2o: standard deviation of one plateau (or peak) and of one PEEP reading.
        kind: static (plateau, total PEEP) or dynamic (peak, set PEEP) compliance.
        pressure_unit_cmh2o: pressures are rounded to multiples of this; 0 for no rounding.
        volume_unit_ml: volumes likewise.
        outlier_steps: probability that a step, as a whole, is an artefact (suction, disconnection, kink):
            compliance off by 12 to 40 %, three in four times downwards.
        outlier_readings: probability that a single reading is off, by the same factor.
        unsettled: share of the difference to the step before still there at the first reading; halves with
            each reading.
        missing: probability that a reading is missing; one per step always remains.
        duplicated: probability that a reading is charted twice.
        leak: share of the volume lost at a plateau of 30 cmH2O, in proportion to plateau.
        effort: probability that a reading is taken during an effort: plateau 1 to 4 cmH2O too low.
        drift: largest relative drift of compliance over the whole limb, either way, linear.
        wrong_unit: probability that a reading is in another unit (litres for millilitres, or kPa for cmH2O).
        device_limits: draw one gain and offset per trial within the limits named above; plateau and volume have
            them, PEEP is charted as set.
        extra_resistance_cmh2o_s_per_l: added resistance; matters to dynamic compliance only.
    """

    readings: int = 3
    volume_noise: float = 0.03
    pressure_noise_cmh2o: float = 0.3
    kind: Kind = Kind.STATIC
    pressure_unit_cmh2o: float = 0.0
    volume_unit_ml: float = 0.0
    outlier_steps: float = 0.0
    outlier_readings: float = 0.0
    unsettled: float = 0.0
    missing: float = 0.0
    duplicated: float = 0.0
    leak: float = 0.0
    effort: float = 0.0
    drift: float = 0.0
    wrong_unit: float = 0.0
    device_limits: bool = False
    extra_resistance_cmh2o_s_per_l: float = 0.0


FLOW_L_PER_S = 0.6
"""Inspiratory flow of the invented limbs (the default of `Staircase`); turns resistance into pressure."""

CONDITIONS: dict[str, Conditions] = {
    "1 reading, 2 %": Conditions(readings=1, volume_noise=0.02, pressure_noise_cmh2o=0.1),
    "3 readings, 2 %": Conditions(readings=3, volume_noise=0.02, pressure_noise_cmh2o=0.1),
    "10 readings, 2 %": Conditions(readings=10, volume_noise=0.02, pressure_noise_cmh2o=0.1),
    "1 reading, 5 %": Conditions(readings=1, volume_noise=0.05),
    "3 readings, 5 %": Conditions(readings=3, volume_noise=0.05),
    "10 readings, 5 %": Conditions(readings=10, volume_noise=0.05),
    "3 readings, 10 %": Conditions(readings=3, volume_noise=0.10, pressure_noise_cmh2o=0.5),
    "10 readings, 10 %": Conditions(readings=10, volume_noise=0.10, pressure_noise_cmh2o=0.5),
    "charted integers, 3": Conditions(
        readings=3, volume_noise=0.02, pressure_noise_cmh2o=0.3, pressure_unit_cmh2o=1.0, volume_unit_ml=1.0
    ),
    "charted integers, 1": Conditions(
        readings=1, volume_noise=0.02, pressure_noise_cmh2o=0.3, pressure_unit_cmh2o=1.0, volume_unit_ml=10.0
    ),
    "artefacts": Conditions(outlier_steps=0.1, outlier_readings=0.03),
    "unsettled, missing, doubled": Conditions(unsettled=0.5, missing=0.2, duplicated=0.1),
    "drift": Conditions(drift=0.05),
    "leak": Conditions(leak=0.10),
    "effort": Conditions(effort=0.1),
    "wrong units": Conditions(wrong_unit=0.03),
    "device limits": Conditions(device_limits=True),
    "dynamic": Conditions(kind=Kind.DYNAMIC),
    "dynamic, marked resistance": Conditions(kind=Kind.DYNAMIC, extra_resistance_cmh2o_s_per_l=10.0),
}
"""Named conditions. Pressure noise adds to the volume noise that is named."""

PLAIN = tuple(CONDITIONS)[:10]
"""Names of the conditions that have noise and rounding only: the ones pooled in overall figures."""


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

    Volume and pressure noise average over the readings. Rounding averages where the noise is at least half
    the unit, otherwise all readings are rounded alike and it stays. Artefacts, drift and so on are left out.
    """
    errors = []
    for breath in _noise_free(case, conditions):
        pressure = conditions.pressure_noise_cmh2o / breath.driving
        noise = (conditions.volume_noise**2 + 2.0 * pressure**2) / conditions.readings
        rounding = _resolution(conditions, breath) ** 2
        dithered = conditions.pressure_noise_cmh2o >= 0.5 * conditions.pressure_unit_cmh2o
        errors.append(math.sqrt(noise + (rounding / conditions.readings if dithered else rounding)))
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
    pressure = 2.0 * (conditions.pressure_unit_cmh2o / breath.driving) ** 2 / 12.0
    return math.sqrt(pressure + (conditions.volume_unit_ml / breath.volume) ** 2 / 12.0)


def _missing_and_doubled(rng: np.random.Generator, conditions: Conditions, compliance: Floats) -> Floats:
    kept = rng.random(len(compliance)) >= conditions.missing
    kept[int(rng.integers(len(compliance)))] = True
    return np.repeat(compliance, np.where(kept, 1 + (rng.random(len(kept)) < conditions.duplicated), 0))
