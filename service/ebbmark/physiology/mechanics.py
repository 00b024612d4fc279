"""Body size and respiratory mechanics: predicted body weight, compliance, driving pressure and mechanical power.

The formulas behind curve, what-if and comparison; where every reading of a trial needs one, it stands inline there.
What a person typed or a device sent is judged earlier, where it is read, and answered in words; here a number that
cannot exist is a mistake of the calling code: every function raises a ValueError for one that is not finite or
outside its range.

**Body.** Lung size goes with height and sex, not with what the patient weighs today. The formula is the one used by the
trial that found 6 mL/kg, so the two belong together. Source: ARDS Network, N Engl J Med 2000;342:1301-8 (formula read
in secondary copies of its protocol).

**Pressures.** One compartment behind one resistance: airway pressure = volume x elastance + flow x resistance + total
PEEP. All of it holds for a passive patient only; a patient who breathes along makes plateau pressure mean something
else. Source: equation of motion as restated in Gattinoni et al, Intensive Care Med 2016;42:1567-75 (abstract read);
definitions as in Cairo, Pilbeam's Mechanical Ventilation, chapters 1 and 13 (long stretches read).

**Power** sums up volume, pressure and rate in one figure. It goes with outcome in cohorts; no trial has tested a limit.
Sources, with how far each was read:
- Gattinoni et al, Intensive Care Med 2016;42:1567-75: abstract; formula as reprinted in Wu et al, J Clin Monit Comput
  2022, doi 10.1007/s10877-022-00823-3. Its simplified form is an algebraic rearrangement, which the tests prove.
- Becher et al, Intensive Care Med 2019;45:1321-3: not read; the simplified form is second-hand and exact for a square
  pressure wave: the tests integrate the loop.
- Trinkle et al, Intensive Care Med Exp 2022, doi 10.1186/s40635-022-00448-5: size of the errors, abstract.
"""

from __future__ import annotations

from enum import Enum
from math import inf
from typing import Final

from ebbmark.physiology.findings import Message, message

ACCEPTED_HEIGHT_RANGE_CM: Final = (120.0, 230.0)
"""Heights that are computed at all [cm]; outside, a slip is likelier than an adult. Our own choice."""

PUBLISHED_HEIGHT_RANGE_CM: Final = (152.4, 193.0)
"""Heights that our check table covers [cm]: 60 in, where the formula is anchored, to 76 in."""

ACCEPTED_WEIGHT_RANGE_KG: Final = (25.0, 400.0)
"""Actual body weights that are used [kg]; outside, a slip is likelier than an adult. Our own choice."""

OBESE_FROM_KG_PER_M2: Final = 30.0
"""Body mass index from which an adult is obese [kg/m2]. Source: World Health Organization, as public pages quote it."""

J_PER_L_CMH2O: Final = 0.098
"""One litre moved against 1 cmH2O [J], as the published formulas round 0.0980665."""

_ML_PER_L: Final = 1000.0
_ANCHOR_CM: Final = 152.4  # 60 inches
_KG_PER_CM: Final = 0.91  # 2.3 kg per inch over 2.54, as the protocol rounds it


def require_positive(**values: float) -> None:
    """Refuse what must be a finite number above zero, by argument name."""
    for name, value in values.items():
        if not 0.0 < value < inf:  # also false for a NaN
            raise ValueError(f"{name} must be a finite number above zero, got {value}")


def require_at_least_zero(**values: float) -> None:
    """Refuse what must be a finite number, zero or above, by argument name."""
    for name, value in values.items():
        if not 0.0 <= value < inf:  # also false for a NaN
            raise ValueError(f"{name} must be a finite number, zero or above, got {value}")


class Sex(Enum):
    """The two forms of the formula; which one applies is never guessed."""

    FEMALE = "female"
    MALE = "male"


_KG_AT_ANCHOR: Final = {Sex.MALE: 50.0, Sex.FEMALE: 45.5}


def predicted_body_weight_kg(height_cm: float, sex: Sex) -> float:
    """Body weight predicted from standing height and sex, for adults.

    Source: ARDS Network, N Engl J Med 2000;342:1301-8:
    50 (male) or 45.5 (female) + 0.91 x (height in cm - 152.4).
    """
    _require_accepted_height(height_cm)
    return _KG_AT_ANCHOR[sex] + _KG_PER_CM * (height_cm - _ANCHOR_CM)


