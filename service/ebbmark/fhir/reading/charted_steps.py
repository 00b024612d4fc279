"""A plain table of steps as a FHIR Bundle, so that it goes the same way as every other request.

The header names each column; the unit is part of the name. One row is one charted row: rows of equal PEEP that follow
one another are readings of the same step. A `time` column (ISO 8601 with zone) places the rows; without it they count
in the order given, as one step after another.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Any, NamedTuple

import msgspec

from ebbmark.fhir.naming import LOINC
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.units import UCUM

COLUMNS: dict[str, tuple[str, str]] = {
    "peep_cmh2o": ("20077-4", "cm[H2O]"),
    "tidal_volume_ml": ("76222-9", "mL"),
    "tidal_volume_expired_ml": ("76007-4", "mL"),
    "plateau_cmh2o": ("76259-1", "cm[H2O]"),
    "peak_cmh2o": ("76531-3", "cm[H2O]"),
    "driving_pressure_cmh2o": ("76154-4", "cm[H2O]"),
    "compliance_static_ml_per_cmh2o": ("60828-1", "mL/cm[H2O]"),
    "compliance_dynamic_ml_per_cmh2o": ("60827-3", "mL/cm[H2O]"),
    "respiratory_rate_per_min": ("19840-8", "/min"),
}
"""Column to LOINC code and UCUM unit."""

FOR_A_TABLE = (
    "--height-cm and --sex are for a table (CSV) without these columns; FHIR data state them themselves: an "
    "Observation of height, Patient.gender or the parameter sex-for-formula."
)
UNTIMED = (
    "No times were sent: the rows count in the order given, each change of PEEP as a new step. The age of the trial is "
    "not known: what changed since is not known either."
)
OTHERS = ("time", "height_cm", "sex")
UNTIMED_START = datetime(2000, 1, 1, tzinfo=UTC)
UNTIMED_STEP, UNTIMED_ROW = timedelta(minutes=2), timedelta(seconds=1)
"""Rows without a time follow one another by this much; these instants serve the order only and are never shown."""


@dataclass(frozen=True, slots=True)
class ChartedSteps:
    """A table read.

    Attributes:
        bundle: FHIR R4 Bundle as JSON, one panel Observation per row.
        ordered_until_s: where the rows had no times, the instant of the last in the Bundle, which stands for its place
            only; None where they had [s since 1970-01-01T00:00:00Z].
        places: where each entry of the Bundle stands in the table, and the columns of its components.
    """

    bundle: bytes
    ordered_until_s: float | None
    places: tuple[tuple[str, tuple[str, ...]], ...]

    def refused(self, rejected: Rejected) -> Rejected:
        """The same refusal, with lines and columns of the table in place of elements of the Bundle."""
        problems = [
            replace(
                problem,
                expression=self._place(problem.expression, of_time=problem.kind is ProblemKind.TIME_UNUSABLE),
                sentence=self._place(problem.sentence, of_time=problem.kind is ProblemKind.TIME_UNUSABLE),
            )
            for problem in rejected.problems
        ]
        ignored = [msgspec.structs.replace(one, path=self._place(one.path)) for one in rejected.ignored]
        return Rejected(tuple(problems), tuple(ignored))

    def _place(self, text: str, *, of_time: bool = False) -> str:
        def named(found: re.Match[str]) -> str:
            line, columns = self.places[int(found[1])]
            if found[2]:
                return f"{line}, {columns[int(found[2])]}"
            return f"{line}, time" if of_time else line

        return _ENTRY.sub(named, text)


_ENTRY = re.compile(r"Bundle\.entry\[(\d+)\]\.resource(?:\.component\[(\d+)\])?(?:\.[A-Za-z]+(?:\[\d+\])?)*")


def read_charted_steps(
    table: bytes, *, height_cm: float | None = None, sex: str | None = None, dated: str = ""
) -> ChartedSteps:
    """Read a table of charted steps.

    Args:
        table: CSV in UTF-8 with one of the columns of `COLUMNS` each, `peep_cmh2o` at least; further `time`,
            `height_cm` and `sex` (male or female).
        dated: what is asked for that needs times, for people; empty for nothing.

    Raises:
        Rejected: with every fault of the table, each naming its line and column.
    """
    try:
        text = table.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Rejected((_fault("the text", f"bytes that are not UTF-8 at position {error.start}", "UTF-8"),)) from None
    reader = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    header = [name.strip() for name in reader.fieldnames or ()]
    reader.fieldnames = header
    faults = _header_faults(header)
    if dated and "time" not in header and not faults:
        found, accepted = "a table without times", "a time column"
        sentence = f"A time column is needed for {dated}; the table has none."
        faults.append(Problem(ProblemKind.TABLE, "", found, accepted, sentence))
    if faults:
        raise Rejected(tuple(faults))
    rows = [row for row in (_Row.of(reader.line_num, cells) for cells in reader) if row.cells or row.is_too_long]
    observations, row_faults = _observations(rows, timed="time" in header)
    heights = {row.cells["height_cm"] for row in rows if "height_cm" in row.cells}
    sexes = {row.cells["sex"].lower() for row in rows if "sex" in row.cells}
    faults += row_faults + _person_faults(rows)
    faults += [
        _fault(f"column {column}", " and ".join(sorted(values)), "one value for one patient")
        for column, values in (("height_cm", heights), ("sex", sexes))
        if len(values) > 1
    ]
    if faults:
        raise Rejected(tuple(faults))
    height = next(iter(heights), None if height_cm is None else f"{height_cm:g}")
    patient = {"resourceType": "Patient", "id": "charted", "gender": next(iter(sexes), sex)}
    resources: list[dict[str, object]] = [{name: one for name, one in patient.items() if one is not None}]
    if height is not None:
        first = str(observations[0]["effectiveDateTime"]) if observations else UNTIMED_START.isoformat()
        resources.append(_observation("height", first, **_coded("8302-2", _number(height), "cm")))
    places: list[tuple[str, tuple[str, ...]]] = [
        (where, ()) for where in ("the patient", "height_cm")[: len(resources)]
    ]
    places += [(f"line {row.line}", tuple(one for one in COLUMNS if one in row.cells)) for row in rows]
    entries = [{"resource": one} for one in (*resources, *observations)]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    last = None if "time" in header or not observations else str(observations[-1]["effectiveDateTime"])
    until_s = None if last is None else datetime.fromisoformat(last).timestamp()
    return ChartedSteps(msgspec.json.encode(bundle), until_s, tuple(places))


class _Row(NamedTuple):
    """One row: its line in the file, its filled cells by column, and whether it has more cells than the header."""

    line: int
    cells: dict[str, str]
    is_too_long: bool

    @classmethod
    def of(cls, line: int, row: Mapping[str | Any, str | Any]) -> _Row:
        cells = {name: text for name, value in row.items() if name is not None and (text := (value or "").strip())}
        return cls(line, cells, None in row)


def _header_faults(header: list[str]) -> list[Problem]:
    accepted = ", ".join((*OTHERS, *COLUMNS))
    faults = [
        _fault("line 1", f"a column {name!r}", accepted)
        for name in header
        if name not in COLUMNS and name not in OTHERS
    ]
    faults += [_fault("line 1", f"{name} twice", "each column once") for name in set(header) if header.count(name) > 1]
    if "peep_cmh2o" not in header:
        faults.append(_fault("line 1", "no column peep_cmh2o", "a header line with peep_cmh2o and others: " + accepted))
    return faults


def _observations(rows: Sequence[_Row], *, timed: bool) -> tuple[list[dict[str, object]], list[Problem]]:
    observations: list[dict[str, object]] = []
    faults: list[Problem] = []
    previous, clock = None, timedelta()
    for line, cells, is_too_long in rows:
        if is_too_long:
            faults.append(_fault(f"line {line}", "more values than the header has columns", "one value per column"))
            continue
        components = []
        for column, (code, unit) in COLUMNS.items():
            text = cells.get(column, "")
            value = _number(text)
            if value is not None:
                components.append(_coded(code, value, unit))
            elif text:
                faults.append(_fault(f"line {line}, {column}", repr(text[:20]), "a number with a decimal point"))
        peep = cells.get("peep_cmh2o")
        if peep is None:
            faults.append(_fault(f"line {line}, peep_cmh2o", "nothing", "the set PEEP of the row"))
            continue
        clock += UNTIMED_ROW if peep == previous else UNTIMED_STEP
        previous = peep
        at = cells.get("time", "") if timed else (UNTIMED_START + clock).isoformat()
        if not at:
            faults.append(_fault(f"line {line}, time", "nothing", "a time in every row, or no time column at all"))
            continue
        code_text = {"text": "Charted row of a PEEP trial"}
        observations.append(_observation(f"line-{line}", at, code=code_text, component=components))
    return observations, faults


def _person_faults(rows: Sequence[_Row]) -> list[Problem]:
    """A height that is no number and a sex that is no form of the formula, each where it first stands."""
    first: dict[tuple[str, str], int] = {}
    for row in rows:
        height, sex = row.cells.get("height_cm"), row.cells.get("sex")
        if height is not None and _number(height) is None:
            first.setdefault(("height_cm", height), row.line)
        if sex is not None and sex.lower() not in ("male", "female"):
            first.setdefault(("sex", sex), row.line)
    accepted = {"height_cm": "a number with a decimal point", "sex": "male or female"}
    return [
        _fault(f"line {line}, {column}", repr(text[:20]), accepted[column]) for (column, text), line in first.items()
    ]


def _observation(identity: str, at: str, **more: object) -> dict[str, object]:
    subject = {"reference": "Patient/charted"}
    named = {"resourceType": "Observation", "id": identity, "status": "final", "subject": subject}
    return {**named, "effectiveDateTime": at, **more}


def _coded(code: str, value: float | None, unit: str) -> dict[str, object]:
    quantity = {"value": value, "system": UCUM, "code": unit}
    return {"code": {"coding": [{"system": LOINC, "code": code}]}, "valueQuantity": quantity}


def _number(text: str) -> float | None:
    """The number; None where it is none, or none that JSON can carry."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if isfinite(value) else None


def _fault(where: str, found: str, accepted: str) -> Problem:
    sentence = f"In {where} of the table: found {found}; accepted: {accepted}."
    return Problem(ProblemKind.TABLE, where, found, accepted, sentence)
