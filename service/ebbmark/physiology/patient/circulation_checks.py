"""Checks of circulation and gas along the limb: what fails while PEEP is lowered, and what was poor at every step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, SOURCES, Finding, Value, Weight, message
from ebbmark.physiology.patient.context import StepSeen, TrialContext, finding_at, rows_where
from ebbmark.physiology.readings import Quantity

_VENTILATION: Final = (Quantity.RESPIRATORY_RATE_SET, Quantity.TIDAL_VOLUME_SET)


def lost_carbon_dioxide(context: TrialContext) -> Iterator[Finding]:
    """End-tidal carbon dioxide that vanished: tube, circuit or circulation."""
    values = [one.last(Quantity.END_TIDAL_CO2) for one in context.seen]
    if max((value for value in values if value is not None), default=0.0) < context.limits.worn_carbon_dioxide_mmhg:
        return
    limit = context.limits.no_carbon_dioxide_mmhg
    gone = rows_where(context, Quantity.END_TIDAL_CO2, lambda value, _: value < limit, last=True)
    if gone:
        lowest = min(one.last(Quantity.END_TIDAL_CO2) or 0.0 for one in gone)
        yield finding_at("carbon-dioxide-lost", gone, {"end_tidal_mmhg": lowest, "limit_mmhg": limit}, OWN_CHOICE)


def carbon_dioxide_halved(context: TrialContext) -> Iterator[Finding]:
    """End-tidal carbon dioxide of half or less of an earlier step at the same rate and volume: flow, or the tube."""
    limits, quantity = context.limits, Quantity.END_TIDAL_CO2
    known = [(row, value) for row in context.seen if (value := row.last(quantity)) is not None]
    for place, (row, value) in enumerate(known):
        same = [one for one in known[:place] if _same_ventilation(one[0], row, limits.volume_change_share)]
        best, most = max(same, key=lambda pair: pair[1], default=(row, 0.0))
        if most >= limits.worn_carbon_dioxide_mmhg and value <= limits.halved_carbon_dioxide_share * most:
            values = {"from_mmhg": most, "to_mmhg": value, "from_cmh2o": best.peep_cmh2o, "to_cmh2o": row.peep_cmh2o}
            yield finding_at("carbon-dioxide-halved", [row], values, COMMON_PRACTICE, Weight.HIGH)
            return


def _same_ventilation(one: StepSeen, other: StepSeen, change: float) -> bool:
    """Whether neither rate nor volume is known to have been set otherwise."""
    pairs = [(one.last(quantity), other.last(quantity)) for quantity in _VENTILATION]
    return all(not then or not now or abs(now - then) <= change * then for then, now in pairs)


def circulation_fails(context: TrialContext) -> Iterator[Finding]:
    """Arterial pressure that falls while heart rate rises along the limb; or heart rate alone that rises far."""
    limits, rate = context.limits, Quantity.HEART_RATE
    for quantity in (Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE):
        rows = [
            (row, pressure, beats)
            for row in context.seen
            if (pressure := row.middle(quantity)) is not None and (beats := row.middle(rate)) is not None
        ]
        for place, (row, pressure, beats) in enumerate(rows):
            before, slowest = max(one[1] for one in rows[: place + 1]), min(one[2] for one in rows[: place + 1])
            if (
                pressure <= (1.0 - limits.pressure_fall_share) * before
                and beats >= (1 + limits.rate_rise_share) * slowest
            ):
                worst, least, most = min(rows[place:], key=lambda one: one[1])
                values: dict[str, Value] = {
                    "words": message(f"vital.{quantity.slug}"),
                    "from_mmhg": before,
                    "to_mmhg": least,
                    "from_per_min": slowest,
                    "to_per_min": most,
                    "peep_cmh2o": worst.peep_cmh2o,
                }
                yield _beside(finding_at("pressure-fell-rate-rose", [row], {}, OWN_CHOICE, Weight.HIGH), values)
                return
    beats_of = [(row, value) for row in context.seen if (value := row.middle(rate)) is not None]
    for place, (row, value) in enumerate(beats_of):
        slowest = min(one for _, one in beats_of[: place + 1])
        if slowest > 0.0 and value >= (1.0 + limits.rate_rise_alone_share) * slowest:
            most = max(one for _, one in beats_of[place:])
            told: dict[str, Value] = {"from_per_min": slowest, "to_per_min": most, "peep_cmh2o": row.peep_cmh2o}
            yield _beside(finding_at("heart-rate-rose", [row], {}, OWN_CHOICE, Weight.MODERATE), told)
            return


def poor_throughout(context: TrialContext) -> Iterator[Finding]:
    """Saturation at or below the lower end of its goal, or low pressure with a fast heart, at every charted step."""
    limits = context.limits
    saturations = [value for row in context.seen if (value := row.middle(Quantity.SPO2)) is not None]
    if len(saturations) > 1 and max(saturations) <= limits.saturation_goal_percent:
        values: dict[str, Value] = {
            "low": min(saturations),
            "high": max(saturations),
            "limit": limits.saturation_goal_percent,
        }
        yield Finding("saturation-low-throughout", Weight.HIGH, values, source=SOURCES["ards-network-protocol"])
    both = [
        (pressure, beats)
        for row in context.seen
        if (pressure := row.middle(Quantity.MEAN_ARTERIAL_PRESSURE)) is not None
        and (beats := row.middle(Quantity.HEART_RATE)) is not None
    ]
    low, fast = limits.shock_pressure_mmhg, limits.shock_rate_per_min
    if len(both) > 1 and all(pressure < low and beats > fast for pressure, beats in both):
        values = {"pressure": max(one for one, _ in both), "beats": min(one for _, one in both)}
        yield Finding("shock-throughout", Weight.HIGH, values, source=OWN_CHOICE)


def _beside(finding: Finding, values: dict[str, Value]) -> Finding:
    """A finding about the patient and not about the curve."""
    return replace(finding, values=values, of_curve=False)
