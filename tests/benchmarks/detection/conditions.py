"""How are the invented trials measured: readings, noise, rounding, and what else goes wrong at a bedside?

Noise sizes are team assumptions (no citable source for breath-to-breath noise was found): volume 1 to 3 %,
pressure 0.2 to 0.5 cmH2O in a passive patient; the benchmark goes to 10 %. Monitoring limits of
ISO 80601-2-12 are used in the condition `device limits` only: pressure +/- (2 cmH2O + 4 %) is from memory of
the 2011 edition, volume +/- 15 % is second-hand and speaks of delivered volume.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


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
