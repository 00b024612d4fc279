"""What the published PEEP/FiO2 tables would set for one FiO2, from `data/peep_tables.toml`.

Two tables were compared in one trial (549 patients) and deaths did not differ. They are shown as the published
comparison, not as advice.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from ebbmark.data import table

__all__ = ["HIGHER_PEEP", "LOWER_PEEP", "PEEP_TABLES", "PeepCell", "PeepTable", "TableAnswer", "look_up"]

_SAME_FIO2: Final = 0.005
"""FiO2 is charted to the whole per cent."""


@dataclass(frozen=True, slots=True)
class PeepCell:
    """One column of a table.

    Attributes:
        fio2: inspired oxygen as a fraction [1].
        lowest_cmh2o, highest_cmh2o: PEEP allowed there; None where the cell was not verified.
    """

    fio2: float
    lowest_cmh2o: float | None
    highest_cmh2o: float | None


@dataclass(frozen=True, slots=True)
class PeepTable:
    """One published table.

    Attributes:
        slug: stable name.
        version: of this transcription.
        title: for people.
        citation: where it comes from, and how far it was read.
        cells: in order of FiO2.
        remark: what a reader must know of it.
    """

    slug: str
    version: str
    title: str
    citation: str
    cells: tuple[PeepCell, ...]
    remark: str


@dataclass(frozen=True, slots=True)
class TableAnswer:
    """What one table would set.

    Attributes:
        table: slug of the table.
        fio2: asked about [1].
        lowest_cmh2o, highest_cmh2o: PEEP that the table allows there; None where it says nothing that was verified.
        citation: of the table.
        sentence: one or two plain sentences.
    """

    table: str
    fio2: float
    lowest_cmh2o: float | None
    highest_cmh2o: float | None
    citation: str
    sentence: str


def _table(row: dict[str, Any]) -> PeepTable:
    cells = tuple(PeepCell(fio2, lowest, highest) for fio2, lowest, highest in row["cells"])
    return PeepTable(**{**row, "cells": cells})


LOWER_PEEP, HIGHER_PEEP = PEEP_TABLES = tuple(map(_table, table("peep_tables")["table"]))


def look_up(published: PeepTable, fio2: float) -> TableAnswer:
    """What the table would set for this FiO2; between two of its columns both neighbours are named, nothing between.

    Args:
        published: which one.
        fio2: inspired oxygen as a fraction, above 0 and up to 1 [1].

    Returns:
        The PEEP allowed [cmH2O], or a sentence that says why there is none.

    Raises:
        ValueError: fraction not above 0 and up to 1; a reader refuses it earlier.

    Source: the table's own citation.
    """
    if not (isfinite(fio2) and 0.0 < fio2 <= 1.0):
        raise ValueError(f"inspired oxygen must be a fraction above 0 and up to 1, got {fio2}")
    shown = f"FiO2 {fio2:.2f}"
    cell = next((cell for cell in published.cells if abs(cell.fio2 - fio2) <= _SAME_FIO2), None)
    if cell is None:
        return _answer(published, fio2, None, _without_column(published, fio2, shown))
    if cell.lowest_cmh2o is None:
        unread = f"What the {published.title} sets at {shown} has not been verified against print, so it is not shown."
        return _answer(published, fio2, None, unread)
    return _answer(
        published, fio2, cell, f"At {shown} the {published.title} sets {_peep(cell)}. {published.remark}".rstrip()
    )


def _without_column(published: PeepTable, fio2: float, shown: str) -> str:
    below = [cell for cell in published.cells if cell.fio2 < fio2]
    above = [cell for cell in published.cells if cell.fio2 > fio2]
    if not below:
        return f"The {published.title} begins at FiO2 {above[0].fio2:g}; {shown} lies below it."
    neighbours = [cell for cell in (below[-1], above[0]) if cell.lowest_cmh2o is not None]
    named = " and ".join(f"{_peep(cell)} at FiO2 {cell.fio2:g}" for cell in neighbours)
    beside = f" It sets {named}." if named else ""
    return f"The {published.title} has no column for {shown}.{beside}"


def _peep(cell: PeepCell) -> str:
    if cell.lowest_cmh2o == cell.highest_cmh2o:
        return f"{cell.lowest_cmh2o:g} cmH2O"
    return f"{cell.lowest_cmh2o:g} to {cell.highest_cmh2o:g} cmH2O"


def _answer(published: PeepTable, fio2: float, cell: PeepCell | None, sentence: str) -> TableAnswer:
    lowest, highest = (cell.lowest_cmh2o, cell.highest_cmh2o) if cell else (None, None)
    return TableAnswer(published.slug, fio2, lowest, highest, published.citation, sentence)
