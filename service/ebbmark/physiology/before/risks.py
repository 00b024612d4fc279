"""Risks of a PEEP trial: conditions that speak against it or against recruitment, and readings that do.

Conditions are data, `data/conditions.toml`. Classes are this project's reading of the source's own words, which stand
beside each. Only what was read, at first or second hand, is listed; a site may add its own, signed by a clinician.
Which codes stand for a concept is decided where codes are read.

The thresholds of mean arterial pressure and vasopressors come from one unit's public guide and are weak; those of
systolic pressure and saturation are a textbook's for stopping a manoeuvre, which nobody should begin beyond; that of a
low pH is where a published ventilation protocol lets go of its other limits; those of heart rate, high pH and carbon
dioxide are this project's own, so that no extreme is passed over; what lies beyond a stop limit in force is high risk;
those of breaths of the patient's own, trapped air and a leak are those of a titration; the others are exclusions of
one trial, which say that there is no evidence, not that there is harm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Final

from ebbmark.data import table
from ebbmark.physiology.before.state import GAS_SPEAKS_S, RECENT_S, latest_usable, lowest_of_last_hour
from ebbmark.physiology.findings import (
    COMMON_PRACTICE,
    OWN_CHOICE,
    SOURCES,
    Message,
    SourceStatus,
    Value,
    joined,
    message,
)
from ebbmark.physiology.patient.context import LIMITS
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit, StopLimits
from ebbmark.physiology.timeline import SETTING_HOLDS_S, span


class Risk(Enum):
    """How much a condition speaks against it."""

    ABSOLUTE = "absolute"
    HIGH = "high-risk"
    CAUTION = "caution"


class Scope(Enum):
    """What it speaks against."""

    ANY_PEEP_RISE = "any-peep-rise"
    RECRUITMENT = "recruitment"


@dataclass(frozen=True, slots=True)
class RiskConcept:
    """One condition."""

    slug: str  # stable name, the name of its value set too
    words: str
    risk: Risk  # this project's reading of the source
    scope: Scope
    says: str
    citation: str
    status: SourceStatus
    named_by: tuple[str, ...] = ()  # parts of words, in small letters without accents, that name it where no code does


RISK_CONCEPTS: Final = tuple(
    RiskConcept(
        **{
            **row,
            "risk": Risk(row["risk"]),
            "scope": Scope(row["scope"]),
            "status": SourceStatus(row["status"]),
            "named_by": tuple(row.get("named_by", ())),
        }
    )
    for row in table("conditions")["condition"]
)
"""Gravest first."""


@dataclass(frozen=True, slots=True)
class ReadingRisk:
    """One thing that the numbers show."""

    slug: str
    risk: Risk
    value: float  # the number, in the unit that its sentence names
    source: int | None  # index of the input; None for what came with the question
    citation: Value
    sentence: Value


def risks_in_readings(
    readings: Sequence[Reading],
    *,
    at_s: float,
    pbw_kg: float | None,
    age_years: float | None,
    body_mass_index: float | None,
    noradrenaline_equivalent_mcg_per_kg_per_min: float | None,
    not_converted: Sequence[str] = (),
    limits: StopLimits = DEFAULT_STOP_LIMITS,
) -> tuple[tuple[ReadingRisk, ...], list[Message]]:
    """What the numbers show against the thresholds that were read, and what could not be compared.

    Source: each threshold's own, see `ReadingRisk.citation`.
    """
    shown = {
        **{one.slug: lowest_of_last_hour(readings, one, at_s) for one in (_MEAN, _SYSTOLIC)},
        **{one.slug: _latest(readings, one, at_s, speaks_s) for one, speaks_s in _SPEAKS_S.items()},
    }
    values = {
        **{name: None if one is None else one.value for name, one in shown.items()},
        "vasopressor-dose": noradrenaline_equivalent_mcg_per_kg_per_min,
        "predicted-body-weight": pbw_kg,
        "age": age_years,
        "body-mass-index": body_mass_index,
    }
    found = []
    for threshold in (_as_signed(one, limits) for one in _THRESHOLDS):
        value = values[threshold.of]
        if value is not None and threshold.sign * (value - threshold.limit) > 0:
            reading = shown.get(threshold.of)
            when = "" if reading is None else _when(reading, readings, at_s)
            source = None if reading is None else reading.source
            was = message(f"risk-shown.{threshold.of}", value=round(value, _DIGITS.get(threshold.of, 2)), when=when)
            side = message("risk-reading.below" if threshold.sign < 0 else "risk-reading.above")
            beside: dict[str, Value] = {"side": side, "limit": threshold.limit, "unit": threshold.unit}
            risk, beyond = _beyond_default(threshold, value, limits)
            sentence = joined("sentences", [message(f"risk-reading.{threshold.says}", was=was, **beside), *beyond])
            found.append(ReadingRisk(threshold.slug, risk, value, source, threshold.citation, sentence))
    found += _breathing_risks(readings, at_s=at_s)
    if not_converted and not any(one.slug == "vasopressor-high" for one in found):
        first, *others = not_converted
        named = joined("each-and", [f"{first[0].upper()}{first[1:]}", *others])
        # Of a second infusion of one drug nobody knows whether both run.
        doubled = any(one.startswith("a second ") for one in not_converted)
        runs = message(f"risk-reading.{'doubled' if doubled else 'runs'}-{'several' if others else 'one'}", named=named)
        sentence, count = message("risk-reading.not-converted", runs=runs), float(len(not_converted))
        found.append(ReadingRisk(NOT_CONVERTED, Risk.HIGH, count, None, SOURCES["unit-guide"], sentence))
    # One pressure is enough to judge a circulation by; of extremes the present state says what was not sent.
    enough = [_SYSTOLIC] if shown[_MEAN.slug] is not None else []
    known = {one.slug for one in (Quantity.HEART_RATE, Quantity.PH, Quantity.PACO2, *enough)}
    missing = [name for name, value in values.items() if value is None and name not in known]
    return tuple(found), [message(f"risk-quantity.{name}") for name in missing]


def _as_signed(threshold: _Threshold, limits: StopLimits) -> _Threshold:
    """The threshold, or the site's signed stop limit in its place."""
    limit: Limit | None = getattr(limits, threshold.signed_as, None) if limits.signed else None
    stricter = limit is not None and threshold.sign * (limit.value - threshold.limit) < 0
    if limit is None or not (stricter or threshold.ours):
        return threshold
    citation = message(
        "risk-reading.signed-citation", version=limits.version, signed_by=limits.signed_by, source=limit.source
    )
    return replace(threshold, limit=limit.value, risk=Risk.HIGH, says="signed", citation=citation)


