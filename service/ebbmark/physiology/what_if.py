"""What-if table: what each margin above the closing pressure would mean for pressures, volume and power.

Compliance is taken from the fitted curve and assumed not to change with tidal volume. Dynamic compliance contains
airway resistance, so no pressure is expected from it, except where a plateau was measured at that very step.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.mechanics import (
    Control,
    driving_pressure_at_cmh2o,
    expected_mechanical_power_j_per_min,
    static_compliance_ml_per_cmh2o,
)
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.steps import Trial


@dataclass(frozen=True, slots=True)
class TidalVolume:
    """One rung of the ladder: volume per predicted body weight and in millilitres."""

    ml_per_kg: float
    volume_ml: float


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What one margin would mean at the target tidal volume, or at the largest lower one that keeps the limit.

    Driving pressure, plateau, power and volume are None where the plateau is not known.
    """

    margin_cmh2o: float
    peep_cmh2o: float
    tested: bool  # within the tested range; if not, all that follows is None
    total_peep_cmh2o: float | None  # with the intrinsic PEEP that was seen at the nearest steps
    compliance_ml_per_cmh2o: float | None  # between the nearest steps; static where a plateau was measured there
    driving_pressure_cmh2o: float | None
    plateau_cmh2o: float | None
    mechanical_power_j_per_min: float | None  # None where rate, mode or resistive pressure is not known
    tidal_volume: TidalVolume | None  # the target, else the largest lower rung that keeps the limit, else the lowest
    limits_exceeded: tuple[str, ...] = ()  # plain sentences, one per limit; empty until they are worded
    limits_met: tuple[Finding, ...] = ()
    beyond: tuple[Finding, ...] = ()


def what_if(
    margin: float,
    closing_cmh2o: float,
    trial: Trial,
    closing: Closing,
    rungs: Sequence[TidalVolume],
    protocol: Protocol,
) -> WhatIf:
    """One row: the largest rung from the target downwards that keeps plateau pressure within its limit.

    Args:
        rungs: tidal volumes to choose from, the target first, then smaller ones.
    """
    peep = closing_cmh2o + margin
    compliance = _between(peep, [(step.peep_cmh2o, step.fitted_ml_per_cmh2o) for step in closing.steps])
    intrinsic = _between(peep, [(step.peep_cmh2o, step.baseline_cmh2o - step.peep_cmh2o) for step in trial.steps])
    if compliance is None or intrinsic is None:
        return WhatIf(margin, peep, False, None, None, None, None, None, None, ())
    total = peep + max(intrinsic, 0.0)
    static = compliance if trial.kind.static else _measured_static(peep, total, trial)
    if static is None:
        beyond = tuple(_beyond_rules(margin, peep, protocol))
        return WhatIf(margin, peep, True, total, compliance, None, None, None, None, beyond=beyond)
    limit = protocol.plateau_limit_cmh2o

    def costs(rung: TidalVolume) -> float:
        return driving_pressure_at_cmh2o(tidal_volume_ml=rung.volume_ml, compliance_ml_per_cmh2o=static)

    rung = next((rung for rung in rungs if total + costs(rung) <= limit), rungs[-1])
    driving = costs(rung)
    exceeded = []
    if rung is not rungs[0]:
        values = {
            "asked_ml_per_kg": rungs[0].ml_per_kg,
            "plateau_cmh2o": total + costs(rungs[0]),
            "limit_cmh2o": limit,
            "used_ml_per_kg": rung.ml_per_kg,
        }
        exceeded.append(Finding("plateau-above-limit", Weight.HIGH, values))
    if total + driving > limit:
        values = {"limit_cmh2o": limit, "used_ml_per_kg": rung.ml_per_kg}
        exceeded.append(Finding("plateau-above-limit-at-any-volume", Weight.HIGH, values))
    exceeded += _beyond_rules(margin, peep, protocol)
    if driving > protocol.driving_pressure_limit_cmh2o:
        values = {"limit_cmh2o": protocol.driving_pressure_limit_cmh2o}
        exceeded.append(Finding("driving-pressure-beyond", Weight.MODERATE, values))
    power = _power(total, driving, rung, trial)
    return WhatIf(margin, peep, True, total, static, driving, total + driving, power, rung, beyond=tuple(exceeded))


def _beyond_rules(margin: float, peep: float, protocol: Protocol) -> list[Finding]:
    """Why a row may not be suggested whatever its pressures are."""
    found = []
    if peep < protocol.least_peep_cmh2o:
        found.append(Finding("below-least-peep", Weight.MODERATE, {"least_cmh2o": protocol.least_peep_cmh2o}))
    if margin > max(*protocol.margins_cmh2o, protocol.margin_cmh2o):
        found.append(Finding("beyond-largest-margin", Weight.MODERATE))
    return found


def _measured_static(peep: float, total: float, trial: Trial) -> float | None:
    """Static compliance of the step of that PEEP, where its plateau was measured although the curve is dynamic."""
    for step in trial.steps:
        if step.peep_cmh2o == peep and step.plateau_cmh2o is not None and step.tidal_volume_ml:
            if step.plateau_cmh2o <= total:
                return None
            return static_compliance_ml_per_cmh2o(
                tidal_volume_ml=step.tidal_volume_ml, plateau_cmh2o=step.plateau_cmh2o, total_peep_cmh2o=total
            )
    return None


def _between(peep: float, steps: Sequence[tuple[float, float]]) -> float | None:
    """The value at a PEEP, in a straight line between the two nearest steps; None outside the tested range."""
    rising = steps[::-1]
    levels = [level for level, _ in rising]
    if not levels or not levels[0] <= peep <= levels[-1]:
        return None
    right = bisect_left(levels, peep)
    if levels[right] == peep:
        return rising[right][1]
    (lower, below), (upper, above) = rising[right - 1], rising[right]
    share = (peep - lower) / (upper - lower)
    return (1 - share) * below + share * above


def _power(peep: float, driving: float, rung: TidalVolume, trial: Trial) -> float | None:
    """Mechanical power at the rate in use, where rate, mode and, for volume control, resistive pressure are known."""
    rate = trial.context.get(Quantity.RESPIRATORY_RATE_SET.slug) or trial.context.get(Quantity.RESPIRATORY_RATE.slug)
    if rate is None or rate.value <= 0 or not trial.kind.static:
        return None
    resistive = [
        step.peak_cmh2o - step.plateau_cmh2o
        for step in trial.steps
        if step.peak_cmh2o is not None and step.plateau_cmh2o is not None and step.peak_cmh2o >= step.plateau_cmh2o
    ]
    pressure_is_set = Quantity.PRESSURE_ABOVE_PEEP_SET.slug in trial.context
    if pressure_is_set == (Quantity.TIDAL_VOLUME_SET.slug in trial.context):
        return None  # what the ventilator controls is not known, and the two forms differ
    return expected_mechanical_power_j_per_min(
        control=Control.PRESSURE if pressure_is_set else Control.VOLUME,
        rate_per_min=rate.value,
        tidal_volume_ml=rung.volume_ml,
        peep_cmh2o=peep,
        driving_pressure_cmh2o=driving,
        resistive_pressure_cmh2o=median(resistive) if resistive else None,
    )
