"""From rows to the tables of a report: SQL over the Parquet of all parts, groups too small hidden.

Counts and shares only. Nothing here says that one thing caused another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import duckdb

from ebbmark.review.charts import hidden, runs_of
from ebbmark.review.model import Cell, Options, Report, Reviewed, Table
from ebbmark.review.queries import COLUMNS, OF_SINGLE, QUERIES, ROWS_ONLY, SERIES, Query, periods_query, series_query
from ebbmark.review.shards import FEEDBACK

WEEKS_FROM = 520
"""Trials from which on changes are looked for by week, else by four weeks. This project's choice: ten a week. By month
where dates are coarse: weeks within a month would tell more than the month."""


def tables_of(
    reviewed: Reviewed,
    *,
    options: Options,
    smallest: int,
    second_from: str = "",
    rows_into: Path | None = None,
    cases: bool = True,
) -> Report:
    """Every table of the report.

    Args:
        smallest: groups of fewer are not shown.
        second_from: month from which on a second period is compared with the first, YYYY-MM; empty for none.
        rows_into: folder into which tables of every single row go at once, so that nobody holds them; None: they are
            part of the report.
        cases: whether there are tables that name single patients or answers.
    """
    asked = [one for one in QUERIES if cases or one.name not in OF_SINGLE]
    with duckdb.connect(config={"threads": 1}) as database:
        for table, columns in COLUMNS.items():
            described = ", ".join(f"{name} {kind}" for name, kind in columns.items())
            database.execute(f"CREATE TABLE {table} ({described})")
            if files := [f"{folder}/{table}.parquet" for folder in reviewed.folders]:
                database.execute(f"INSERT INTO {table} SELECT * FROM read_parquet($files)", {"files": files})  # noqa: S608
        database.executemany(
            "INSERT INTO listed VALUES (?, ?, ?, ?)",
            [[one.file, one.place, one.why, one.what] for one in reviewed.listed] or [["", 0, "", ""]],
        )
        database.execute("DELETE FROM listed WHERE why = ''")
        if options.shift_dates:
            asked = [_without_month(one) if one.name in ("answers", "trials") else one for one in asked]
        whole = [one for one in asked if rows_into is not None and one.name in ROWS_ONLY]
        found = {one.name: _table(database, one, smallest) for one in asked if one not in whole}
        lines = {kind: n for kind, n in reviewed.counts.items() if not kind.startswith(FEEDBACK)}
        found["lines"] = Table("lines", "Lines read, by resource type", "", ("resource", "n"), tuple(lines.items()))
        found["cards"] = _cards(reviewed, smallest)
        found |= {one.name: one for one in _over_time(database, smallest, coarse=options.coarse_dates)}
        if rows_into is not None:
            rows_into.mkdir(parents=True, exist_ok=True)
            for one in whole:
                _copy(database, f"({one.sql})", rows_into / one.name)
        if second_from:
            found["periods"] = _table(database, periods_query(second_from), smallest)
    return Report(found, smallest, options, second_from, reviewed.failed)


def write_tables(report: Report, folder: Path) -> None:
    """Each table as CSV and as Parquet; same rows, same bytes.

    Args:
        folder: is made where it is not there.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with duckdb.connect(config={"threads": 1}) as database:
        for table in report.tables.values():
            types = [_sql_type([row[place] for row in table.rows]) for place in range(len(table.columns))]
            columns = ", ".join(f'"{name}" {kind}' for name, kind in zip(table.columns, types, strict=True))
            database.execute(f"CREATE OR REPLACE TABLE shown ({columns})")
            if table.rows:
                marks = ", ".join("?" * len(table.columns))
                database.executemany(f"INSERT INTO shown VALUES ({marks})", [list(row) for row in table.rows])  # noqa: S608
            _copy(database, "shown", folder / table.name)


def _sql_type(values: Sequence[Cell]) -> str:
    kinds = {type(value) for value in values if value is not None}
    if kinds <= {bool} and kinds:
        return "BOOLEAN"
    if kinds <= {int} and kinds:
        return "BIGINT"
    return "DOUBLE" if kinds <= {int, float} and kinds else "VARCHAR"


def _cards(reviewed: Reviewed, smallest: int) -> Table:
    told = [
        (kind.split("|")[1], kind.split("|")[2], n) for kind, n in reviewed.counts.items() if kind.startswith(FEEDBACK)
    ]
    hide = hidden([n for *_, n in told], smallest)
    rows = tuple((outcome, reason, None if gone else n) for (outcome, reason, n), gone in zip(told, hide, strict=True))
    note = "CDS Hooks feedback: accepted, or overridden with which reason. Cards without feedback are not counted."
    return Table("cards", "What became of cards", note, ("outcome", "reason", "n"), rows, sum(hide))


def _table(database: duckdb.DuckDBPyConnection, asked: Query, smallest: int) -> Table:
    found = database.execute(asked.sql)
    columns = tuple(one[0] for one in found.description or ())
    rows: list[tuple[Cell, ...]] = [tuple(_plain(value) for value in row) for row in found.fetchall()]
    hide = (False,) * len(rows)
    if asked.group:
        place = columns.index(asked.group)
        hide = hidden([int(row[place] or 0) for row in rows], smallest)
        # What names a group stays; every number of a small one goes.
        rows = [
            tuple(value if isinstance(value, str) or not gone else None for value in row)
            for row, gone in zip(rows, hide, strict=True)
        ]
    return Table(asked.name, asked.title, asked.note, columns, tuple(rows), sum(hide))


def _without_month(asked: Query) -> Query:
    """The true month beside a time that was moved would tell it."""
    return replace(asked, sql=f"SELECT * EXCLUDE (month) FROM ({asked.sql}) ORDER BY ALL")  # noqa: S608


def _copy(database: duckdb.DuckDBPyConnection, source: str, path: Path) -> None:
    for ending, form in (("csv", "csv, header"), ("parquet", "parquet")):
        database.execute(f"COPY {source} TO '{path}.{ending}' (FORMAT {form})")


def _plain(value: object) -> Cell:
    if value is None or isinstance(value, (str, bool, int)):
        return value
    return round(float(value), 6) if isinstance(value, float) else float(str(value))


def _over_time(database: duckdb.DuckDBPyConnection, smallest: int, *, coarse: bool) -> list[Table]:
    """Each series over time, and what the rules of a run chart find in it."""
    (total,) = database.execute("SELECT count(*) FROM trials").fetchone() or (0,)
    name, period = "week", "week::INTEGER"
    since = "strftime(DATE '1970-01-01' + 7 * min(week::INTEGER), '%Y-%m-%d')"
    if coarse:
        name, period, since = "month", "month", "month"
    elif total < WEEKS_FROM:
        name, period = "four weeks", "week::INTEGER // 4"
    found = _table(database, series_query(name, period, since), smallest)
    rows: list[tuple[Cell, ...]] = []
    for name in SERIES:
        values = [float(value) for value in found.column(name) if value is not None]
        if values:
            runs = runs_of(values)
            told = "changes beyond chance" if runs.signal else "no signal" if runs.enough else "too few points"
            rows.append(
                (name, len(values), runs.useful, round(runs.centre, 6), runs.longest, runs.longest_allowed,
                 runs.crossings, runs.crossings_needed, told)
            )  # fmt: skip
    columns = ("series", "points", "useful", "centre", "longest_run", "longest_allowed", "crossings",
               "crossings_needed", "finding")  # fmt: skip
    note = "Rules of Anhøj and Olesen 2014: a run that is too long, or too few crossings of the centre."
    return [found, Table("runs", "Change over time beyond chance", note, columns, tuple(rows))]
