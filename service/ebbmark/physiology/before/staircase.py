"""Which staircase does a protocol describe, and which of its numbers were read in a source?

Each number carries its source. What was only remembered is left empty, and a protocol with an empty number that a
staircase needs is not laid out. Whoever has read the paper can complete it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import Enum
from typing import Final

__all__ = [
    "Cell",
    "Marker",
    "RecruitmentRules",
    "StaircaseRules",
    "Traced",
    "named_cells",
    "unverified_cells",
    "unverified_names",
]


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
