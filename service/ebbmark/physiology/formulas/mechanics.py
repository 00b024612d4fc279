"""How stiff is this respiratory system, and how hard is it being pushed?

One compartment behind one resistance: airway pressure = volume x elastance + flow x resistance + total PEEP. All of
it holds for a passive patient only; a patient who breathes along makes plateau pressure mean something else.

Source: equation of motion as restated in Gattinoni et al, Intensive Care Med 2016;42:1567-75 (abstract read);
definitions as in Cairo, Pilbeam's Mechanical Ventilation, chapters 1 and 13 (long stretches read).
"""

from __future__ import annotations

from ebbmark.physiology.formulas.bounds import require_at_least_zero, require_positive

__all__ = [
    "airway_resistance_cmh2o_s_per_l",
    "driving_pressure_at_cmh2o",
    "driving_pressure_cmh2o",
    "dynamic_compliance_ml_per_cmh2o",
    "elastance_cmh2o_per_l",
    "largest_tidal_volume_ml",
    "limits_exceeded",
    "static_compliance_ml_per_cmh2o",
    "time_constant_s",
]

_ML_PER_L = 1000.0


def static_compliance_ml_per_cmh2o(*, tidal_volume_ml: float, plateau_cmh2o: float, total_peep_cmh2o: float) -> float:
    """Volume per pressure with no flow at either end of the breath.

    Args:
        tidal_volume_ml: delivered to the patient, tubing compression taken off [mL].
        plateau_cmh2o: after an end-inspiratory hold [cmH2O].
        total_peep_cmh2o: set PEEP plus intrinsic PEEP [cmH2O].

    Returns:
        Static compliance of the respiratory system, lung and chest wall together [mL/cmH2O].

    Raises:
        ValueError: volume not above zero, or plateau not above total PEEP.

    Source: Suter, Fairley and Isenberg, N Engl J Med 1975;292:284-9, as given in Pilbeam chapter 13.
    """
    require_positive(tidal_volume_ml=tidal_volume_ml)
    return tidal_volume_ml / driving_pressure_cmh2o(plateau_cmh2o=plateau_cmh2o, total_peep_cmh2o=total_peep_cmh2o)


def dynamic_compliance_ml_per_cmh2o(*, tidal_volume_ml: float, peak_cmh2o: float, peep_cmh2o: float) -> float:
    """Volume per pressure from the peak, flow included.

    In volume control it contains the resistive drop and so reads low. In pressure control with flow at zero before
    the breath ends, it comes close to static compliance.

    Args:
        tidal_volume_ml: delivered to the patient [mL].
        peak_cmh2o: peak airway pressure [cmH2O].
        peep_cmh2o: end-expiratory pressure [cmH2O].

    Returns:
        Dynamic compliance, never to be mixed with static along one curve [mL/cmH2O].

    Raises:
        ValueError: volume not above zero, or peak not above PEEP.

    Source: textbook definition, Pilbeam chapter 1.
    """
    require_positive(tidal_volume_ml=tidal_volume_ml, peak_cmh2o=peak_cmh2o)
    require_at_least_zero(peep_cmh2o=peep_cmh2o)
    if peak_cmh2o <= peep_cmh2o:
        raise ValueError(f"peak must lie above PEEP, got {peak_cmh2o} and {peep_cmh2o} cmH2O")
    return tidal_volume_ml / (peak_cmh2o - peep_cmh2o)


def driving_pressure_cmh2o(*, plateau_cmh2o: float, total_peep_cmh2o: float) -> float:
    """Pressure that the tidal volume costs, as measured.

    Args:
        plateau_cmh2o: after an end-inspiratory hold [cmH2O].
        total_peep_cmh2o: set PEEP plus intrinsic PEEP [cmH2O].

    Returns:
        Driving pressure [cmH2O].

    Raises:
        ValueError: plateau not above total PEEP.

    Source: Amato et al, N Engl J Med 2015;372:747-55.
    """
    require_positive(plateau_cmh2o=plateau_cmh2o)
    require_at_least_zero(total_peep_cmh2o=total_peep_cmh2o)
    if plateau_cmh2o <= total_peep_cmh2o:
        raise ValueError(f"plateau must lie above total PEEP, got {plateau_cmh2o} and {total_peep_cmh2o} cmH2O")
    return plateau_cmh2o - total_peep_cmh2o


def driving_pressure_at_cmh2o(*, tidal_volume_ml: float, compliance_ml_per_cmh2o: float) -> float:
    """Pressure that a tidal volume would cost.

    Args:
        tidal_volume_ml: volume asked about [mL].
        compliance_ml_per_cmh2o: static compliance [mL/cmH2O].

    Returns:
        Driving pressure [cmH2O].

    Raises:
        ValueError: either argument not above zero.

    Source: Amato et al, N Engl J Med 2015;372:747-55.
    """
    require_positive(tidal_volume_ml=tidal_volume_ml, compliance_ml_per_cmh2o=compliance_ml_per_cmh2o)
    return tidal_volume_ml / compliance_ml_per_cmh2o