def _beyond_default(threshold: _Threshold, value: float, limits: StopLimits) -> tuple[Risk, list[Message]]:
    """A value beyond the default stop limit is high risk, whatever its threshold: a trial would begin there."""
    limit: Limit | None = getattr(limits, threshold.signed_as, None)
    if limits.signed or limit is None or threshold.sign * (value - limit.value) <= 0 or threshold.risk is Risk.HIGH:
        return threshold.risk, []
    beyond = message("risk-reading.beyond-stop-limit", limit=limit.value, unit=threshold.unit, source=limit.source)
    return Risk.HIGH, [beyond]


def _breathing_risks(readings: Sequence[Reading], *, at_s: float) -> list[ReadingRisk]:
    """Breaths of the patient's own, trapped air and a leak: a trial read under either says nothing sure of the lung.

    Source: as for the checks of a titration, `patient.limits`.
    """

    def newest(quantity: Quantity, speaks_s: float = RECENT_S) -> Reading | None:
        return _latest(readings, quantity, at_s, speaks_s)

    found: list[ReadingRisk] = []

    def tell(slug: str, risk: Risk, number: float, shown: Reading, citation: str, **values: Value) -> None:
        found.append(ReadingRisk(slug, risk, number, shown.source, citation, message(f"risk-reading.{slug}", **values)))

    support = newest(Quantity.PRESSURE_SUPPORT_SET, SETTING_HOLDS_S)
    ordered = newest(Quantity.RESPIRATORY_RATE_SET, SETTING_HOLDS_S)
    breathed, own = newest(Quantity.RESPIRATORY_RATE), newest(Quantity.RESPIRATORY_RATE_SPONTANEOUS)
    above = 0.0 if breathed is None or ordered is None or not ordered.value else breathed.value - ordered.value
    triggered = above > LIMITS.rate_above_set_per_min
    if support is not None and support.value > 0.0 and (ordered is None or not ordered.value or triggered):
        tell("pressure-support", Risk.HIGH, support.value, support, _EFFORT, value=support.value, passive=_PASSIVE)
    if triggered and breathed is not None and ordered is not None:
        rates = {"value": round(breathed.value), "ordered": round(ordered.value)}
        tell("rate-above-set", Risk.HIGH, breathed.value, breathed, _EFFORT, **rates, passive=_PASSIVE)
    if own is not None and own.value > LIMITS.spontaneous_per_min:
        tell("spontaneous-rate", Risk.HIGH, own.value, own, _EFFORT, value=round(own.value), passive=_PASSIVE)
    total, peep = newest(Quantity.PEEP_TOTAL), newest(Quantity.PEEP_SET, SETTING_HOLDS_S)
    charted = newest(Quantity.PEEP_INTRINSIC)
    shown = total if total is not None and peep is not None and total.start_s >= peep.start_s else charted
    if shown is not None:
        trapped = shown.value - peep.value if shown is total and peep is not None else shown.value
        if trapped >= LIMITS.intrinsic_cmh2o:
            risk = Risk.HIGH if trapped >= LIMITS.intrinsic_high_cmh2o else Risk.CAUTION
            tell("intrinsic-peep", risk, trapped, shown, COMMON_PRACTICE, value=round(trapped))
    expired = newest(Quantity.TIDAL_VOLUME_EXPIRED)
    given = newest(Quantity.TIDAL_VOLUME_INSPIRED) or _volume_set(newest)
    share = 0.0 if expired is None or given is None or not given.value else 1.0 - expired.value / given.value
    if expired is not None and given is not None and share > LIMITS.leak_share:
        risk = Risk.HIGH if share >= LIMITS.leak_none_share else Risk.CAUTION
        volumes = {"expired": round(expired.value), "given": round(given.value), "short": round(100 * share)}
        tell("leak-likely", risk, 100 * share, expired, OWN_CHOICE, **volumes)
    return found


