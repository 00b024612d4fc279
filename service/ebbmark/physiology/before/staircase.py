"""Which staircase does a protocol describe, and which of its numbers were read in a source?

Each number carries its source. What was only remembered is left empty, and a protocol with an empty number that a
staircase needs is not laid out.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import Enum
from math import isfinite
from typing import Final

__all__ = ["Cell", "Marker", "RecruitmentRules", "StaircaseRules", "Traced", "faults_of_rules", "unverified_cells"]


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


@dataclass(frozen=True, slots=True)
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

    peep_rise_cmh2o: Cell
    peep_top_cmh2o: Cell
    pressure_above_peep_cmh2o: Cell | None
    pressure_rise_cmh2o: Cell
    peak_top_cmh2o: Cell
    hold_s: Cell


@dataclass(frozen=True, slots=True)
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
    start_cmh2o: Cell
    decrement_cmh2o: Cell
    lowest_cmh2o: Cell
    dwell_s: Cell
    marker: Marker
    rule: str
    margin_cmh2o: Cell
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

_RANGES: Final = {
    "start_cmh2o": (8.0, 30.0),
    "decrement_cmh2o": (1.0, 5.0),
    "lowest_cmh2o": (0.0, 20.0),
    "dwell_s": (30.0, 1800.0),
    "peep_rise_cmh2o": (1.0, 10.0),
    "peep_top_cmh2o": (8.0, 45.0),
    "pressure_above_peep_cmh2o": (5.0, 25.0),
    "pressure_rise_cmh2o": (0.0, 10.0),
    "peak_top_cmh2o": (20.0, 60.0),
    "hold_s": (10.0, 600.0),
}
"""What a site may write at all: the published protocols lie within. This project's choice."""


def unverified_cells(rules: StaircaseRules, *, with_recruitment: bool) -> tuple[str, ...]:
    """The numbers that a staircase would need and that nobody has verified, in words.

    Args:
        rules: the protocol.
        with_recruitment: whether its way up is asked for too.

    Source: the protocol's own cells.
    """
    return tuple(_WORDS[name] for name, cell in _cells(rules, with_recruitment) if cell.value is None)


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
    for name, cell in _cells(rules, with_recruitment=True):
        lowest, highest = _RANGES[name]
        if (cell.value is None) != (cell.traced is Traced.NOT_VERIFIED):
            faults.append(f"The {_WORDS[name]} must have a value exactly where it is not marked as not verified.")
        elif cell.value is not None and not (isfinite(cell.value) and lowest <= cell.value <= highest):
            faults.append(f"The {_WORDS[name]} is {cell.value:g}; accepted is {lowest:g} to {highest:g}.")
        if not cell.source.strip():
            faults.append(f"The {_WORDS[name]} names no source.")
    start, lowest_peep = rules.start_cmh2o.value, rules.lowest_cmh2o.value
    if start is not None and lowest_peep is not None and start <= lowest_peep:
        faults.append("The way down does not lead down: its start is not above its lowest PEEP.")
    return tuple(faults)


def _text(rules: StaircaseRules, name: str) -> str:
    value: str = getattr(rules, name)
    return value.strip()


def _cells(rules: StaircaseRules, with_recruitment: bool) -> list[tuple[str, Cell]]:
    owners: list[StaircaseRules | RecruitmentRules] = [rules]
    if with_recruitment and rules.recruitment is not None:
        owners.insert(0, rules.recruitment)
    return [
        (field.name, cell)
        for owner in owners
        for field in fields(owner)
        if field.name in _WORDS and isinstance(cell := getattr(owner, field.name), Cell)
    ]
