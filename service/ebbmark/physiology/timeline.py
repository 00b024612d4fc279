"""Timeline: what was set, measured or infused at one moment, paired by nearness in time and by kind.

**FiO2, PEEP and gases.** Near are a measurement within a quarter of an hour either side, a setting made up to a quarter
of an hour before, and one charted up to five minutes after, since charting lags. Where near ones contradict one
another nothing is chosen, nor where one charted after contradicts one of the hour before: the change may lie on either
side. Of those that agree the nearest is chosen. Where none is near, the last setting before holds, up to a limit of
age: FiO2 four hours, as a public query of an intensive care database pairs them (MIT-LCP/mimic-code,
mimic-iii/concepts/pivot/pivoted_bg_art.sql); PEEP twelve hours. A gas or a saturation read within five minutes of a
change of FiO2 is not settled and is paired with neither value. All the rest is this project's choice.

**Vasopressors**, as noradrenaline equivalent. Noradrenaline and adrenaline count one for one (Goradia et al 2020, read
in a public query that cites it). Another vasopressor is named and not converted, so that the dose is then at least what
is given. Nothing sent is not nothing given.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from ebbmark.physiology.findings import Message, Value, joined, message
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
    holds_s: float
    same: float
    lowest: float


FIO2: Final = PairedQuantity(Quantity.FIO2_SET, Quantity.FIO2_MEASURED, 4 * 3600.0, 0.03, _AIR)
PEEP: Final = PairedQuantity(Quantity.PEEP_SET, Quantity.PEEP_MEASURED, 12 * 3600.0, 3.0, 0.0)


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
    """What held at a moment, for example when a gas was drawn, and how that is known."""
    before, after, beside = [], [], []
    for reading in readings:
        if reading.quantity is twin.setting and reading.value >= twin.lowest:
            if at_s - twin.holds_s <= reading.start_s <= at_s:
                before.append(reading)
            elif at_s < reading.start_s <= at_s + CHARTED_LATE_S:
                after.append(reading)
        elif (
            reading.quantity is twin.measured
            and reading.value >= twin.lowest
            and abs(reading.start_s - at_s) <= BESIDE_S
        ):
            beside.append(reading)
    last = max(before, key=lambda one: (one.start_s, one.source, one.value), default=None)
    near = [] if last is None or at_s - last.start_s > (CHANGED_S if after else BESIDE_S) else [last]
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
    oxygen = [
        reading
        for reading in readings
        if reading.quantity in (FIO2.setting, FIO2.measured) and reading.value >= FIO2.lowest
    ]
    before = [one for one in oxygen if at_s - FIO2.holds_s <= one.start_s <= at_s]
    before.sort(key=lambda one: (one.start_s, one.source))
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


CHARTED_HOLDS_S: Final = 4 * 3600.0
"""A rate that was charted at a moment is taken to hold for so long. This project's choice."""


CHANGEOVER_S: Final = 600.0
"""An infusion that ended no longer before the next one of the same drug was replaced by it. This project's choice."""


class Infusion(NamedTuple):
    """One documented rate of one drug.

    Attributes:
        mcg_per_kg_per_min: its rate; None where it is not converted.
        start_s: when it began, or was charted.
        end_s: when it ended; None where that is not known.
        going_on: whether the record says that it goes on.
        charted: whether it was charted at a moment and not over a time.
        shown: the rate as it was sent, where it is not converted; empty where none was.
    """

    drug: str
    mcg_per_kg_per_min: float | None
    start_s: float
    end_s: float | None
    going_on: bool
    charted: bool
    source: int
    shown: str = ""


class Rise(NamedTuple):
    """One drug that was begun or raised.

    Attributes:
        before: its rate before; empty where none was known to run.
        now: its rate since; empty where none was sent.
    """

    drug: str
    at_s: float
    before: Value
    now: Value
    sources: tuple[int, ...]


class VasopressorDose(NamedTuple):
    """What runs.

    Attributes:
        mcg_per_kg_per_min: as noradrenaline equivalent, of what is converted; None where nothing of that is known.
        sentence: each of them, and whether there is more.
        not_converted: names of the vasopressors that run and are not converted.
        doubled: those of which another infusion is charted as going on beside the one that is counted, as phrases.
    """

    mcg_per_kg_per_min: float | None
    sources: tuple[int, ...]
    sentence: Value
    not_converted: tuple[str, ...] = ()
    doubled: tuple[str, ...] = ()


def _by_start(infusions: Iterable[Infusion]) -> list[Infusion]:
    return sorted(infusions, key=lambda one: (one.start_s, one.mcg_per_kg_per_min or 0.0, one.shown, one.source))


