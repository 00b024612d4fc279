"""What the published PEEP/FiO2 tables would set for one FiO2, from `data/peep_tables.toml`.

Two tables were compared in one trial (549 patients) and deaths did not differ. They are shown as the published
comparison, not as advice.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from ebbmark.data import table
from ebbmark.physiology.findings import Message, Value, joined, message

_SAME_FIO2: Final = 0.005  # FiO2 is charted to the whole per cent


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
    """One published table."""

    slug: str
    version: str
    title: str
    citation: str
    cells: tuple[PeepCell, ...]
    remark: str


@dataclass(frozen=True, slots=True)
class TableAnswer:
    """What one table would set."""

    table: str
    fio2: float
    lowest_cmh2o: float | None
    highest_cmh2o: float | None
    citation: str
    sentence: Value


def _table(row: dict[str, Any]) -> PeepTable:
    cells = tuple(PeepCell(fio2, lowest, highest) for fio2, lowest, highest in row["cells"])
    return PeepTable(**{**row, "cells": cells})


LOWER_PEEP, HIGHER_PEEP = PEEP_TABLES = tuple(map(_table, table("peep_tables")["table"]))


def look_up(published: PeepTable, fio2: float) -> TableAnswer:
    """What the table would set for this FiO2; between two of its columns both neighbours are named, nothing between.

    Args:
        fio2: inspired oxygen as a fraction, above 0 and up to 1 [1].

    Returns:
        The PEEP allowed [cmH2O], or why there is none.

    Raises:
        ValueError: fraction not above 0 and up to 1; a reader refuses it earlier.

    Source: the table's own citation.
    """
    if not (isfinite(fio2) and 0.0 < fio2 <= 1.0):
        raise ValueError(f"inspired oxygen must be a fraction above 0 and up to 1, got {fio2}")
    asked = {"title": published.title, "fio2": f"{fio2:.2f}"}
    cell = next((cell for cell in published.cells if abs(cell.fio2 - fio2) <= _SAME_FIO2), None)
    if cell is None:
        return _answer(published, fio2, None, _without_column(published, fio2, asked))
    if cell.lowest_cmh2o is None:
        return _answer(published, fio2, None, message("peep-table.not-verified", **asked))
    sets = message("peep-table.sets", peep=_peep(cell), **asked)
    remark = [published.remark] if published.remark else []
    return _answer(published, fio2, cell, joined("sentences", [sets, *remark]))


def _without_column(published: PeepTable, fio2: float, asked: dict[str, str]) -> Value:
    below = [cell for cell in published.cells if cell.fio2 < fio2]
    above = [cell for cell in published.cells if cell.fio2 > fio2]
    if not below:
        return message("peep-table.begins-above", first_fio2=above[0].fio2, **asked)
    neighbours = tuple(
        message("peep-table.neighbour", peep=_peep(cell), fio2=cell.fio2)
        for cell in (below[-1], above[0])
        if cell.lowest_cmh2o is not None
    )
    beside = [message("peep-table.beside", neighbours=neighbours)] if neighbours else []
    return joined("sentences", [message("peep-table.no-column", **asked), *beside])


def _peep(cell: PeepCell) -> Message:
    lowest, highest = cell.lowest_cmh2o or 0.0, cell.highest_cmh2o or 0.0
    if lowest == highest:
        return message("peep-table.one-peep", peep_cmh2o=lowest)
    return message("peep-table.range", lowest_cmh2o=lowest, highest_cmh2o=highest)


def _answer(published: PeepTable, fio2: float, cell: PeepCell | None, sentence: Value) -> TableAnswer:
    lowest, highest = (cell.lowest_cmh2o, cell.highest_cmh2o) if cell else (None, None)
    return TableAnswer(published.slug, fio2, lowest, highest, published.citation, sentence)
