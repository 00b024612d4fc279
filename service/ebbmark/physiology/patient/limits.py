"""Limits of the checks before a number: one value, its unit in its name, and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Final

from ebbmark.physiology.message import Value, message
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit, StopLimits
from ebbmark.physiology.trial.curve import LEAK

__all__ = ["LIMITS", "CheckLimits", "VitalLimits", "vital_limits_of"]


@dataclass(frozen=True, slots=True)
class VitalLimits:
    """Vital signs at which a trial stops: the stop limits in force, each with its source there.

    Attributes:
        spo2_below_percent: saturation below this.
        mean_arterial_pressure_below_mmhg: mean arterial pressure below this.
        systolic_arterial_pressure_below_mmhg: systolic arterial pressure below this.
        heart_rate_below_per_min, heart_rate_above_per_min: heart rate beyond these.
        peak_pressure_above_cmh2o: peak pressure above this.
        source: of signed limits; empty for the defaults, whose sources stand beside each.
    """

    spo2_below_percent: float
    mean_arterial_pressure_below_mmhg: float
    systolic_arterial_pressure_below_mmhg: float
    heart_rate_below_per_min: float
    heart_rate_above_per_min: float
    peak_pressure_above_cmh2o: float = inf
    source: Value = ""


def vital_limits_of(limits: StopLimits) -> VitalLimits:
    """The vital signs among stop limits; one that a site has not signed is never met.

    Args:
        limits: signed, or the defaults.
    """

    def value(limit: Limit | None, never: float) -> float:
        return never if limit is None else limit.value

    return VitalLimits(
        spo2_below_percent=value(limits.spo2_below_percent, -inf),
        mean_arterial_pressure_below_mmhg=value(limits.mean_arterial_pressure_below_mmhg, -inf),
        systolic_arterial_pressure_below_mmhg=value(limits.systolic_arterial_pressure_below_mmhg, -inf),
        heart_rate_below_per_min=value(limits.heart_rate_below_per_min, -inf),
        heart_rate_above_per_min=value(limits.heart_rate_above_per_min, inf),
        peak_pressure_above_cmh2o=value(limits.peak_pressure_above_cmh2o, inf),
        source=message("stop-limits.source-signed", version=limits.version) if limits.signed else "",
    )


_DEFAULT_VITAL: Final = vital_limits_of(DEFAULT_STOP_LIMITS)


@dataclass(frozen=True, slots=True)
class CheckLimits:
    """Limits of the other checks; each is this project's own choice unless it says otherwise.

    Attributes:
        vital: vital signs at which a trial stops.
        saturation_loss_percent: SpO2 at the suggestion this far below the best step: clearly worse.
        mean_pressure_loss_mmhg: the same of mean arterial pressure.
        systolic_pressure_loss_mmhg: the same of systolic pressure; Pilbeam chapter 13 calls a fall of more than 20
            after a step of PEEP significant.
        rate_above_set_per_min: measured above set rate by more than this: the patient triggers.
        spontaneous_per_min: a charted spontaneous rate above this is one.
        step_fall_share: a fall of compliance from one step to the next of this share or more.
        plateau_rise_cmh2o: plateau, or peak where there is none, higher by more than this after PEEP was lowered.
        rising_fall_share: and compliance fell by this share or more; in a stiff lung a usual fall raises pressure, too.
        same_volume_share: tidal volumes within this share are equal for that.
        fell_back_share: a step that gave this share of a fall back at the next one was an artefact.
        leak_share: expired below inspired volume by more than this at a step.
        leak_change_share: and by this much more than at the steps before: the leak began there.
        leak_high_share: a leak of this or more at all steps: high.
        leak_none_share: a leak of this or more at all steps: no number.
        fall_with_signs_share: a fall in one step of this share or more, looked at together with vital signs.
        saturation_with_fall_percent, mean_pressure_with_fall_mmhg: falls of these at the same step or more.
        trapped_share: total PEEP that follows less than this share of the way of set PEEP.
        trapped_way_cmh2o: looked at where set PEEP moved at least this far.
        intrinsic_cmh2o, intrinsic_high_cmh2o: intrinsic PEEP named, and named as a high caution, from here on.
        measured_off_cmh2o: measured PEEP further than this from its setting.
        clock_share: measured PEEP within a step that lies this share of the way to the step before or after it.
        arterial_oxygen_loss_mmhg: PaO2 at the suggestion lower by more than this than at the best step is worse,
        arterial_oxygen_low_mmhg: where it is this or less.
        acidosis_ph: pH below this is named as a high caution: from there the ARDS Network gives up its limits.
        least_resistive_cmh2o: peak less plateau below this is none: flow takes some pressure.
        fewest_without_hold: steps that all show none, from here on.
        clock_least_cmh2o: plateaus of two steps are told apart from here on.
        clock_fewest: so many steps of that, and more than half of them, are two clocks that differ.
        recovery_share: a rise of compliance below closing by this share of the maximum: it did not last.
        volume_change_share: set tidal volume changed by more than this during the limb.
        oxygen_change: FiO2 changed by more than this during the limb.
        resistive_rise_cmh2o: peak less plateau higher by this at a step than at the first.
        no_carbon_dioxide_mmhg: end-tidal carbon dioxide below this: the gas does not come from a perfused lung.
        worn_carbon_dioxide_mmhg: looked at where it was above this at another step.
    """

    vital: VitalLimits = _DEFAULT_VITAL
    saturation_loss_percent: float = 5.0
    mean_pressure_loss_mmhg: float = 20.0
    systolic_pressure_loss_mmhg: float = 20.0
    rate_above_set_per_min: float = 2.0
    spontaneous_per_min: float = 2.0
    step_fall_share: float = 0.30
    plateau_rise_cmh2o: float = 2.0
    rising_fall_share: float = 0.20
    same_volume_share: float = 0.05
    fell_back_share: float = 0.5
    leak_share: float = LEAK
    leak_change_share: float = 0.08
    leak_high_share: float = 0.10
    leak_none_share: float = 0.20
    fall_with_signs_share: float = 0.20
    saturation_with_fall_percent: float = 5.0
    mean_pressure_with_fall_mmhg: float = 10.0
    trapped_share: float = 0.5
    trapped_way_cmh2o: float = 4.0
    intrinsic_cmh2o: float = 3.0
    intrinsic_high_cmh2o: float = 5.0
    measured_off_cmh2o: float = 2.0
    clock_share: float = 0.75
    clock_least_cmh2o: float = 1.0
    arterial_oxygen_loss_mmhg: float = 20.0
    arterial_oxygen_low_mmhg: float = 60.0
    acidosis_ph: float = 7.15
    least_resistive_cmh2o: float = 0.5
    fewest_without_hold: int = 3
    clock_fewest: int = 3
    recovery_share: float = 0.10
    volume_change_share: float = 0.10
    oxygen_change: float = 0.05
    resistive_rise_cmh2o: float = 8.0
    no_carbon_dioxide_mmhg: float = 10.0
    worn_carbon_dioxide_mmhg: float = 20.0


LIMITS: Final = CheckLimits()
"""The default."""