def elastance_cmh2o_per_l(*, compliance_ml_per_cmh2o: float) -> float:
    """Stiffness: the inverse of compliance.

    Args:
        compliance_ml_per_cmh2o: static compliance [mL/cmH2O].

    Returns:
        Elastance of the respiratory system [cmH2O/L].

    Raises:
        ValueError: compliance not above zero.

    Source: equation of motion, Gattinoni et al, Intensive Care Med 2016;42:1567-75.
    """
    require_positive(compliance_ml_per_cmh2o=compliance_ml_per_cmh2o)
    return _ML_PER_L / compliance_ml_per_cmh2o


def airway_resistance_cmh2o_s_per_l(*, peak_cmh2o: float, plateau_cmh2o: float, flow_l_per_s: float) -> float:
    """Pressure that constant flow costs on its way through tube and airways.

    Args:
        peak_cmh2o: peak airway pressure at constant flow [cmH2O].
        plateau_cmh2o: after an end-inspiratory hold [cmH2O].
        flow_l_per_s: the constant inspiratory flow [L/s].

    Returns:
        Resistance, zero where peak equals plateau [cmH2O/(L/s)].

    Raises:
        ValueError: flow not above zero, or peak below plateau.

    Source: textbook definition, Pilbeam chapter 1.
    """
    require_positive(peak_cmh2o=peak_cmh2o, plateau_cmh2o=plateau_cmh2o, flow_l_per_s=flow_l_per_s)
    if peak_cmh2o < plateau_cmh2o:
        raise ValueError(f"peak must not lie below plateau, got {peak_cmh2o} and {plateau_cmh2o} cmH2O")
    return (peak_cmh2o - plateau_cmh2o) / flow_l_per_s


def time_constant_s(*, resistance_cmh2o_s_per_l: float, compliance_ml_per_cmh2o: float) -> float:
    """Time in which a passive breath out gives up 63 % of its volume.

    Args:
        resistance_cmh2o_s_per_l: airways and tube [cmH2O/(L/s)].
        compliance_ml_per_cmh2o: static compliance [mL/cmH2O].

    Returns:
        Time constant [s].

    Raises:
        ValueError: either argument not above zero.

    Source: textbook definition, Pilbeam chapter 1.
    """
    require_positive(resistance_cmh2o_s_per_l=resistance_cmh2o_s_per_l, compliance_ml_per_cmh2o=compliance_ml_per_cmh2o)
    return resistance_cmh2o_s_per_l * compliance_ml_per_cmh2o / _ML_PER_L


def largest_tidal_volume_ml(*, compliance_ml_per_cmh2o: float, peep_cmh2o: float, plateau_limit_cmh2o: float) -> float:
    """Largest volume whose plateau stays within the limit.

    Args:
        compliance_ml_per_cmh2o: static compliance at that PEEP [mL/cmH2O].
        peep_cmh2o: end-expiratory pressure [cmH2O].
        plateau_limit_cmh2o: plateau not to be exceeded [cmH2O].

    Returns:
        Tidal volume, zero where PEEP leaves no room below the limit [mL].

    Raises:
        ValueError: compliance or limit not above zero, or PEEP below zero.

    Source: definition of static compliance, solved for volume.
    """
    require_positive(compliance_ml_per_cmh2o=compliance_ml_per_cmh2o, plateau_limit_cmh2o=plateau_limit_cmh2o)
    require_at_least_zero(peep_cmh2o=peep_cmh2o)
    return compliance_ml_per_cmh2o * max(0.0, plateau_limit_cmh2o - peep_cmh2o)


def limits_exceeded(
    *,
    plateau_cmh2o: float,
    driving_pressure_cmh2o: float,
    plateau_limit_cmh2o: float,
    driving_pressure_limit_cmh2o: float,
) -> tuple[str, ...]:
    """Which of the two limits are passed, in words; a value at its limit is within it.

    Pressures are compared as they are shown, to 0.1 cmH2O, so that nobody reads "30.0 is above 30".

    Args:
        plateau_cmh2o: measured or expected [cmH2O].
        driving_pressure_cmh2o: measured or expected [cmH2O].
        plateau_limit_cmh2o: of the protocol [cmH2O].
        driving_pressure_limit_cmh2o: of the protocol [cmH2O].

    Returns:
        One plain sentence per limit passed, plateau first.

    Raises:
        ValueError: any argument not above zero.

    Source: plateau: ARDS Network, N Engl J Med 2000;342:1301-8 (30 or less). Driving pressure: an association,
    Amato et al, N Engl J Med 2015;372:747-55; no trial has shown that keeping to a limit helps.
    """
    require_positive(
        plateau_cmh2o=plateau_cmh2o,
        driving_pressure_cmh2o=driving_pressure_cmh2o,
        plateau_limit_cmh2o=plateau_limit_cmh2o,
        driving_pressure_limit_cmh2o=driving_pressure_limit_cmh2o,
    )
    compared = (
        ("Plateau pressure", plateau_cmh2o, plateau_limit_cmh2o),
        ("Driving pressure", driving_pressure_cmh2o, driving_pressure_limit_cmh2o),
    )
    return tuple(
        f"{name} of {value:.1f} cmH2O is above the limit of {limit:g} cmH2O."
        for name, value, limit in compared
        if round(value, 1) > limit
    )
