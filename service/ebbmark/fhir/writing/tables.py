"""Steps and margins of an answer as tables: the same cells for a terminal and for paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ebbmark.fhir.writing.flat_answer import Issue, StepRow, WhatIfRow
from ebbmark.words.numbers import percent

__all__ = [
    "ABSENT", "Table", "charted_table", "patient_table", "places_by_text", "plain", "step_table", "what_if_remarks",
    "what_if_table",
]  # fmt: skip

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
                ABSENT if step.probability is None else percent(step.probability),
            )
            for step in steps
        ),
    )


_MECHANICS = (
    ("VT", "mL", "tidal_volume_ml", 0),
    ("plateau", "cmH2O", "plateau_cmh2o", 1),
    ("peak", "cmH2O", "peak_cmh2o", 1),
    ("driving", "cmH2O", "driving_pressure_cmh2o", 1),
)
_PATIENT = (
    ("SpO2", "%", "spo2_percent", 0),
    ("MAP", "mmHg", "mean_arterial_pressure_mmhg", 0),
    ("lowest", "mmHg", "least_mean_arterial_pressure_mmhg", 0),
    ("systolic", "mmHg", "systolic_pressure_mmhg", 0),
    ("heart rate", "/min", "heart_rate_per_min", 0),
    ("end-tidal CO2", "mmHg", "end_tidal_co2_mmhg", 0),
    ("PaCO2", "mmHg", "paco2_mmhg", 0),
    ("FiO2", "%", "fio2_percent", 0),
    ("measured PEEP", "cmH2O", "measured_peep_cmh2o", 1),
    ("total PEEP", "cmH2O", "total_peep_cmh2o", 1),
    ("rate set", "/min", "rate_set_per_min", 0),
    ("rate", "/min", "rate_per_min", 0),
    ("spontaneous", "/min", "spontaneous_rate_per_min", 0),
    ("inspired", "mL", "inspired_ml", 0),
    ("expired", "mL", "expired_ml", 0),
    ("age", "s", "oldest_vital_sign_s", 0),
)
"""Head, unit, field and decimals of each column of the patient at each step."""


def patient_table(steps: Sequence[StepRow]) -> Table:
    """The patient at each step: last values, and how old the oldest vital sign was; columns without a value left out.

    Args:
        steps: as the answer holds them.

    Returns:
        Without rows where nothing of the patient was charted.
    """
    return _charted(steps, _PATIENT)


def charted_table(steps: Sequence[StepRow]) -> Table:
    """Ventilator and patient at each step, beside a table that has compliance; columns without a value left out.

    Args:
        steps: as the answer holds them.
    """
    return _charted(steps, (*_MECHANICS, *_PATIENT))


def _charted(steps: Sequence[StepRow], wanted: Sequence[tuple[str, str, str, int]]) -> Table:
    columns = [column for column in wanted if any(getattr(step, column[2]) is not None for step in steps)]
    return Table(
        ("PEEP", *(head for head, _, _, _ in columns)),
        ("cmH2O", *(unit for _, unit, _, _ in columns)),
        tuple(
            (plain(step.peep_cmh2o, None), *(plain(getattr(step, name), places) for _, _, name, places in columns))
            for step in (steps if columns else ())
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


def what_if_remarks(rows: Sequence[WhatIfRow]) -> Iterator[str]:
    """What the limits say of each margin: each remark once, with the pressures that it holds for.

    Args:
        rows: as the answer holds them.
    """
    by_remark: dict[str, list[str]] = {}
    for row in rows:
        by_remark.setdefault(row.remark, []).append(plain(row.peep_cmh2o, None))
    for remark, peeps in by_remark.items():
        yield f"{', '.join(peeps)} cmH2O: {remark}"


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
