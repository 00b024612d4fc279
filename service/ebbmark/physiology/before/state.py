"""The state before a trial: ARDS class by oxygenation, whether it speaks for higher PEEP, circulation and gas exchange.

Each reading is shown with its age. The definitions also ask for onset within a week, bilateral opacities and oedema not
fully explained by the heart. A clinician judges those; they are named each time. A reading that is too old to speak of
now, or that cannot be true, is shown and not used.

Sources: Berlin definition, JAMA 2012;307:2526-33 (reprinted tables read); global definition, Matthay et al, Am J
Respir Crit Care Med 2024;209:37-47 (abstract and a summary of the criteria read).

Mean arterial pressure is shown twice where it moved: the latest, and the lowest of the last hour, since a pressure that
has just come back is not a stable one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Final, NamedTuple

from ebbmark.physiology.findings import SOURCES, Message, Value, joined, message
from ebbmark.physiology.gas_exchange import (
    HIGHEST_INFORMATIVE_SPO2_PERCENT,
    GasDoubt,
    Oxygenation,
    berlin_class,
    doubt_of,
    global_class_from_pf,
    global_class_from_sf,
    is_doubted,
    pf_ratio_at_altitude_mmhg,
    pf_ratio_mmhg,
    sf_ratio,
)
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import PEEP, SETTLES_S, InForce, breathed_at, in_force_at, span

OLD_AFTER_S: Final = 6 * 3600.0  # a reading older than this is shown as old; this project's choice

_FIO2: Final = (Quantity.FIO2_SET, Quantity.FIO2_MEASURED)


@dataclass(frozen=True, slots=True)
class ShownInput:
    """One reading that an answer rests on."""

    reading: Reading
    age_s: float  # before the time of the question; below zero where its clock ran ahead [s]
    old: bool
    sentence: Value


def shown(reading: Reading, at_s: float, *, how: Value = "") -> ShownInput:
    """Show one reading, and how it goes with another one, as a phrase."""
    age_s = at_s - reading.start_s
    value = 100 * reading.value if reading.quantity in _FIO2 else reading.value
    what = message(f"shown-reading.{reading.quantity.slug}", value=round(value, 1 if reading.quantity in _FIO2 else 2))
    ahead = message("shown-reading.ahead", minutes=round(-age_s / 60))
    age = ahead if age_s < 0 else message("shown-reading.old", age=span(age_s))
    beside = {"how": how} if how else {}
    sentence = message(f"shown-reading.{'with' if how else 'alone'}", reading=what, **beside, age=age)
    return ShownInput(reading, age_s, age_s > OLD_AFTER_S, sentence)


ALSO_NEEDED: Final = message("ards.also-needed")
GAS_SPEAKS_S: Final = 12 * 3600.0  # a gas older than this classes nothing any more; this project's choice
SATURATION_SPEAKS_S: Final = 2 * 3600.0  # nor does a saturation older than this: it moves faster; this project's choice
_CLOCK_SLACK_S: Final = 900.0  # device clocks are minutes off; a reading further ahead than this is not used


@dataclass(frozen=True, slots=True)
class ArdsClass:
    """The class by one definition and one ratio."""

    definition: str  # "berlin-2012" or "global-2023"
    ratio_name: str  # "P/F" or "S/F"
    oxygenation: Oxygenation | None  # the class; None where an input is missing, too old or in doubt
    ratio: float | None  # P/F [mmHg] or S/F [%], corrected for altitude where a barometric pressure was given
    inputs: tuple[ShownInput, ...]
    missing: tuple[Value, ...]
    citation: str
    sentence: Value

    @property
    def age_s(self) -> float:
        """Of the gas or the saturation [s]; infinite where there is none."""
        return self.inputs[0].age_s if self.inputs else inf


def ards_classes(
    readings: Sequence[Reading], *, at_s: float, barometric_pressure_mmhg: float | None = None
) -> tuple[ArdsClass, ...]:
    """Class by Berlin (P/F), by the global definition (P/F), and by the global definition (S/F), in that order.

    Source: see the module; the factor for a bedside above 1,000 m is of the Berlin definition and used for P/F only.
    """
    pao2, doubts = latest_usable(readings, Quantity.PAO2, at_s), gas_doubts(readings, at_s=at_s)
    gas = _paired(readings, Quantity.PAO2, GAS_SPEAKS_S, at_s, doubts)
    ratio = None
    if gas.fio2 is not None and gas.reading is not None:
        ratio = pf_ratio_mmhg(pao2_mmhg=gas.reading.value, fio2=gas.fio2.value)
        if barometric_pressure_mmhg is not None:
            ratio = pf_ratio_at_altitude_mmhg(pf_ratio_mmhg=ratio, barometric_pressure_mmhg=barometric_pressure_mmhg)
    peep = InForce(None, "", "") if pao2 is None else in_force_at(readings, PEEP, pao2.start_s)
    with_peep = (*gas.inputs, *([shown(peep.reading, at_s, how=peep.how)] if peep.reading is not None else []))
    no_peep = () if peep.reading is not None else (message("ards.peep-needed"),)
    berlin = None
    if ratio is not None and peep.reading is not None:
        berlin = berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=peep.reading.value)
    by_pf = None if ratio is None else global_class_from_pf(pf_ratio_mmhg=ratio)
    return (
        _answer("berlin-2012", "P/F", berlin, ratio, with_peep, (*gas.missing, *no_peep), SOURCES["berlin-2012"]),
        _answer("global-2023", "P/F", by_pf, ratio, gas.inputs, gas.missing, SOURCES["global-2023"]),
        _by_saturation(readings, at_s, doubts),
    )


def gas_doubts(readings: Sequence[Reading], *, at_s: float) -> tuple[GasDoubt, ...]:
    """What cannot be true of the latest gas, if anything. Source: see `gas_exchange`."""
    pao2 = latest_usable(readings, Quantity.PAO2, at_s)
    doubt = None if pao2 is None else doubt_of(readings, pao2)
    return () if doubt is None else (doubt,)


def latest_usable(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The latest reading of a quantity that is not from the future beyond what a device clock may be off."""
    usable = [r for r in readings if r.quantity is quantity and r.start_s <= at_s + _CLOCK_SLACK_S]
    return max(usable, key=lambda r: (r.start_s, r.source), default=None)