def dose_at(infusions: Iterable[Infusion], at_s: float) -> VasopressorDose | None:
    """What runs at a moment, of each drug the rate that began last; None where no rate is known to hold or have ended.

    Source: see the module; how long a charted rate holds is this project's choice.
    """
    infusions = tuple(infusions)
    by_drug: dict[str, Infusion] = {}
    for one in _by_start(infusions):
        if one.start_s <= at_s:
            by_drug[one.drug] = one
    left_open = _left_open(by_drug, infusions, at_s)
    running: list[Message] = []
    rates: list[float] = []
    others: list[str] = []
    doubled: list[str] = []
    sources: list[int] = []
    for drug, one in sorted(by_drug.items()):
        name = drug if running else f"{drug[0].upper()}{drug[1:]}"
        when = message("vasopressor.charted" if one.charted else "vasopressor.since", age=span(at_s - one.start_s))
        if one.end_s is not None and one.end_s <= at_s:
            running.append(message("vasopressor.ended", drug=name, age=span(at_s - one.end_s)))
            rates += [] if one.mcg_per_kg_per_min is None else [0.0]
        elif not (one.going_on or one.end_s is not None or (one.charted and at_s - one.start_s <= CHARTED_HOLDS_S)):
            continue
        elif one.mcg_per_kg_per_min is None:
            rate = one.shown or message("vasopressor.its-rate-not-sent")
            running.append(message("vasopressor.not-converted", drug=name, rate=rate, when=when))
            others.append(drug)
        else:
            rates.append(one.mcg_per_kg_per_min)
            running.append(message("vasopressor.runs", drug=name, rate=_rate(one), when=when))
        sources.append(one.source)
        for other in left_open.get(drug, ()):
            rate = _rate(other) or message("vasopressor.its-rate-not-sent")
            running.append(message("vasopressor.another", drug=drug, rate=rate, age=span(at_s - other.start_s)))
            sources.append(other.source)
        doubled += [f"a second {drug} infusion"] if drug in left_open else []
    if not running:
        return None
    said = [message("vasopressor.told", listed=joined("semicolons", running))]
    if others or doubled:
        said.append(message("vasopressor.more" if others else "vasopressor.maybe-more"))
    total = round(sum(rates), 6) if rates else None
    return VasopressorDose(total, tuple(sources), joined("sentences", said), tuple(others), tuple(doubled))


def rises(infusions: Iterable[Infusion], from_s: float, until_s: float) -> Iterator[Rise]:
    """Each drug that was begun or raised in a stretch of time, its end included, or whose rates cannot be compared.

    A rate that is charted again is none. A drug of which nothing was sent before counts as begun.
    """
    latest: dict[str, Infusion] = {}
    for one in _by_start(infusions):
        before = latest.get(one.drug)
        latest[one.drug] = one
        if not from_s <= one.start_s <= until_s or one.mcg_per_kg_per_min == 0.0 or one.end_s == one.start_s:
            continue
        if before is None or not _held(before, one.start_s):
            yield Rise(one.drug, one.start_s, "", _rate(one), (one.source,))
        elif _more(before, one):
            then, now = (_rate(each) or message("vasopressor.a-rate-not-sent") for each in (before, one))
            yield Rise(one.drug, one.start_s, then, now, (before.source, one.source))


def _held(one: Infusion, at_s: float) -> bool:
    """Whether a rate was in force up to a moment."""
    if one.mcg_per_kg_per_min == 0.0 or (one.end_s is not None and one.end_s < at_s - CHANGEOVER_S):
        return False
    return one.going_on or one.end_s is not None or at_s - one.start_s <= CHARTED_HOLDS_S


def _more(before: Infusion, now: Infusion) -> bool:
    if before.mcg_per_kg_per_min is not None and now.mcg_per_kg_per_min is not None:
        return now.mcg_per_kg_per_min > before.mcg_per_kg_per_min
    (first, unit), (second, other) = _parted(before.shown), _parted(now.shown)
    if first is not None and second is not None and unit == other:
        return second > first
    return _rate(before) != _rate(now)


def _parted(shown: str) -> tuple[float | None, str]:
    number, _, unit = shown.partition(" ")
    try:
        return float(number), unit
    except ValueError:
        return None, unit


def _rate(one: Infusion) -> str:
    return one.shown if one.mcg_per_kg_per_min is None else f"{one.mcg_per_kg_per_min:g} mcg/kg/min"


def _left_open(
    latest: Mapping[str, Infusion], infusions: Iterable[Infusion], at_s: float
) -> dict[str, tuple[Infusion, ...]]:
    """Earlier infusions of a drug that the record lets go on beside the latest: a second pump, or one never ended."""
    found: dict[str, tuple[Infusion, ...]] = {}
    for infusion in sorted(infusions, key=lambda one: (-one.start_s, one.source)):
        runs = infusion.going_on and infusion.start_s <= at_s and infusion.mcg_per_kg_per_min != 0.0
        if runs and infusion is not latest[infusion.drug]:
            found[infusion.drug] = (*found.get(infusion.drug, ()), infusion)
    return found
