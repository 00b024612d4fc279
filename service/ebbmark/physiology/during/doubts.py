"""Could a reading that was sent, but cannot be used, be one that meets a stop criterion?

A reading without a unit, a bound instead of a number, one that nobody has confirmed, or one that is stamped ahead of
now is no reading, and it is not nothing either. Where it may lie beyond a limit, and no usable reading of the same
quantity came after it, PEEP is not to be lowered before somebody has looked at the patient. Values that nobody signs a
limit for are looked at against values at which anybody would look: this project's choice, and never a stop criterion.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from ebbmark.physiology.during.ages import age, clock
from ebbmark.physiology.during.stop_limits import StopLimits
from ebbmark.physiology.readings import Quantity, Reading

__all__ = [
    "AFTER_S",
    "UNITS",
    "VITAL_WORDS",
    "WORDS",
    "Bound",
    "Doubt",
    "Doubts",
    "alarming",
    "beyond_words",
    "bounds_of",
    "may_be_beyond",
    "newer_peep_unknown",
    "not_usable",
]

AFTER_S: Final = 3600.0
"""A reading of this long ago says nothing about now, however alarming it is [s]. This project's choice."""

SAME_CMH2O: Final = 0.9
"""PEEP that differs by no more than this is the same: measured values wander. This project's choice."""

VITAL_WORDS: Final = {
    Quantity.SPO2: "SpO2",
    Quantity.MEAN_ARTERIAL_PRESSURE: "mean arterial pressure",
    Quantity.HEART_RATE: "heart rate",
}
WORDS: Final = {
    **VITAL_WORDS,
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: "systolic arterial pressure",
    Quantity.PEAK_PRESSURE: "peak pressure",
}
UNITS: Final = {
    Quantity.SPO2: "%",
    Quantity.MEAN_ARTERIAL_PRESSURE: "mmHg",
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: "mmHg",
    Quantity.HEART_RATE: "/min",
    Quantity.PEAK_PRESSURE: "cmH2O",
}
_OURS: Final = ", at which anybody would look (this project's own choice; no limit is signed)"
_UNIT_GUIDE: Final = ", below which one unit's public guide avoids manoeuvres (a weak source; no limit is signed)"
_LOOKED_AT_MAP_MMHG: Final = 65.0
_PEEPS: Final = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reading that was sent and cannot be used.

    Attributes:
        quantity: what it is of.
        value: in the unit of the quantity as far as that can be told; None where nothing is known of it.
        side: "below" or "above" where the value is a bound; empty where it is the value itself.
        at_s: when; None where that is not known [s since 1970-01-01T00:00:00Z].
        shown: its value as it was sent; empty where there is none.
        why: why it cannot be used, as a plain sentence.
    """

    quantity: Quantity
    value: float | None
    side: str
    at_s: float | None
    shown: str
    why: str


@dataclass(frozen=True, slots=True)
class Doubts:
    """All of one request, in an order that does not depend on the order received; for the identity of an answer."""

    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class Bound:
    """What nobody would pass over: of a quantity, below (sign 1) or above (sign -1) a value."""

    quantity: Quantity
    sign: int
    limit: float
    why: str


def may_be_beyond(
    doubts: Sequence[Doubt], readings: Sequence[Reading], limits: StopLimits, *, since_s: float, at_s: float
) -> tuple[str, ...]:
    """Say which readings that cannot be used may lie beyond a limit, and were not followed by a usable one.

    Args:
        doubts: what was sent and cannot be used.
        readings: what can be used.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: each limit's own; where none is signed, this project's choice.
    """
    bounds = tuple(bounds_of(limits))
    found: dict[str, None] = {}
    for doubt in doubts:
        if doubt.at_s is not None and (doubt.at_s < since_s or _latest_s(readings, doubt.quantity) > doubt.at_s):
            continue
        for bound in bounds:
            if bound.quantity is doubt.quantity and _reaches(doubt, bound):
                found[_doubtful(doubt, bound, at_s)] = None
    return tuple(found)


def alarming(
    readings: Sequence[Reading], limits: StopLimits, *, at_s: float, of: Collection[Quantity] = tuple(Quantity)
) -> tuple[str, ...]:
    """Say which latest readings lie beyond a limit although they meet no criterion: none was signed, or too early.

    Args:
        readings: what can be used.
        limits: in force.
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        of: quantities that are looked at.

    Source: each limit's own; where none is signed, this project's choice.
    """
    found: dict[tuple[Quantity, int], str] = {}
    for bound in bounds_of(limits):
        if bound.quantity not in of or (bound.quantity, bound.sign) in found:
            continue
        of_it = [one for one in readings if one.quantity is bound.quantity and at_s - one.at_s <= AFTER_S]
        latest = max(of_it, key=lambda one: (one.at_s, one.source), default=None)
        if latest is not None and bound.sign * (bound.limit - latest.value) > 0:
            shown = f"{round(latest.value, 1):g} {UNITS[bound.quantity]} ({age(at_s - latest.at_s)})"
            key = bound.quantity, bound.sign
            found[key] = f"The latest {WORDS[bound.quantity]} is {shown}, {beyond_words(bound)}."
    return tuple(found.values())


def newer_peep_unknown(doubts: Sequence[Doubt], readings: Sequence[Reading], *, now_cmh2o: float, at_s: float) -> str:
    """Say that another PEEP was sent after the latest usable one and cannot be used; empty where there is none.

    Args:
        doubts: what was sent and cannot be used.
        readings: what can be used.
        now_cmh2o: the latest usable PEEP [cmH2O].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: this project's choice.
    """
    latest_s = max((one.end_s for one in readings if one.quantity in _PEEPS), default=-inf)
    newer = [
        one
        for one in doubts
        if one.quantity in _PEEPS and (one.at_s is None or one.at_s >= latest_s) and not _agrees(one, now_cmh2o)
    ]
    if not newer:
        return ""
    doubt = newer[-1]
    return f"A PEEP was sent{_sent(doubt, at_s)} but is not usable: {_lower(doubt.why)} What is set now is not known."


def _agrees(doubt: Doubt, now_cmh2o: float) -> bool:
    """Whether it says what is known anyway; a measured PEEP without a value says nothing."""
    if doubt.value is None:
        return doubt.quantity is Quantity.PEEP_MEASURED
    return not doubt.side and abs(doubt.value - now_cmh2o) <= SAME_CMH2O


def not_usable(doubts: Sequence[Doubt], quantity: Quantity, *, since_s: float, at_s: float) -> str:
    """Say that a quantity was sent and cannot be used, with the latest such reading; empty where none was.

    Args:
        doubts: what was sent and cannot be used.
        quantity: of which.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    of_it = [one for one in doubts if one.quantity is quantity and (one.at_s is None or one.at_s >= since_s)]
    if not of_it:
        return ""
    doubt = of_it[-1]
    words = WORDS.get(quantity, quantity.slug.replace("-", " "))
    return f"{words[0].upper()}{words[1:]} was sent{_sent(doubt, at_s)} but is not usable: {_lower(doubt.why)}"