class _Found(NamedTuple):
    """A gas or a saturation with its FiO2, both None where they may not be used; what was found; what is missing."""

    reading: Reading | None
    fio2: Reading | None
    inputs: tuple[ShownInput, ...]
    missing: tuple[Value, ...]


def _paired(
    readings: Sequence[Reading], quantity: Quantity, speaks_s: float, at_s: float, doubts: Sequence[GasDoubt]
) -> _Found:
    """The latest gas or saturation with its FiO2, unless it is older than it may be [s], in doubt, or unsettled."""
    found, name = latest_usable(readings, quantity, at_s), f"ards.{quantity.slug}"
    if found is None:
        return _Found(None, None, (), (message(name),))
    fio2 = breathed_at(readings, found.start_s)
    why_not = None
    if at_s - found.start_s > speaks_s:
        why_not = message(f"{name}-too-old", hours=speaks_s / 3600, age=span(at_s - found.start_s))
    elif is_doubted(found, doubts):
        why_not = message(f"{name}-in-doubt")
    elif fio2.unsettled:
        why_not = message(f"{name}-unsettled", minutes=SETTLES_S / 60, why=fio2.why_not)
    elif fio2.reading is None:
        why_not = message(f"{name}-without-fio2", why=fio2.why_not)
    inputs = (shown(found, at_s),)
    if why_not is not None or fio2.reading is None:
        return _Found(None, None, inputs, () if why_not is None else (why_not,))
    return _Found(found, fio2.reading, (*inputs, shown(fio2.reading, at_s, how=fio2.how)), ())


