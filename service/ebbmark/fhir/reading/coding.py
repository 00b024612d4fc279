"""The meaning of a CodeableConcept, and how its value is read.

All codings of one concept must agree. A code that is in use for settings and for measurements is told apart by the
device's DeviceMetric.category where that can be found.

Numbers that cannot be true lie outside wide ranges that only typing, unit and sensor errors leave. The ranges are this
project's choice: no published table of them was found. They are wider than anything that is seen in care, so that
nothing real is thrown away; what lies outside is listed, never used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ebbmark.fhir.model import Coding, QuantityValue
from ebbmark.fhir.reading.codes import SETTING_TWIN, CodeRow, HeightKind, Personal, WeightKind
from ebbmark.fhir.reading.quoting import code_shown
from ebbmark.fhir.reading.units import UCUM, UnitProblem, conversion
from ebbmark.fhir.sources import Reason
from ebbmark.physiology.formulas.body import ACCEPTED_HEIGHT_RANGE_CM, ACCEPTED_WEIGHT_RANGE_KG
from ebbmark.physiology.readings import Quantity

__all__ = ["RANGES", "Meaning", "Plan", "QuickPlan", "Unusable", "meaning_of", "plan_for", "with_category"]


RANGES: dict[Quantity, tuple[float, float]] = {
    Quantity.PEEP_SET: (0.0, 60.0),  # recruitment goes to 50 cm[H2O] at most
    Quantity.PEEP_MEASURED: (0.0, 60.0),
    Quantity.PEEP_TOTAL: (0.0, 60.0),
    Quantity.PEEP_INTRINSIC: (0.0, 40.0),
    Quantity.PEAK_PRESSURE: (0.0, 120.0),  # safety valves of ventilators open near 120 cm[H2O]
    Quantity.PLATEAU_PRESSURE: (0.0, 100.0),
    Quantity.DRIVING_PRESSURE: (0.0, 80.0),
    Quantity.PRESSURE_ABOVE_PEEP_SET: (0.0, 80.0),
    Quantity.PRESSURE_SUPPORT_SET: (0.0, 80.0),
    Quantity.MEAN_AIRWAY_PRESSURE: (0.0, 80.0),
    Quantity.TIDAL_VOLUME_SET: (20.0, 3000.0),
    Quantity.TIDAL_VOLUME_EXPIRED: (0.0, 3000.0),  # 0 is what a disconnected circuit shows
    Quantity.TIDAL_VOLUME_INSPIRED: (0.0, 3000.0),
    Quantity.TIDAL_VOLUME_UNSTATED: (0.0, 3000.0),
    Quantity.COMPLIANCE_STATIC: (1.0, 300.0),
    Quantity.COMPLIANCE_DYNAMIC: (1.0, 300.0),
    Quantity.RESISTANCE: (0.0, 300.0),
    Quantity.RESPIRATORY_RATE_SET: (0.0, 150.0),
    Quantity.RESPIRATORY_RATE: (0.0, 150.0),
    Quantity.RESPIRATORY_RATE_SPONTANEOUS: (0.0, 150.0),
    Quantity.INSPIRATORY_TIME_SET: (0.1, 20.0),
    Quantity.MINUTE_VOLUME_EXPIRED: (0.0, 60.0),
    Quantity.FIO2_SET: (0.15, 1.0),  # 0.21 is air; oxygen-poor mixtures exist
    Quantity.FIO2_MEASURED: (0.15, 1.0),
    Quantity.SPO2: (10.0, 100.0),
    Quantity.PAO2: (5.0, 800.0),  # 760 mm[Hg] is pure oxygen at sea level
    Quantity.PACO2: (5.0, 300.0),
    Quantity.END_TIDAL_CO2: (0.0, 200.0),  # 0 is what a tube in the wrong place shows
    Quantity.PH: (6.3, 8.2),
    Quantity.MEAN_ARTERIAL_PRESSURE: (0.0, 300.0),
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: (0.0, 350.0),
    Quantity.HEART_RATE: (0.0, 400.0),
}
"""Lowest and highest value that is used, in the unit of the quantity."""


_MOST_NAMED = 6

QuickPlan = tuple[Quantity, float, float, float, float, str, str, str]
"""The first fields of `Plan`, where it is of a quantity: what the hot path needs."""


class Unusable(NamedTuple):
    """Why something does not count."""

    reason: Reason
    sentence: str


class Meaning(NamedTuple):
    """What a concept stands for; `variant` and `note` as in the table of codes."""

    quantity: Quantity | Personal
    variant: str
    note: str
    ambiguous: bool


class Plan(NamedTuple):
    """How to read values of one code in one unit: `value * multiply / divide`, used from low to high.

    Attributes:
        quantity: what it becomes.
        multiply: conversion.
        divide: conversion.
        low: lowest value used, in our unit.
        high: highest value used, in our unit.
        variant: tells codes of one quantity apart.
        slug: for the canonical text.
        unit: for the canonical text.
        notes: remarks for the request's notes.
    """

    quantity: Quantity | HeightKind | WeightKind
    multiply: float
    divide: float
    low: float
    high: float
    variant: str
    slug: str
    unit: str
    notes: tuple[str, ...]


def meaning_of(codings: Sequence[Coding], table: Mapping[tuple[str, str], CodeRow]) -> Meaning | Unusable:
    """The one meaning that all known codings agree on."""
    known = {key: row for one in codings if (row := table.get(key := (one.system, one.code))) is not None}
    rows = list(known.values())
    if not rows:
        listed = ", ".join([code_shown(coding) for coding in codings[:4]]) or "no coding"
        return Unusable(Reason.UNKNOWN_CODE, f"No code here is known: {listed}.")
    meaning = _agreed(rows)
    if meaning is None:
        return Unusable(Reason.CODINGS_DISAGREE, "The codings of this code mean different things: " + _named(rows))
    if meaning.meaning is None:
        return Unusable(Reason.NOT_USED, f"{meaning.display} is not used. {meaning.reason}".strip())
    same = [row for row in rows if row.meaning is meaning.meaning]
    notes = [meaning.reason] if meaning.reason and all(row.reason for row in same) else []
    alias = next((row.system for (system, _), row in known.items() if row.system != system), "")
    notes += [f"A code system was spelled otherwise than FHIR does; it was read as {alias}."] if alias else []
    note = " ".join(notes)
    return Meaning(meaning.meaning, max(row.variant for row in same), note, all(row.ambiguous for row in rows))


def with_category(meaning: Meaning, category: str) -> Meaning | Unusable:
    """Apply DeviceMetric.category (measurement, setting, calculation, unspecified, or empty where not found)."""
    quantity = meaning.quantity
    if isinstance(quantity, Personal) or category in {"", "unspecified"}:
        return meaning
    is_setting = quantity.slug.endswith("-set")
    if category == "setting" and not is_setting:
        twin = SETTING_TWIN.get(quantity)
        if twin is None:
            sentence = f"The device says that this is a setting, the code says {quantity.slug}."
            return Unusable(Reason.SETTING_UNCLEAR, sentence)
        return meaning._replace(quantity=twin)
    if category in {"measurement", "calculation"} and is_setting:
        return Unusable(Reason.SETTING_UNCLEAR, f"The device says {category}, the code says {quantity.slug}.")
    return meaning


def plan_for(
    quantity: Quantity | HeightKind | WeightKind,
    meaning: Meaning,
    value: QuantityValue,
    units: Mapping[tuple[str, str], str],
) -> Plan | UnitProblem:
    """How values of this quantity, the one of this meaning, become ours in this unit; a site's units come first."""
    if isinstance(quantity, HeightKind):
        slug, unit, (low, high) = "height", "cm", ACCEPTED_HEIGHT_RANGE_CM
    elif isinstance(quantity, WeightKind):
        slug, unit, (low, high) = quantity.value, "kg", ACCEPTED_WEIGHT_RANGE_KG
    else:
        slug, unit, (low, high) = quantity.slug, quantity.unit, RANGES[quantity]
    ucum = units.get((value.system, value.code or value.unit), "") if units else ""
    found = conversion(ucum, "", UCUM, unit) if ucum else conversion(value.code, value.unit, value.system, unit)
    if isinstance(found, UnitProblem):
        return found
    of_site = f"The unit {value.code or value.unit} was read as {ucum}, as the site says." if ucum else ""
    notes = tuple(note for note in (meaning.note, found.note, of_site) if note)
    return Plan(quantity, found.multiply, found.divide, low, high, meaning.variant, slug, unit, notes)


def _agreed(rows: Sequence[CodeRow]) -> CodeRow | None:
    """The most exact of the rows, where all the others allow it."""
    for row in rows:
        if all(other.meaning is row.meaning or row.meaning in other.narrows_to for other in rows):
            return row
    heights = [row for row in rows if isinstance(row.meaning, HeightKind)]
    kinds = {row.meaning for row in heights} - {HeightKind.GENERIC}
    if len(heights) == len(rows) and len(kinds) == 1:
        return next(row for row in heights if row.meaning in kinds)
    return None


def _named(rows: Sequence[CodeRow]) -> str:
    named = ", ".join([f"{row.code} {row.display}" for row in rows[:_MOST_NAMED]])
    return f"{named} and {len(rows) - _MOST_NAMED} more." if len(rows) > _MOST_NAMED else f"{named}."