def bounds_of(limits: StopLimits) -> Iterator[Bound]:
    """Limits in force, and where none is, values at which anybody would look.

    Args:
        limits: in force.
    """
    rows = (
        (Quantity.SPO2, 1, limits.spo2_below_percent, 85.0, _OURS),
        (
            Quantity.MEAN_ARTERIAL_PRESSURE,
            1,
            limits.mean_arterial_pressure_below_mmhg,
            _LOOKED_AT_MAP_MMHG,
            _UNIT_GUIDE,
        ),
        (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, 1, limits.systolic_arterial_pressure_below_mmhg, 70.0, _OURS),
        (Quantity.HEART_RATE, 1, limits.heart_rate_below_per_min, 40.0, _OURS),
        (Quantity.HEART_RATE, -1, limits.heart_rate_above_per_min, 150.0, _OURS),
        (Quantity.PEAK_PRESSURE, -1, limits.peak_pressure_above_cmh2o, 50.0, _OURS),
    )
    for quantity, sign, limit, anybody, why in rows:
        yield Bound(quantity, sign, anybody, why) if limit is None else Bound(quantity, sign, limit.value, "")
    if not limits.signed and limits.mean_arterial_pressure_below_mmhg is not None:
        yield Bound(Quantity.MEAN_ARTERIAL_PRESSURE, 1, _LOOKED_AT_MAP_MMHG, _UNIT_GUIDE)


def _reaches(doubt: Doubt, bound: Bound) -> bool:
    """Whether its value may lie beyond the bound; one of which nothing is known shows nothing."""
    if doubt.value is None:
        return False
    open_side = "below" if bound.sign > 0 else "above"
    return doubt.side == open_side or bound.sign * (bound.limit - doubt.value) > 0


def _latest_s(readings: Sequence[Reading], quantity: Quantity) -> float:
    return max((one.at_s for one in readings if one.quantity is quantity), default=-inf)


def _doubtful(doubt: Doubt, bound: Bound, at_s: float) -> str:
    words = WORDS[doubt.quantity]
    return (
        f"{words[0].upper()}{words[1:]} was sent{_sent(doubt, at_s)} but is not usable: {_lower(doubt.why)} It may be "
        f"{beyond_words(bound)}."
    )


def beyond_words(bound: Bound) -> str:
    """On which side of what a value lies, and who says that it matters."""
    side = "below" if bound.sign > 0 else "above"
    words = side if bound.why else f"{side} the stop limit of"
    return f"{words} {bound.limit:g} {UNITS[bound.quantity]}{bound.why}"


def _sent(doubt: Doubt, at_s: float) -> str:
    shown = f" as {doubt.shown}" if doubt.shown else ""
    return shown + ("" if doubt.at_s is None else f" at {clock(doubt.at_s)} ({age(at_s - doubt.at_s)})")


def _lower(sentence: str) -> str:
    """A sentence as a clause; a name in its first word keeps its capital."""
    first, _, rest = sentence.partition(" ")
    return f"{first.lower() if first in ('It', 'Its', 'No', 'Two', 'The', 'A', 'An') else first} {rest}"