def _by_saturation(readings: Sequence[Reading], at_s: float, doubts: Sequence[GasDoubt]) -> ArdsClass:
    spo2 = _paired(readings, Quantity.SPO2, SATURATION_SPEAKS_S, at_s, doubts)
    missing, ratio = spo2.missing, None
    if spo2.reading is not None and spo2.fio2 is not None:
        ratio = sf_ratio(spo2_percent=spo2.reading.value, fio2=spo2.fio2.value)
        if ratio is None:
            values = {"limit_percent": HIGHEST_INFORMATIVE_SPO2_PERCENT, "spo2_percent": spo2.reading.value}
            missing = (message("ards.spo2-too-high", **values),)
    oxygenation = None if ratio is None else global_class_from_sf(sf_ratio=ratio)
    return _answer("global-2023", "S/F", oxygenation, ratio, spo2.inputs, missing, SOURCES["global-2023"])


def _answer(
    definition: str,
    ratio_name: str,
    oxygenation: Oxygenation | None,
    ratio: float | None,
    inputs: tuple[ShownInput, ...],
    missing: tuple[Value, ...],
    citation: str,
) -> ArdsClass:
    by: dict[str, Value] = {"definition": message(f"ards.{definition}"), "ratio": ratio_name}
    sentence: Value
    if oxygenation is None or ratio is None:
        sentence = message("ards.cannot-be-judged", listed=joined("commas", missing), **by)
    elif oxygenation is Oxygenation.NOT_CLASSIFIED:
        sentence = message("ards.peep-below-5", value=round(ratio), **by)
    else:
        classed = message("ards.classed", value=round(ratio), severity=message(f"ards.{oxygenation.value}"), **by)
        sentence = joined("sentences", [classed, *([message("ards.old")] if inputs[0].old else [])])
    return ArdsClass(definition, ratio_name, oxygenation, ratio, inputs, missing, citation, sentence)


ALIKE_S: Final = 3600.0
"""A saturation fresher than the gas by up to this speaks beside it; beyond, it speaks alone. This project's choice."""

BESIDE_S: Final = 900.0
"""A saturation that is no fresher than the gas by more than this says nothing that the gas does not say better: S/F
stands in where there is no gas. This project's choice."""

_CLEAR_ENOUGH: Final = (Oxygenation.SEVERE, Oxygenation.MODERATE)


@dataclass(frozen=True, slots=True)
class Indication:
    """One reason that would speak for a trial, or why there is none."""

    slug: str
    speaks_for: bool | None
    severity: Value
    sentence: Value
    citation: str


def by_severity(classes: Sequence[ArdsClass]) -> Indication:
    """Severity speaks for higher PEEP where any definition says moderate or severe; what is freshest speaks.

    A gas speaks instead of a saturation of about the same time, whichever of them is worse.

    Source: the guideline that it cites; which reading speaks is this project's choice.
    """
    judged = [one for one in classes if one.oxygenation not in (None, Oxygenation.NOT_CLASSIFIED)]
    if not judged:
        sentence = message("indication.not-classed")
        return Indication("moderate-or-severe", None, sentence, sentence, SOURCES["ats-2024"])
    gases = [one for one in judged if one.ratio_name == "P/F"]
    overruled = [one for one in judged if one.ratio_name != "P/F" and gases and one.age_s >= gases[0].age_s - BESIDE_S]
    all_of_them, judged = judged, [one for one in judged if one not in overruled]
    youngest_s = min(one.age_s for one in judged)
    speaking = [one for one in judged if one.age_s <= youngest_s + ALIKE_S]
    left_out = [
        _overruled(one, gases) if one in overruled else _outdated(one) for one in all_of_them if one not in speaking
    ]
    sentences: list[Value] = [message("indication.told", what=_told(alike)) for alike in _by_ratio(speaking)]
    sentences += left_out
    speaks_for = any(one.oxygenation in _CLEAR_ENOUGH for one in speaking)
    if speaks_for and len({one.oxygenation for one in speaking}) > 1:
        sentences.append(message("indication.definitions-disagree"))
    guideline = message("indication.speaks-for" if speaks_for else "indication.speaks-for-worse-only")
    in_full = joined("sentences", [*sentences, guideline])
    return Indication("moderate-or-severe", speaks_for, joined("sentences", sentences), in_full, SOURCES["ats-2024"])


