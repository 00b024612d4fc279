"""A staircase as numbers: each with its source, what is missing to lay it out, and what a site may not write.

Each number carries its source. What was only remembered is left empty, and a protocol with an empty number that a
staircase needs is not laid out. Whoever has read the paper can complete it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import Enum
from math import isfinite
from typing import Any, Final

from ebbmark.data import table

__all__ = [
    "STAIRCASE_TABLE",
    "Cell",
    "Marker",
    "RecruitmentRules",
    "StaircaseRules",
    "Traced",
    "faults_of_rules",
    "named_cells",
    "origin_words",
    "origins_of",
    "unverified_cells",
    "unverified_names",
]


STAIRCASE_TABLE: Final[dict[str, Any]] = table("staircases")
"""The staircases that are known by name, and the ranges that a site keeps to, as they stand in their file."""


class Traced(Enum):
    """How far a number was traced."""

    VERIFIED = "verified"
    SECOND_HAND = "verified-second-hand"
    COMMON_PRACTICE = "common-practice"
    OWN_CHOICE = "own-choice"
    SITE = "decided-by-the-site"
    NOT_VERIFIED = "not-verified"


class Marker(Enum):
    """What a protocol watches on the way down."""

    COMPLIANCE = "compliance"
    STATIC_COMPLIANCE = "static-compliance"
    DYNAMIC_COMPLIANCE = "dynamic-compliance"
    SATURATION = "spo2"
    OXYGEN_AND_CARBON_DIOXIDE = "pao2-plus-paco2"
    CT = "ct"


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of a protocol.

    Attributes:
        value: None exactly where it was not verified.
        traced: how far it was traced.
        source: where it was read, or why there is none.
    """

    value: float | None
    traced: Traced
    source: str


NOT_READ: Final = Cell(None, Traced.NOT_VERIFIED, "the paper's own table was not read")
"""What a number is that a protocol does not name: a staircase that needs it is not laid out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecruitmentRules:
    """How a protocol opens the lung before the way down.

    Attributes:
        peep_rise_cmh2o: PEEP up per step.
        peep_top_cmh2o: PEEP at the top.
        pressure_above_peep_cmh2o: while PEEP rises; None of the whole cell: as it is now.
        pressure_rise_cmh2o: inspiratory pressure above PEEP up per step at the top; a cell of 0 for none.
        peak_top_cmh2o: peak pressure at the top.
        hold_s: at each step of the way up.
    """

    peep_rise_cmh2o: Cell = NOT_READ
    peep_top_cmh2o: Cell = NOT_READ
    pressure_above_peep_cmh2o: Cell | None = NOT_READ
    pressure_rise_cmh2o: Cell = NOT_READ
    peak_top_cmh2o: Cell = NOT_READ
    hold_s: Cell = NOT_READ


@dataclass(frozen=True, slots=True, kw_only=True)
class StaircaseRules:
    """One protocol, as numbers.

    Attributes:
        slug: stable name.
        version: of this rule set.
        title: for people.
        citation: where it comes from.
        recruitment: how it opens the lung; None where it does not.
        start_cmh2o: PEEP at which the way down begins.
        decrement_cmh2o: PEEP down per step.
        lowest_cmh2o: lowest PEEP tested.
        dwell_s: at each step of the way down.
        marker: what is watched.
        rule: how the marker names a level, in plain words; empty where that was not verified.
        margin_cmh2o: added to that level.
        margin_on: "closing" or "best": which level the margin is added to; the two are never mixed.
        reopens: whether the lung is opened again before PEEP is set; None where that was not verified.
        remark: what a reader must know of it.
    """

    slug: str
    version: str
    title: str
    citation: str
    recruitment: RecruitmentRules | None
    start_cmh2o: Cell = NOT_READ
    decrement_cmh2o: Cell = NOT_READ
    lowest_cmh2o: Cell = NOT_READ
    dwell_s: Cell = NOT_READ
    marker: Marker
    rule: str
    margin_cmh2o: Cell = NOT_READ
    margin_on: str
    reopens: bool | None
    remark: str = ""


_WORDS: Final = {
    "start_cmh2o": "PEEP at the start of the way down",
    "decrement_cmh2o": "size of the steps down",
    "lowest_cmh2o": "lowest PEEP tested",
    "dwell_s": "time at each step down",
    "peep_rise_cmh2o": "size of the PEEP steps up",
    "peep_top_cmh2o": "PEEP at the top",
    "pressure_above_peep_cmh2o": "pressure above PEEP on the way up",
    "pressure_rise_cmh2o": "size of the pressure steps up",
    "peak_top_cmh2o": "peak pressure at the top",
    "hold_s": "time at each step up",
}


def unverified_cells(rules: StaircaseRules, *, with_recruitment: bool, rise_asked_for: bool = False) -> tuple[str, ...]:
    """The numbers that a staircase would need and that nobody has verified, in words.

    Args:
        rules: the protocol.
        with_recruitment: whether its way up is asked for too.
        rise_asked_for: whether the size of the PEEP steps up was asked for, so that the protocol's is not needed.

    Source: the protocol's own cells.
    """
    return tuple(_WORDS[name] for name in _unverified(rules, with_recruitment, rise_asked_for))


def unverified_names(rules: StaircaseRules, *, with_recruitment: bool, rise_asked_for: bool = False) -> tuple[str, ...]:
    """The same numbers by the names of their cells, those of the way up under `recruitment`.

    Args:
        rules: the protocol.
        with_recruitment: whether its way up is asked for too.
        rise_asked_for: whether the size of the PEEP steps up was asked for.

    Source: the protocol's own cells.
    """
    own = {field.name for field in fields(StaircaseRules)}
    names = _unverified(rules, with_recruitment, rise_asked_for)
    return tuple(f"{'cells' if name in own else 'recruitment'}.{name}" for name in names)


def named_cells(rules: StaircaseRules, *, with_recruitment: bool) -> tuple[tuple[str, str, Cell], ...]:
    """Every number that a staircase needs: name of its cell, words, cell; those of the way up first.

    Args:
        rules: the protocol.
        with_recruitment: whether its way up is asked for too.

    Source: the protocol's own cells.
    """
    owners: list[StaircaseRules | RecruitmentRules] = [rules]
    if with_recruitment and rules.recruitment is not None:
        owners.insert(0, rules.recruitment)
    return tuple(
        (field.name, _WORDS[field.name], cell)
        for owner in owners
        for field in fields(owner)
        if field.name in _WORDS and isinstance(cell := getattr(owner, field.name), Cell)
    )


def _unverified(rules: StaircaseRules, with_recruitment: bool, rise_asked_for: bool) -> list[str]:
    named = named_cells(rules, with_recruitment=with_recruitment)
    missing = [name for name, _, cell in named if cell.value is None]
    return [name for name in missing if not (rise_asked_for and name == "peep_rise_cmh2o")]


_BEFORE: Final = {
    Traced.VERIFIED: "read in: ",
    Traced.SECOND_HAND: "read at second hand: ",
    Traced.SITE: "given by the site: ",
}


def origin_words(cell: Cell) -> str:
    """Where a number comes from, or why there is none, in plain words.

    Args:
        cell: of any protocol.

    Source: the cell's own.
    """
    return f"{_BEFORE.get(cell.traced, '')}{cell.source}"


def origins_of(rules: StaircaseRules, *, with_recruitment: bool, rise_cmh2o: float | None = None) -> str:
    """Say of each number of a staircase where it was read, or who chose it.

    Args:
        rules: the staircase.
        with_recruitment: whether its way up was chosen too.
        rise_cmh2o: size of the PEEP steps up where it was asked for [cmH2O].

    Source: the protocol's own cells.
    """
    told = [
        f"{words} {_bound(name, with_recruitment)}{cell.value:g} {_unit(name)} ({origin_words(cell)})"
        for name, words, cell in named_cells(rules, with_recruitment=with_recruitment)
        if cell.value is not None and not (name == "peep_rise_cmh2o" and rise_cmh2o is not None)
    ]
    if with_recruitment and rise_cmh2o is not None:
        told.append(f"size of the PEEP steps up {rise_cmh2o:g} cmH2O (asked for)")
    margin = rules.margin_cmh2o
    if margin.value is not None:
        told.append(f"margin on the {rules.margin_on} level {margin.value:g} cmH2O ({origin_words(margin)})")
    unread = with_recruitment and rules.reopens is None
    rest = (
        " Whether the lung is opened again before PEEP is set was not read; no such step is laid out." if unread else ""
    )
    return f"Numbers of {rules.title}: {'; '.join(told)}.{rest}"


def _bound(name: str, with_recruitment: bool) -> str:
    """Without recruitment the way down starts no higher than the plateau limit allows."""
    return "at most " if name == "start_cmh2o" and not with_recruitment else ""


def _unit(name: str) -> str:
    return "s" if name.endswith("_s") else "cmH2O"


_RANGES: Final[dict[str, list[float]]] = STAIRCASE_TABLE["ranges"]
"""What a site may write at all; outside these ranges a slip is likelier than a choice. This project's choice."""


