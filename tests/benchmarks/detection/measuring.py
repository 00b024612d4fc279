"""What would stand in the chart, if a perfect lung were read by ordinary people with ordinary machines?

Noise sizes are team assumptions (no citable source for breath-to-breath noise was found): volume 1 to 3 %, pressure 0.2
to 0.5 cmH2O in a passive patient; the benchmark goes to 10 %. Monitoring limits of ISO 80601-2-12 are used in the
condition `device limits` only: pressure +/- (2 cmH2O + 4 %) is from memory of the 2011 edition, volume +/- 15 % is
second-hand and speaks of delivered volume.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from benchmarks.detection.families import LungCase
from ebbmark.physiology.closing import CurveStep

__all__ = ["CONDITIONS", "Conditions", "Kind", "measure", "standard_errors"]


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
        outlier_steps: probability that a step, as a whole, is an artefact (suction, disconnection, kink): compliance off by
            12 to 40 %, three in four times downwards.
        outlier_readings: probability that a single reading is off, by the same factor.
        unsettled: share of the difference to the step before that is still there at the first reading; halves with each.
        missing: probability that a reading is missing; one per step always remains.
        duplicated: probability that a reading is charted twice.
        leak: share of the volume lost at a plateau of 30 cmH2O, in proportion to plateau.
        effort: probability that a reading is taken with an inspiratory effort: plateau 1 to 4 cmH2O too low.
        drift: largest relative drift of compliance over the whole limb, either way, linear.
        wrong_unit: probability that a reading is in another unit (litres for millilitres, or kPa for cmH2O).
        device_limits: draw one gain and offset per trial within the monitoring limits of the module's docstring.
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

CHARTED = {"pressure_unit_cmh2o": 1.0, "volume_unit_ml": 1.0}

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
"""Named conditions of the benchmark. Per-reading noise of compliance is a little more than the volume noise named."""


def measure(case: LungCase, conditions: Conditions, *, seed: int = 0) -> tuple[CurveStep, ...]:
    """Read a noise-free limb as a chart would.

    Args:
        case: the limb.
        conditions: how it is measured.
        seed: another seed, another measurement of the same limb; combined with the seed of the case.
    """
    rng = np.random.default_rng([case.seed, seed])
    volumes, tops, bottoms = _noise_free(case, conditions)
    count = len(volumes)
    slope = conditions.drift * rng.uniform(-1.0, 1.0)
    gain, offset, volume_gain = 1.0, 0.0, 1.0
    if conditions.device_limits:
        gain, offset, volume_gain = (
            1.0 + rng.uniform(-0.04, 0.04),
            rng.uniform(-2.0, 2.0),
            1.0 + rng.uniform(-0.15, 0.15),
        )
    steps = []
    for i in range(count):
        n = conditions.readings
        # Drift, artefacts and what has not settled are factors on compliance; they are carried by the volume.
        factor = np.full(n, (1.0 + slope * i / max(count - 1, 1)) * volume_gain)
        if i > 0:
            before = volumes[i - 1] / (tops[i - 1] - bottoms[i - 1])
            now = volumes[i] / (tops[i] - bottoms[i])
            factor = factor * (1.0 + conditions.unsettled * 0.5 ** np.arange(n) * (before / now - 1.0))
        if rng.random() < conditions.outlier_steps:
            factor = factor * _artefact(rng)
        for k in range(n):
            if rng.random() < conditions.outlier_readings:
                factor[k] *= _artefact(rng)
        leak = conditions.leak * tops[i] / 30.0
        volume = volumes[i] * factor * (1.0 - leak) * (1.0 + conditions.volume_noise * rng.standard_normal(n))
        top = tops[i] * gain + offset + conditions.pressure_noise_cmh2o * rng.standard_normal(n)
        bottom = bottoms[i] * gain + offset + conditions.pressure_noise_cmh2o * rng.standard_normal(n)
        top = top - np.where(rng.random(n) < conditions.effort, rng.uniform(1.0, 4.0, n), 0.0)
        volume, top, bottom = (
            _rounded(volume, conditions.volume_unit_ml),
            _rounded(top, conditions.pressure_unit_cmh2o),
            _rounded(bottom, conditions.pressure_unit_cmh2o),
        )
        # A driving pressure below 1 is no reading of compliance; a person would not chart it.
        compliance = volume / np.maximum(top - bottom, 1.0)
        compliance = np.where(
            rng.random(n) < conditions.wrong_unit, compliance * rng.choice([1e-3, 10.197], n), compliance
        )
        compliance = _missing_and_doubled(rng, conditions, compliance)
        steps.append(
            CurveStep(
                peep_cmh2o=case.peeps_cmh2o[i],
                compliances_ml_per_cmh2o=tuple(float(c) for c in compliance),
                resolution=_resolution(conditions, volumes[i], tops[i] - bottoms[i]),
            )
        )
    return tuple(steps)


def standard_errors(case: LungCase, conditions: Conditions) -> tuple[float, ...]:
    """Relative standard error of the mean compliance of each step, from the noise that was put in.

    Volume and pressure noise average over the readings. Rounding averages where the noise is at least half the unit, otherwise
    all readings are rounded alike and it stays. Artefacts, drift and the like are not in it.
    """
    volumes, tops, bottoms = _noise_free(case, conditions)
    errors = []
    for volume, top, bottom in zip(volumes, tops, bottoms, strict=True):
        driving = top - bottom
        noise = (
            conditions.volume_noise**2 + 2.0 * (conditions.pressure_noise_cmh2o / driving) ** 2
        ) / conditions.readings
        rounding = _resolution(conditions, volume, driving) ** 2
        dithered = conditions.pressure_noise_cmh2o >= 0.5 * conditions.pressure_unit_cmh2o
        errors.append(float(np.sqrt(noise + (rounding / conditions.readings if dithered else rounding))))
    return tuple(errors)


def _noise_free(
    case: LungCase, conditions: Conditions
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    if conditions.kind is Kind.STATIC:
        return case.volumes_ml, case.plateaus_cmh2o, case.total_peeps_cmh2o
    more = conditions.extra_resistance_cmh2o_s_per_l * FLOW_L_PER_S
    return case.volumes_ml, tuple(peak + more for peak in case.peaks_cmh2o), case.peeps_cmh2o


def _artefact(rng: np.random.Generator) -> float:
    size = float(rng.uniform(0.12, 0.40))
    return 1.0 - size if rng.random() < 0.75 else 1.0 + size


def _rounded(values: np.ndarray, unit: float) -> np.ndarray:
    return np.round(values / unit) * unit if unit > 0.0 else values


def _resolution(conditions: Conditions, volume: float, driving: float) -> float:
    pressure = 2.0 * (conditions.pressure_unit_cmh2o / driving) ** 2 / 12.0
    return float(np.sqrt(pressure + (conditions.volume_unit_ml / volume) ** 2 / 12.0))


def _missing_and_doubled(rng: np.random.Generator, conditions: Conditions, compliance: np.ndarray) -> np.ndarray:
    kept = rng.random(len(compliance)) >= conditions.missing
    kept[int(rng.integers(len(compliance)))] = True
    times = np.where(kept, 1 + (rng.random(len(compliance)) < conditions.duplicated), 0)
    return np.repeat(compliance, times)