def body_mass_index(weight_kg: float, height_cm: float) -> float:
    """Actual body weight over height squared [kg/m2]. Source: World Health Organization, as public pages quote it."""
    require_positive(weight_kg=weight_kg)
    _require_accepted_height(height_cm)
    return weight_kg / (height_cm / 100.0) ** 2


def height_remark(height_cm: float) -> Message | None:
    """What the reader should know about a height for which the formula stands on thinner ground.

    Source: adults only: Martin and Richards, BMC Pulm Med 2017;17:85. Upper bound: our own check table.
    """
    _require_accepted_height(height_cm)
    lowest, highest = PUBLISHED_HEIGHT_RANGE_CM
    if height_cm < lowest:
        return message("height-remark.below", height_cm=height_cm, lowest_cm=lowest)
    return message("height-remark.above", height_cm=height_cm, highest_cm=highest) if height_cm > highest else None


def tidal_volume_ml(pbw_kg: float, ml_per_kg: float) -> float:
    """Tidal volume of one rung of the ladder, from predicted body weight.

    Source: ARDS Network, N Engl J Med 2000;342:1301-8.
    """
    require_positive(pbw_kg=pbw_kg, ml_per_kg=ml_per_kg)
    return pbw_kg * ml_per_kg


def _require_accepted_height(height_cm: float) -> None:
    lowest, highest = ACCEPTED_HEIGHT_RANGE_CM
    if not lowest <= height_cm <= highest:  # also false for a NaN
        raise ValueError(f"height must lie within {lowest:g} to {highest:g} cm, got {height_cm}")


def static_compliance_ml_per_cmh2o(*, tidal_volume_ml: float, plateau_cmh2o: float, total_peep_cmh2o: float) -> float:
    """Static compliance of the respiratory system, lung and chest wall together: no flow at either end of the breath.

    Args:
        tidal_volume_ml: delivered to the patient, tubing compression taken off.

    Source: Suter, Fairley and Isenberg, N Engl J Med 1975;292:284-9, as given in Pilbeam chapter 13.
    """
    require_positive(tidal_volume_ml=tidal_volume_ml)
    return tidal_volume_ml / driving_pressure_cmh2o(plateau_cmh2o=plateau_cmh2o, total_peep_cmh2o=total_peep_cmh2o)


def dynamic_compliance_ml_per_cmh2o(*, tidal_volume_ml: float, peak_cmh2o: float, peep_cmh2o: float) -> float:
    """Volume per pressure from the peak, flow included; never to be mixed with static along one curve.

    In volume control it contains the resistive drop and so reads low. In pressure control with flow at zero before
    the breath ends, it comes close to static compliance.

    Source: textbook definition, Pilbeam chapter 1.
    """
    require_positive(tidal_volume_ml=tidal_volume_ml, peak_cmh2o=peak_cmh2o)
    require_at_least_zero(peep_cmh2o=peep_cmh2o)
    if peak_cmh2o <= peep_cmh2o:
        raise ValueError(f"peak must lie above PEEP, got {peak_cmh2o} and {peep_cmh2o} cmH2O")
    return tidal_volume_ml / (peak_cmh2o - peep_cmh2o)


def driving_pressure_cmh2o(*, plateau_cmh2o: float, total_peep_cmh2o: float) -> float:
    """Pressure that the tidal volume costs, as measured. Source: Amato et al, N Engl J Med 2015;372:747-55."""
    if not 0.0 <= total_peep_cmh2o < plateau_cmh2o < inf:
        require_positive(plateau_cmh2o=plateau_cmh2o)
        require_at_least_zero(total_peep_cmh2o=total_peep_cmh2o)
        raise ValueError(f"plateau must lie above total PEEP, got {plateau_cmh2o} and {total_peep_cmh2o} cmH2O")
    return plateau_cmh2o - total_peep_cmh2o


