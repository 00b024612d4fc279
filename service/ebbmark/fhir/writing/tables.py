"""How do the steps and the margins of an answer read as tables? The same cells for a terminal and for paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.fhir.writing.answer import Issue, StepRow, WhatIfRow

__all__ = ["ABSENT", "Table", "places_by_text", "plain", "step_table", "what_if_table"]

ABSENT = "-"
"""What stands where a value is not known."""


@dataclass(frozen=True, slots=True)
class Table:
    """Cells as text.

    Attributes:
        heads: one per column.
        units: one per column, empty where there is none.
        rows: a cell per column.
    """

    heads: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def step_table(steps: Sequence[StepRow]) -> Table:
    """The steps of the limb, highest PEEP first.

    Args:
        steps: as the answer holds them.
    """
    return Table(
        ("PEEP", "readings", "VT", "plateau", "peak", "driving", "compliance", "expected (90 % band)", "closing here"),
        ("cmH2O", "", "mL", "cmH2O", "cmH2O", "cmH2O", "mL/cmH2O", "mL/cmH2O", "probability"),
        tuple(
            (
                plain(step.peep_cmh2o, None),
                plain(step.readings, 0),
                plain(step.tidal_volume_ml, 0),
                plain(step.plateau_cmh2o, 1),
                plain(step.peak_cmh2o, 1),
                plain(step.driving_pressure_cmh2o, 1),
                plain(step.compliance_ml_per_cmh2o, 1),
                f"{plain(step.fitted_ml_per_cmh2o, 1)} "
                f"({plain(step.fitted_low_ml_per_cmh2o, 1)} to {plain(step.fitted_high_ml_per_cmh2o, 1)})",
                plain(step.probability, 2),
            )
            for step in steps
        ),
    )


def what_if_table(rows: Sequence[WhatIfRow]) -> Table:
    """What each margin would mean, the smallest first.

    Args:
        rows: as the answer holds them.
    """
    return Table(
        ("margin", "PEEP", "VT", "VT", "compliance", "driving", "plateau", "power"),
        ("cmH2O", "cmH2O", "mL/kg", "mL", "mL/cmH2O", "cmH2O", "cmH2O", "J/min"),
        tuple(
            (
                plain(row.margin_cmh2o, None),
                plain(row.peep_cmh2o, None),
                plain(row.tidal_volume_ml_per_kg, None),
                plain(row.tidal_volume_ml, 0),
                plain(row.compliance_ml_per_cmh2o, 1),
                plain(row.driving_pressure_cmh2o, 1),
                plain(row.plateau_cmh2o, 1),
                plain(row.mechanical_power_j_per_min, 1),
            )
            for row in rows
        ),
    )


def places_by_text(issues: Sequence[Issue]) -> dict[str, list[str]]:
    """Each reason once, with every place that it holds for (empty where it has none).

    Args:
        issues: as the answer holds them.
    """
    by_text: dict[str, list[str]] = {}
    for issue in issues:
        by_text.setdefault(issue.text, []).append(issue.place)
    return by_text


def plain(value: float | None, decimals: int | None) -> str:
    """A number for a cell.

    Args:
        value: None where it is not known.
        decimals: digits after the point; None for as many as it has.
    """
    if value is None:
        return ABSENT
    return f"{value:g}" if decimals is None else f"{value:.{decimals}f}"
