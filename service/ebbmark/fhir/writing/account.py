"""An answer at a terminal: plain text, every number with its unit, certainty beside every claim."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from ebbmark.fhir.writing.answer import FlatAnswer, Issue
from ebbmark.fhir.writing.tables import Table, patient_table, places_by_text, plain, step_table, what_if_table

__all__ = ["account"]

WIDTH = 100
MOST_NAMED = 3
"""Inputs named per reason; the Bundle names them all."""


def account(answer: FlatAnswer, *, remarks: Sequence[str] = ()) -> str:
    """The answer as text.

    Args:
        answer: what the Bundle says.
        remarks: sentences of the caller to put first.
    """
    return "\n".join(_lines(answer, remarks)) + "\n"


def _lines(answer: FlatAnswer, remarks: Sequence[str]) -> Iterator[str]:
    for remark in remarks:
        yield from wrap(remark, WIDTH)
    yield from wrap(answer.line, WIDTH)
    for reason in answer.reasons:
        yield from _item(reason)
    yield from _heading("Targets")
    yield f"Predicted body weight  {_unit(answer.predicted_body_weight_kg, 'kg', 1)}"
    yield f"Tidal volume target    {_unit(answer.tidal_volume_ml, 'mL', 0)}"
    ladder = ", ".join(f"{rung} mL/kg {volume:.0f} mL" for rung, volume in answer.ladder_ml.items())
    yield from wrap(f"Tidal volume ladder    {ladder}", WIDTH)
    yield from wrap(answer.weight_remark, WIDTH)
    yield from _heading("Steps of the decremental limb")
    yield from _table(step_table(answer.steps))
    patient = patient_table(answer.steps)
    if patient.rows:
        yield from _heading("The patient at each step (last value; age of the oldest vital sign)")
        yield from _table(patient)
    yield from _heading("Closing pressure")
    yield from wrap(answer.closing_remark, WIDTH)
    yield from _heading("Suggested PEEP")
    if answer.suggested_peep_cmh2o is None:
        yield "none"
    else:
        yield f"{answer.suggested_peep_cmh2o:g} cmH2O (preliminary; a licensed clinician decides)"
    yield from wrap(answer.rationale, WIDTH)
    if answer.what_if:
        yield from _heading("What if")
        yield from _what_if(answer)
    if answer.cautions:
        yield from _heading("Cautions for this patient")
        for caution in answer.cautions:
            yield from _item(f"{caution.severity}: {caution.text}")
    yield from _heading("True of every such trial")
    for text in answer.general:
        yield from _item(text)
    if answer.issues:
        yield from _heading("How the input was read")
        yield from _issues(answer.issues)
    yield ""
    yield f"Ebbmark {answer.software}, answer {answer.identity[:16]}"


def _what_if(answer: FlatAnswer) -> Iterator[str]:
    yield from _table(what_if_table(answer.what_if))
    for row in answer.what_if:
        yield from _item(f"{plain(row.peep_cmh2o, None)} cmH2O: {row.remark}")


def _issues(issues: Sequence[Issue]) -> Iterator[str]:
    """Each reason once, with the inputs that it holds for."""
    for text, places in places_by_text(issues).items():
        named = [place for place in places if place]
        more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
        yield from _item(f"{text} [{', '.join(named[:MOST_NAMED])}{more}]" if named else text)


def _heading(text: str) -> Iterator[str]:
    yield ""
    yield text
    yield "-" * len(text)


def _item(text: str) -> Iterator[str]:
    yield from wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")


def _table(table: Table) -> Iterator[str]:
    rows = (table.heads, table.units, *table.rows)
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _unit(value: float | None, unit: str, decimals: int) -> str:
    return "not known" if value is None else f"{value:.{decimals}f} {unit}"