def driving_pressure_at_cmh2o(*, tidal_volume_ml: float, compliance_ml_per_cmh2o: float) -> float:
    """Pressure that a tidal volume would cost. Source: Amato et al, N Engl J Med 2015;372:747-55."""
    require_positive(tidal_volume_ml=tidal_volume_ml, compliance_ml_per_cmh2o=compliance_ml_per_cmh2o)
    return tidal_volume_ml / compliance_ml_per_cmh2o


def mechanical_power_volume_control_j_per_min(
    *, rate_per_min: float, tidal_volume_ml: float, peep_cmh2o: float, plateau_cmh2o: float, peak_cmh2o: float
) -> float:
    """Power at constant flow, from peak and plateau.

    Source: Gattinoni et al 2016, rearranged: 0.098 x rate x VT x (peak - (plateau - PEEP)/2), VT in litres.
    """
    require_positive(rate_per_min=rate_per_min, tidal_volume_ml=tidal_volume_ml, peak_cmh2o=peak_cmh2o)
    require_at_least_zero(peep_cmh2o=peep_cmh2o)
    if not peep_cmh2o < plateau_cmh2o <= peak_cmh2o:
        raise ValueError(
            f"plateau must lie above PEEP and not above peak, got {peep_cmh2o}, {plateau_cmh2o}, {peak_cmh2o} cmH2O"
        )
    mean_pressure_cmh2o = peak_cmh2o - 0.5 * (plateau_cmh2o - peep_cmh2o)
    return J_PER_L_CMH2O * rate_per_min * tidal_volume_ml / _ML_PER_L * mean_pressure_cmh2o


def mechanical_power_pressure_control_j_per_min(
    *, rate_per_min: float, tidal_volume_ml: float, peep_cmh2o: float, pressure_above_peep_cmh2o: float
) -> float:
    """Power of a square pressure wave.

    A real wave takes time to rise, so this reads high: in 50 patients with a rise time it differed from the measured
    loop by 19.4 % (SD 12.9; Trinkle et al 2022).

    Source: Becher et al 2019, simplified: 0.098 x rate x VT x (PEEP + pressure above PEEP), VT in litres.
    """
    require_positive(rate_per_min=rate_per_min, tidal_volume_ml=tidal_volume_ml)
    require_positive(pressure_above_peep_cmh2o=pressure_above_peep_cmh2o)
    require_at_least_zero(peep_cmh2o=peep_cmh2o)
    mean_pressure_cmh2o = peep_cmh2o + pressure_above_peep_cmh2o
    return J_PER_L_CMH2O * rate_per_min * tidal_volume_ml / _ML_PER_L * mean_pressure_cmh2o


class Control(Enum):
    """What the ventilator holds: the pressure or the volume."""

    PRESSURE = "pressure"
    VOLUME = "volume"


def expected_mechanical_power_j_per_min(
    *,
    control: Control,
    rate_per_min: float,
    tidal_volume_ml: float,
    peep_cmh2o: float,
    driving_pressure_cmh2o: float,
    resistive_pressure_cmh2o: float | None = None,
) -> float | None:
    """Power of a breath that nobody has given yet; None in volume control without a resistive pressure.

    In pressure control the pressure set above PEEP is taken to equal the driving pressure, which holds when flow has
    stopped before the breath ends; in volume control inspiratory flow is taken to be unchanged.

    Args:
        resistive_pressure_cmh2o: peak minus plateau at the flow in use; only volume control needs it.

    Source: as of the two forms above.
    """
    if control is Control.PRESSURE:
        return mechanical_power_pressure_control_j_per_min(
            rate_per_min=rate_per_min,
            tidal_volume_ml=tidal_volume_ml,
            peep_cmh2o=peep_cmh2o,
            pressure_above_peep_cmh2o=driving_pressure_cmh2o,
        )
    if resistive_pressure_cmh2o is None:
        return None
    require_at_least_zero(resistive_pressure_cmh2o=resistive_pressure_cmh2o)
    plateau_cmh2o = peep_cmh2o + driving_pressure_cmh2o
    return mechanical_power_volume_control_j_per_min(
        rate_per_min=rate_per_min,
        tidal_volume_ml=tidal_volume_ml,
        peep_cmh2o=peep_cmh2o,
        plateau_cmh2o=plateau_cmh2o,
        peak_cmh2o=plateau_cmh2o + resistive_pressure_cmh2o,
    )