def _volume_set(newest: Callable[[Quantity, float], Reading | None]) -> Reading | None:
    """The set tidal volume, where volume is controlled; under a set pressure it says nothing of what is given."""
    volume = newest(Quantity.TIDAL_VOLUME_SET, SETTING_HOLDS_S)
    pressure = newest(Quantity.PRESSURE_ABOVE_PEEP_SET, SETTING_HOLDS_S)
    return volume if volume is not None and (pressure is None or volume.start_s > pressure.start_s) else None


def _latest(readings: Sequence[Reading], quantity: Quantity, at_s: float, speaks_s: float) -> Reading | None:
    """The latest that still speaks of now: a saturation that has come back is none that a trial would begin at."""
    last = latest_usable(readings, quantity, at_s)
    return None if last is None or at_s - last.start_s > speaks_s else last


def _when(lowest: Reading, readings: Sequence[Reading], at_s: float) -> Message:
    """How long ago it was, and what it is now where it has come back."""
    last = latest_usable(readings, lowest.quantity, at_s)
    risen = last is not None and last.value > lowest.value
    now = message("risk-reading.now", value=round(last.value, 1)) if last is not None and risen else ""
    if lowest.start_s > at_s:
        return message("risk-reading.just-now", now=now)
    return message("risk-reading.ago", span=span(at_s - lowest.start_s), now=now)


@dataclass(frozen=True, slots=True)
class _Threshold:
    slug: str
    of: str
    sign: int  # +1: above the limit counts, -1: below it
    limit: float
    unit: str
    risk: Risk
    says: str
    citation: Value
    signed_as: str
    ours: bool


_MEAN: Final = Quantity.MEAN_ARTERIAL_PRESSURE
_SYSTOLIC: Final = Quantity.SYSTOLIC_ARTERIAL_PRESSURE
_SPEAKS_S: Final = {
    Quantity.SPO2: RECENT_S,
    Quantity.HEART_RATE: RECENT_S,
    Quantity.PH: GAS_SPEAKS_S,
    Quantity.PACO2: GAS_SPEAKS_S,
}
_DIGITS: Final = {"predicted-body-weight": 1, "age": 0, "body-mass-index": 0}
_PASSIVE: Final = message("risk-reading.passive")
_EFFORT: Final = SOURCES["cairo-1"]
NOT_CONVERTED: Final = "vasopressor-not-converted"
OF_THE_DOSE: Final = frozenset({"vasopressor-high", NOT_CONVERTED})
"""What rests on infusions, or on the dose that was sent."""


def _threshold(row: dict[str, Any]) -> _Threshold:
    sign = 1 if row["side"] == "above" else -1
    unit, signed_as = row.get("unit", ""), row.get("signed_as", "")
    ours = row["source"] == "own-unpublished"
    says, citation = row["says"], SOURCES[row["source"]]
    return _Threshold(
        row["slug"], row["of"], sign, row["limit"], unit, Risk(row["risk"]), says, citation, signed_as, ours
    )


_THRESHOLDS: Final = tuple(map(_threshold, table("risk_thresholds")["threshold"]))
_BREATHING: Final = ("pressure-support", "rate-above-set", "spontaneous-rate", "intrinsic-peep", "leak-likely")
READING_RISKS: Final = (*[threshold.slug for threshold in _THRESHOLDS], NOT_CONVERTED, *_BREATHING)
"""Slugs of everything that readings can show."""
