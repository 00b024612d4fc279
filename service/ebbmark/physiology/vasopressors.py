"""Vasopressors running at a moment, as noradrenaline equivalent, and how that is known.

Noradrenaline and adrenaline count one for one (Goradia et al 2020, read in a public query that cites it). Another
vasopressor is named and not converted, so that the dose is then at least what is given. Nothing sent is not nothing
given.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final, NamedTuple

from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.timeline import span

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


def dose_at(infusions: Iterable[Infusion], at_s: float) -> VasopressorDose | None:
    """What runs at a moment, of each drug the rate that began last; None where no rate is known to hold or have ended.

    Source: see the module; how long a charted rate holds is this project's choice.
    """
    infusions = tuple(infusions)
    by_drug: dict[str, Infusion] = {}
    for one in sorted(infusions, key=lambda one: (one.start_s, one.mcg_per_kg_per_min or 0.0, one.shown, one.source)):
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
    """Each drug that was begun or raised in a stretch of time, or went on at a rate that cannot be compared.

    A rate that is charted again is none. A drug of which nothing was sent before counts as begun.

    Args:
        until_s: when it ends, itself included.
    """
    latest: dict[str, Infusion] = {}
    for one in sorted(infusions, key=lambda one: (one.start_s, one.mcg_per_kg_per_min or 0.0, one.shown, one.source)):
        before = latest.get(one.drug)
        latest[one.drug] = one
        if not from_s <= one.start_s <= until_s or one.mcg_per_kg_per_min == 0.0 or one.end_s == one.start_s:
            continue
        held = before is not None and _held(before, one.start_s)
        if before is None or not held:
            yield Rise(one.drug, one.start_s, "", _rate(one), (one.source,))
        elif _more(before, one):
            yield Rise(
                one.drug,
                one.start_s,
                _rate(before) or message("vasopressor.a-rate-not-sent"),
                _rate(one) or message("vasopressor.a-rate-not-sent"),
                (before.source, one.source),
            )


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
    for one in sorted(infusions, key=lambda one: (-one.start_s, one.source)):
        runs = one.going_on and one.start_s <= at_s and one.mcg_per_kg_per_min != 0.0
        if runs and one is not latest[one.drug]:
            found[one.drug] = (*found.get(one.drug, ()), one)
    return found