def faults_of_rules(rules: StaircaseRules) -> tuple[str, ...]:
    """What a rule set must not contain, one plain sentence each; empty where it may be used.

    Args:
        rules: the protocol, for example one of a site's own.

    Source: the accepted ranges are this project's own choice.
    """
    faults = [
        f"The rule set has no {name}." for name in ("slug", "version", "title", "citation") if not _text(rules, name)
    ]
    if rules.margin_on not in ("closing", "best"):
        faults.append(f"The margin is added to {rules.margin_on!r}; accepted is closing or best.")
    for name, words, cell in named_cells(rules, with_recruitment=True):
        lowest, highest = _RANGES[name]
        if (cell.value is None) != (cell.traced is Traced.NOT_VERIFIED):
            faults.append(f"The {words} must have a value exactly where it is not marked as not verified.")
        elif cell.value is not None and not (isfinite(cell.value) and lowest <= cell.value <= highest):
            faults.append(f"The {words} is {cell.value:g}; accepted is {lowest:g} to {highest:g}.")
        if not cell.source.strip():
            faults.append(f"The {words} names no source.")
    margin = rules.margin_cmh2o.value
    if margin is not None and not (
        isfinite(margin) and _RANGES["margin_cmh2o"][0] <= margin <= _RANGES["margin_cmh2o"][1]
    ):
        low, high = _RANGES["margin_cmh2o"]
        faults.append(f"The margin is {margin:g}; accepted is {low:g} to {high:g}.")
    start, lowest_peep = rules.start_cmh2o.value, rules.lowest_cmh2o.value
    if start is not None and lowest_peep is not None and start <= lowest_peep:
        faults.append("The way down does not lead down: its start is not above its lowest PEEP.")
    return tuple(faults)


def _text(rules: StaircaseRules, name: str) -> str:
    value: str = getattr(rules, name)
    return value.strip()
