"""Compliance and driving pressure: the one set of formulas behind the curve, the what-if table and the comparison.

One compartment behind one resistance: airway pressure = volume x elastance + flow x resistance + total PEEP. All of
it holds for a passive patient only; a patient who breathes along makes plateau pressure mean something else.

Source: equation of motion as restated in Gattinoni et al, Intensive Care Med 2016;42:1567-75 (abstract read);
definitions as in Cairo, Pilbeam's Mechanical Ventilation, chapters 1 and 13 (long stretches read).
"""

from __future__ import annotations

from ebbmark.physiology.formulas.bounds import require_at_least_zero, require_positive

__all__ = [
    "driving_pressure_at_cmh2o",
    "driving_pressure_cmh2o",
    "dynamic_compliance_ml_per_cmh2o",
    "static_compliance_ml_per_cmh2o",
]


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
