"""Timeline: what was set or measured at one moment, paired by nearness in time and by kind.

For FiO2, PEEP and gases. Near are a measurement within a quarter of an hour either side, a setting made up to a quarter
of an hour before, and one charted up to five minutes after, since charting lags. Where near ones contradict
one another nothing is chosen, nor where one charted after contradicts one of the hour before: the change may lie on
either side. Of those that agree the nearest is chosen. Where none is near, the last setting before holds, up
to a limit of age: FiO2 four hours, as a public query of an intensive care database pairs them (MIT-LCP/mimic-code,
mimic-iii/concepts/pivot/pivoted_bg_art.sql); PEEP twelve hours. A gas or a saturation read within five minutes of a
change of FiO2 is not settled and is paired with neither value. All the rest is this project's choice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.readings import Quantity, Reading

BESIDE_S: Final = 900.0
CHARTED_LATE_S: Final = 300.0
CHANGED_S: Final = 3600.0
SETTLES_S: Final = 300.0
"""How long a gas or a saturation takes at least to follow a change of FiO2. This project's choice."""
SETTING_HOLDS_S: Final = 12 * 3600.0
"""A setting older than this is no longer taken as in force. This project's choice."""
_SAME_TIME_S: Final = 30.0
_AIR: Final = 0.2  # the definitions do not speak of mixtures with less oxygen than air


@dataclass(frozen=True, slots=True)
class PairedQuantity:
    """One quantity that is both set and measured.

    Attributes:
        holds_s: how old a setting may be that is still taken as in force [s].
        same: how far two that agree may lie apart [unit of the quantity].
    """

    setting: Quantity
    measured: Quantity
    words: str
    holds_s: float
    same: float
    lowest: float


FIO2: Final = PairedQuantity(Quantity.FIO2_SET, Quantity.FIO2_MEASURED, "FiO2", 4 * 3600.0, 0.03, _AIR)
PEEP: Final = PairedQuantity(Quantity.PEEP_SET, Quantity.PEEP_MEASURED, "PEEP", 12 * 3600.0, 3.0, 0.0)


@dataclass(frozen=True, slots=True)
class InForce:
    """What held at one moment.

    Attributes:
        reading: None where nothing can be chosen.
        how: set or measured, and how long before or after, as a phrase; empty where nothing was chosen.
        why_not: why nothing can be chosen, as a phrase; empty where something was.
        contradicted: whether nothing can be chosen because near ones contradict one another.
        unsettled: whether nothing can be chosen because it had just been changed.
    """

    reading: Reading | None
    how: Value
    why_not: Value
    contradicted: bool = False
    unsettled: bool = False


def in_force_at(readings: Iterable[Reading], twin: PairedQuantity, at_s: float) -> InForce:
    """What held at this moment, and how that is known.

    Args:
        twin: FiO2 or PEEP.
        at_s: the moment, for example when a gas was drawn.
    """
    settings: list[Reading] = []
    measured: list[Reading] = []
    for one in readings:
        if one.value >= twin.lowest:
            if one.quantity is twin.setting:
                settings.append(one)
            elif one.quantity is twin.measured:
                measured.append(one)
    before = [one for one in settings if at_s - twin.holds_s <= one.start_s <= at_s]
    after = [one for one in settings if at_s < one.start_s <= at_s + CHARTED_LATE_S]
    beside = [one for one in measured if abs(one.start_s - at_s) <= BESIDE_S]
    last = max(before, key=lambda one: (one.start_s, one.source, one.value), default=None)
    counts_s = CHANGED_S if after else BESIDE_S
    near = [one for one in (last,) if one is not None and at_s - one.start_s <= counts_s]
    near += [
        min(group, key=lambda one: (abs(one.start_s - at_s), one.source, one.value))
        for group in (after, beside)
        if group
    ]
    if near and max(one.value for one in near) - min(one.value for one in near) > twin.same:
        return InForce(None, "", _contradiction(near, twin, at_s), contradicted=True)
    # Of two equally near the setting: a monitor wanders.
    chosen = min(near, key=lambda one: (abs(one.start_s - at_s), one.quantity is twin.measured), default=last)
    if chosen is not None:
        return InForce(chosen, _how(chosen, twin, at_s), "")
    why_not = message("in-force.none", hours=twin.holds_s / 3600, minutes=BESIDE_S / 60)
    return InForce(None, "", why_not)


def breathed_at(readings: Iterable[Reading], at_s: float) -> InForce:
    """Which FiO2 a gas or a saturation of this moment goes with: the one in force, if it had been for some minutes.

    A setting counts from when it was charted, a measured value likewise. What is charted at the moment itself may have
    been changed at any time since the last that differs: it is held against that one.
    """
    readings = tuple(readings)
    found = in_force_at(readings, FIO2, at_s)
    if found.reading is None:
        return found
    now = found.reading.value
    before = sorted(
        (
            one
            for one in readings
            if one.quantity in (FIO2.setting, FIO2.measured)
            and one.value >= FIO2.lowest
            and at_s - FIO2.holds_s <= one.start_s <= at_s
        ),
        key=lambda one: (one.start_s, one.source),
    )
    last = next((one for one in reversed(before) if abs(one.value - now) > FIO2.same), None)
    if last is None:
        return found
    since_s = next((one.start_s for one in before if one.start_s > last.start_s), at_s)
    changed_s = last.start_s if at_s - since_s < _SAME_TIME_S else since_s
    if at_s - changed_s >= SETTLES_S:
        return found
    why_not = message(
        "in-force.just-changed" if changed_s == last.start_s else "in-force.changed",
        before=fio2_words(last.value),
        now=fio2_words(now),
        age=span(at_s - changed_s),
    )
    return InForce(None, "", why_not, unsettled=True)


def fio2_words(value: float) -> str:
    """Inspired oxygen as it is said at the bedside."""
    return f"{round(100 * value, 1):g} %"


def span(seconds: float) -> Message:
    """A length of time, in the unit that suits it."""
    if seconds < 90:
        return message("span.seconds", count=round(seconds))
    if seconds < 5400:
        return message("span.minutes", count=round(seconds / 60))
    if seconds < 172_800:
        return message("span.hours", count=f"{seconds / 3600:.1f}")
    return message("span.days", count=f"{seconds / 86_400:.1f}")


def _contradiction(near: Sequence[Reading], twin: PairedQuantity, at_s: float) -> Message:
    ordered = sorted(near, key=lambda one: (one.start_s, one.source))
    values = tuple(message("in-force.value", value=_value(one, twin), how=_how(one, twin, at_s)) for one in ordered)
    return message("in-force.contradicted", told=joined("each-and", values))


def _how(one: Reading, twin: PairedQuantity, at_s: float) -> Message:
    kind = "set" if one.quantity is twin.setting else "measured"
    offset_s = one.start_s - at_s
    if abs(offset_s) < 30:
        return message(f"in-force.{kind}-at-once")
    side = "before" if offset_s < 0 else "after"
    return message(f"in-force.{kind}-{side}", age=span(abs(offset_s)))


def _value(one: Reading, twin: PairedQuantity) -> str:
    return fio2_words(one.value) if twin is FIO2 else f"{round(one.value, 1):g} cmH2O"


def setting_at(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The setting in force at a time: the last one made before it, unless that is more than twelve hours ago."""
    made = [r for r in readings if r.quantity is quantity and at_s - SETTING_HOLDS_S <= r.start_s <= at_s]
    return max(made, key=lambda r: (r.start_s, r.source), default=None)
