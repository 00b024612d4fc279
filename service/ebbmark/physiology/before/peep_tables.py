"""What PEEP would the published PEEP/FiO2 tables set for this FiO2?

Two tables were compared in one trial (549 patients) and deaths did not differ. They are shown as the published
comparison, not as advice.

Sources, with how far each was read:
- Lower PEEP: ARDS Network, N Engl J Med 2000;342:1301-8, and the lower arm of Brower et al, N Engl J Med
  2004;351:327-36: reprint in Pilbeam's Mechanical Ventilation, chapter 13; two public transcriptions agree.
- Higher PEEP: the higher arm of Brower et al 2004 before its protocol was raised: same reprint for the whole FiO2 row
  and for PEEP at 0.3 and 0.4; from 0.5 upwards three public transcriptions agree cell by cell (a rule set as code that
  names the paper, a reference in English, a bedside note in Portuguese). The paper itself was not opened.

Trap: public transcriptions with another higher row (0.4 beside 10 to 12) and lower tables that begin otherwise exist.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Final

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


LOWER_PEEP: Final = PeepTable(
    slug="lower-peep",
    version="1",
    title="lower PEEP / higher FiO2 table",
    citation=(
        "ARDS Network, N Engl J Med 2000;342:1301-8; lower arm of Brower et al, N Engl J Med 2004;351:327-36 "
        "(reprint read)"
    ),
    cells=(
        PeepCell(0.3, 5.0, 5.0),
        PeepCell(0.4, 5.0, 8.0),
        PeepCell(0.5, 8.0, 10.0),
        PeepCell(0.6, 10.0, 10.0),
        PeepCell(0.7, 10.0, 14.0),
        PeepCell(0.8, 14.0, 14.0),
        PeepCell(0.9, 14.0, 18.0),
        PeepCell(1.0, 18.0, 24.0),
    ),
    remark="",
)

HIGHER_PEEP: Final = PeepTable(
    slug="higher-peep",
    version="2",
    title="higher PEEP / lower FiO2 table",
    citation=(
        "higher arm of Brower et al, N Engl J Med 2004;351:327-36, before its protocol was raised (reprint read for "
        "FiO2 0.3 and 0.4, three agreeing transcriptions from 0.5 upwards)"
    ),
    cells=(
        PeepCell(0.3, 5.0, 14.0),
        PeepCell(0.4, 14.0, 16.0),
        PeepCell(0.5, 16.0, 20.0),
        PeepCell(0.6, 20.0, 20.0),
        PeepCell(0.7, 20.0, 20.0),
        PeepCell(0.8, 20.0, 22.0),
        PeepCell(0.9, 22.0, 22.0),
        PeepCell(1.0, 22.0, 24.0),
    ),
    remark="After 171 patients in that arm its combinations with PEEP below 12 cmH2O were dropped.",
)

PEEP_TABLES: Final = (LOWER_PEEP, HIGHER_PEEP)


def look_up(table: PeepTable, fio2: float) -> TableAnswer:
    """What the table would set for this FiO2; between two of its columns both neighbours are named, nothing between.

    Args:
        table: which one.
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
    cell = next((cell for cell in table.cells if abs(cell.fio2 - fio2) <= _SAME_FIO2), None)
    if cell is None:
        return _answer(table, fio2, None, _without_column(table, fio2, shown))
    if cell.lowest_cmh2o is None:
        unread = f"What the {table.title} sets at {shown} has not been verified against print, so it is not shown."
        return _answer(table, fio2, None, unread)
    return _answer(table, fio2, cell, f"At {shown} the {table.title} sets {_peep(cell)}. {table.remark}".rstrip())


def _without_column(table: PeepTable, fio2: float, shown: str) -> str:
    below = [cell for cell in table.cells if cell.fio2 < fio2]
    above = [cell for cell in table.cells if cell.fio2 > fio2]
    if not below:
        return f"The {table.title} begins at FiO2 {above[0].fio2:g}; {shown} lies below it."
    neighbours = [cell for cell in (below[-1], above[0]) if cell.lowest_cmh2o is not None]
    named = " and ".join(f"{_peep(cell)} at FiO2 {cell.fio2:g}" for cell in neighbours)
    beside = f" It sets {named}." if named else ""
    return f"The {table.title} has no column for {shown}.{beside}"


def _peep(cell: PeepCell) -> str:
    if cell.lowest_cmh2o == cell.highest_cmh2o:
        return f"{cell.lowest_cmh2o:g} cmH2O"
    return f"{cell.lowest_cmh2o:g} to {cell.highest_cmh2o:g} cmH2O"


def _answer(table: PeepTable, fio2: float, cell: PeepCell | None, sentence: str) -> TableAnswer:
    lowest, highest = (cell.lowest_cmh2o, cell.highest_cmh2o) if cell else (None, None)
    return TableAnswer(table.slug, fio2, lowest, highest, table.citation, sentence)