def _by_ratio(classes: Sequence[ArdsClass]) -> list[list[ArdsClass]]:
    """Classes of one ratio together: definitions that agree need not be told twice."""
    found: dict[tuple[str, Oxygenation | None], list[ArdsClass]] = {}
    for one in classes:
        found.setdefault((one.ratio_name, one.oxygenation), []).append(one)
    return list(found.values())


def _told(alike: Sequence[ArdsClass]) -> Message:
    one = alike[0]
    assert one.ratio is not None and one.oxygenation is not None  # noqa: PT018, S101 - only what is classed is told
    return message(
        "indication.class",
        ratio=one.ratio_name,
        value=round(one.ratio),
        inputs=joined("semicolons", [shown.sentence for shown in one.inputs[:2]]),
        old=message("indication.old") if one.inputs[0].old else "",
        severity=message(f"ards.{one.oxygenation.value}"),
        definitions=joined("each-and", [message(f"indication.{each.definition}") for each in alike]),
    )


def _overruled(one: ArdsClass, gases: Sequence[ArdsClass]) -> Message:
    agrees = any(one.oxygenation is gas.oxygenation for gas in gases)
    return message("indication.agrees" if agrees else "indication.disagrees", what=_told([one]))


def _outdated(one: ArdsClass) -> Message:
    return message(
        f"indication.{'gas' if one.ratio_name == 'P/F' else 'saturation'}-outdated",
        ratio=one.ratio_name,
        definition=message(f"indication.{one.definition}"),
        age=span(one.age_s),
    )


RECENT_S: Final = 3600.0  # the window in which the lowest mean arterial pressure counts; this project's choice
SHOWN_S: Final = 24 * 3600.0  # a reading older than this is not shown as the present state; this project's choice

_SHOWN: Final = (
    Quantity.MEAN_ARTERIAL_PRESSURE,
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
    Quantity.HEART_RATE,
    Quantity.SPO2,
    Quantity.PH,
    Quantity.PACO2,
)


class PresentState(NamedTuple):
    """What the readings show."""

    shown: tuple[ShownInput, ...]
    lowest_pressure: ShownInput | None  # mean arterial pressure of the last hour where it was lower than now
    sentence: Value


def lowest_of_last_hour(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The lowest of the last hour, the later one of two alike; None where none was read."""
    last = latest_usable(readings, quantity, at_s)
    until_s = at_s if last is None else max(at_s, last.start_s)
    recent = [
        reading
        for reading in readings
        if reading.quantity is quantity and at_s - RECENT_S <= reading.start_s <= until_s
    ]
    return min(recent, key=lambda one: (one.value, -one.start_s, one.source), default=None)


def present_state(readings: Sequence[Reading], *, at_s: float) -> PresentState:
    """Show what there is. Source: the windows are this project's choice."""
    found: list[ShownInput] = []
    not_shown: list[Value] = []
    for quantity in _SHOWN:
        words = message(f"present-state.{quantity.slug}")
        one = latest_usable(readings, quantity, at_s)
        if one is None:
            not_shown.append(words)
        elif at_s - one.start_s > SHOWN_S:
            not_shown.append(message("present-state.too-old", name=words, age=span(at_s - one.start_s)))
        else:
            found.append(shown(one, at_s))
    pressure, as_lowest = Quantity.MEAN_ARTERIAL_PRESSURE, None
    lowest, last = lowest_of_last_hour(readings, pressure, at_s), latest_usable(readings, pressure, at_s)
    if lowest is not None and last is not None and lowest.value < last.value:
        as_lowest = shown(lowest, at_s, how=message("present-state.lowest"))
    shown_now = [one.sentence for one in (*found[:1], *([as_lowest] if as_lowest else []), *found[1:])]
    parts = [message("present-state.shown", listed=joined("semicolons", shown_now))] if shown_now else []
    parts += [message("present-state.not-shown", listed=joined("commas", not_shown))] if not_shown else []
    return PresentState(tuple(found), as_lowest, joined("sentences", parts))
