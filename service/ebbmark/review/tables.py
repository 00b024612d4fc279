"""From rows to the tables of a report: SQL over the Parquet of all parts, groups too small hidden.

Counts and shares only. Nothing here says that one thing caused another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from ebbmark import __version__
from ebbmark.review.control import hidden, runs_of
from ebbmark.review.options import Options
from ebbmark.review.patients import COLUMNS
from ebbmark.review.run import Reviewed
from ebbmark.review.shards import FEEDBACK

__all__ = ["KEPT_CMH2O", "Report", "Table", "tables_of", "write_tables"]

Cell = str | int | float | bool | None

KEPT_CMH2O = 1.0
"""PEEP within so much of the suggestion counts as kept. This project's choice."""
WEEKS_FROM = 520
"""Trials from which on changes are looked for by week, else by four weeks. This project's choice: ten a week. By month
where dates are coarse: weeks within a month would tell more than the month."""


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the report.

    Attributes:
        name: of its files.
        title: for people.
        note: how to read it.
        columns: names, the unit in the name.
        rows: values; None where nothing is known, or where a group is too small to be shown.
        hidden: how many rows were too small.
    """

    name: str
    title: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    hidden: int = 0

    def column(self, name: str) -> list[Cell]:
        """The values of one column."""
        place = self.columns.index(name)
        return [row[place] for row in self.rows]


@dataclass(frozen=True, slots=True)
class Report:
    """All that a report tells, in order.

    Attributes:
        tables: by name.
        smallest: size from which on a group is shown.
        options: what the rows were made with.
        periods: from when on the second period counts, as YYYY-MM; empty where none was asked for.
        failed: pieces that were given up.
    """

    tables: dict[str, Table]
    smallest: int
    options: Options
    periods: str
    failed: int

    def without_cases(self) -> Report:
        """The same without any table that names single patients or answers."""
        return replace(self, tables={name: one for name, one in self.tables.items() if name not in OF_SINGLE})


@dataclass(frozen=True, slots=True)
class _Asked:
    """A table as it is asked for; `group` is the column whose size decides what is hidden, empty to hide nothing."""

    name: str
    title: str
    sql: str
    note: str = ""
    group: str = ""


_KEPT_1H = f"abs(peep_1h_cmh2o - suggested_cmh2o) <= {KEPT_CMH2O}"
_USED = "suggested_cmh2o IS NOT NULL AND peep_1h_cmh2o IS NOT NULL"
_USE = f"""
    count(*) FILTER (suggested_cmh2o IS NOT NULL) AS suggested,
    count(*) FILTER ({_USED}) AS n,
    count(*) FILTER ({_USED} AND {_KEPT_1H}) AS kept_1h,
    count(*) FILTER ({_USED} AND peep_1h_cmh2o < suggested_cmh2o - {KEPT_CMH2O}) AS lower_1h,
    count(*) FILTER ({_USED} AND peep_1h_cmh2o > suggested_cmh2o + {KEPT_CMH2O}) AS higher_1h,
    count(*) FILTER ({_USED} AND abs(peep_24h_cmh2o - suggested_cmh2o) <= {KEPT_CMH2O}) AS kept_24h,
    median(set_after_min) FILTER ({_USED}) AS median_min_to_setting"""

_TITRATIONS = """(SELECT *, stored_suggested_cmh2o AS then_cmh2o, suggested_cmh2o AS now_cmh2o,
    computed AND signature NOT IN ('broken', 'covers-part') AS compared
    FROM answers WHERE operation = 'titrate-peep')"""
"""What somebody changed afterwards says nothing of an engine."""

_TABLES = (
    _Asked(
        "overview",
        "What was read",
        """SELECT * FROM (VALUES
            ('patients with a trial', (SELECT count(DISTINCT patient) FROM trials)),
            ('trials', (SELECT count(*) FROM trials)),
            ('trials with a suggested PEEP', (SELECT count(*) FROM trials WHERE outcome = 'suggested')),
            ('trials that cannot be answered', (SELECT count(*) FROM trials WHERE outcome = 'refused')),
            ('trials for which an answer is stored', (SELECT count(*) FROM trials WHERE stored)),
            ('stored answers', (SELECT count(*) FROM answers)),
            ('stored answers that follow from their inputs', (SELECT count(*) FROM answers WHERE outcome IN
                ('same', 'same-within-rounding'))),
            ('stored answers whose signature does not fit, or covers a part only', (SELECT count(*) FROM answers WHERE
                signature IN ('broken', 'covers-part'))),
            ('stored answers without a signature, or by a key that was not given', (SELECT count(*) FROM answers WHERE
                signature IN ('absent', 'unknown-key'))),
            ('things listed as not used', (SELECT count(*) FROM listed))) AS t(what, n)""",
    ),
    _Asked(
        "replay",
        "Do stored answers still follow from their inputs?",
        "SELECT operation, outcome, signature, count(*) AS n FROM answers GROUP BY ALL ORDER BY ALL",
        "same: every value, byte for byte. same-within-rounding: computed by another engine. inputs-amended: an input "
        "was changed after the answer. not-replayable: given under a charting table of the site that is not at hand. "
        "different: a value of the answer does not follow from its inputs.",
    ),
    _Asked(
        "engines",
        "Stored titrations under this version of the software",
        f"""SELECT engine, count(*) AS n,
            count(*) FILTER (compared AND now_cmh2o IS NOT DISTINCT FROM then_cmh2o) AS same_number,
            count(*) FILTER (compared AND now_cmh2o != then_cmh2o) AS other_number,
            count(*) FILTER (compared AND now_cmh2o IS NOT NULL AND then_cmh2o IS NULL) AS number_gained,
            count(*) FILTER (compared AND now_cmh2o IS NULL AND then_cmh2o IS NOT NULL) AS number_lost,
            count(*) FILTER (compared AND closing_cmh2o IS DISTINCT FROM stored_closing_cmh2o) AS other_closing,
            count(*) FILTER (NOT compared) AS not_compared
        FROM {_TITRATIONS} GROUP BY engine ORDER BY engine""",  # noqa: S608
        f"Each is computed again, from the inputs that it names, by version {__version__}; engine: the version that "
        "gave it. Not compared: whose signature does not fit, or that cannot be computed here.",
        "n",
    ),
    _Asked(
        "engines_by_how_much",
        "By how much this version would suggest another PEEP",
        f"""SELECT engine, now_cmh2o - then_cmh2o AS difference_cmh2o, count(*) AS n FROM {_TITRATIONS}
        WHERE compared AND now_cmh2o IS NOT NULL AND then_cmh2o IS NOT NULL GROUP BY ALL ORDER BY ALL""",  # noqa: S608
        group="n",
    ),
    _Asked(
        "outcomes",
        "What trials gave, by unit",
        """SELECT unit, count(*) AS n, count(*) FILTER (outcome = 'suggested') AS suggested,
            count(*) FILTER (outcome = 'withheld') AS withheld,
            count(*) FILTER (outcome = 'not-reached') AS not_reached,
            count(*) FILTER (outcome = 'falling-from-first-step') AS falling_from_first_step,
            count(*) FILTER (outcome = 'indeterminate') AS indeterminate,
            count(*) FILTER (outcome = 'refused') AS refused, count(*) FILTER (stored) AS stored
        FROM trials GROUP BY unit ORDER BY unit""",
        "Every trial in the data, whether or not an answer was asked for, read as the service reads it.",
        "n",
    ),
    _Asked(
        "by_month",
        "Trials and answers, by unit and month",
        """SELECT unit, month, count(*) AS n, count(*) FILTER (outcome = 'suggested') AS suggested,
            count(*) FILTER (kind LIKE 'static%') AS with_plateau, sum(left_out) AS inputs_left_out
        FROM trials GROUP BY unit, month ORDER BY unit, month""",
        group="n",
    ),
    _Asked(
        "why_no_number",
        "Why there is no number",
        """SELECT outcome, why, count(*) AS n FROM trials WHERE outcome != 'suggested'
        GROUP BY ALL ORDER BY n DESC, outcome, why""",
        group="n",
    ),
    _Asked(
        "cautions",
        "Findings of high weight, or that withhold the number",
        """SELECT caution, count(*) AS n FROM (SELECT unnest(string_split(cautions, ', ')) AS caution FROM trials)
        WHERE caution != '' GROUP BY caution ORDER BY n DESC, caution""",
        group="n",
    ),
    _Asked(
        "left_out",
        "Inputs that did not count, by reason",
        "SELECT reason, sum(inputs)::BIGINT AS n FROM left_out GROUP BY reason ORDER BY n DESC, reason",
        group="n",
    ),
    _Asked(
        "what_if",
        "The same trials under the other protocol",
        """SELECT outcome, other_outcome, count(*) AS n,
            count(*) FILTER (suggested_cmh2o IS DISTINCT FROM other_suggested_cmh2o) AS other_number
        FROM trials GROUP BY ALL ORDER BY ALL""",
        group="n",
    ),
    _Asked(
        "what_if_by_how_much",
        "By how much the suggested PEEP would differ",
        """SELECT other_suggested_cmh2o - suggested_cmh2o AS difference_cmh2o, count(*) AS n FROM trials
        WHERE suggested_cmh2o IS NOT NULL AND other_suggested_cmh2o IS NOT NULL GROUP BY ALL ORDER BY ALL""",
        group="n",
    ),
    _Asked(
        "use",
        "PEEP after the trial, by unit",
        f"SELECT unit, {_USE} FROM trials GROUP BY unit ORDER BY unit",  # noqa: S608
        f"Against the PEEP that the trial suggests, whether or not anybody saw it; within {KEPT_CMH2O:g} cmH2O counts "
        "as kept. n: trials with a suggestion and a PEEP charted within four hours before that time.",
        "n",
    ),
    _Asked(
        "oxygenation",
        "Closing by compliance less closing by oxygenation",
        """SELECT oxygenation_by AS marker, closing_cmh2o - oxygenation_cmh2o AS difference_cmh2o, count(*) AS n
        FROM trials WHERE closing_cmh2o IS NOT NULL AND oxygenation_cmh2o IS NOT NULL GROUP BY ALL ORDER BY ALL""",
        "Where the gas or the saturation of the same steps names a level. Above 0: compliance fell at a higher PEEP.",
        "n",
    ),
    _Asked(
        "listed",
        "What was not used, and why",
        "SELECT why, what, count(*) AS n FROM listed GROUP BY ALL ORDER BY n DESC, why, what",
        "A line that could not be read stands with its file and place in listed_lines.csv.",
    ),
    _Asked(
        "listed_lines",
        "Each line that was not used",
        "SELECT file, place, why, what FROM listed ORDER BY ALL",
    ),
    _Asked(
        "cases",
        "Cases to look at",
        """SELECT operation, outcome, signature, unit, ended, where_first, findings, patient, answer FROM answers
        WHERE outcome NOT IN ('same', 'same-within-rounding') OR signature IN ('broken', 'covers-part')
        ORDER BY outcome, signature, ended, answer""",
        "Answers that do not follow from their inputs, whose inputs were amended, or whose signature does not fit.",
    ),
    _Asked(
        "cases_engine",
        "Stored titrations whose number this version would change",
        f"""SELECT engine, unit, ended, then_cmh2o, now_cmh2o, stored_closing_cmh2o, closing_cmh2o, patient, answer
        FROM {_TITRATIONS} WHERE compared AND now_cmh2o IS DISTINCT FROM then_cmh2o
        ORDER BY abs(now_cmh2o - then_cmh2o) DESC NULLS FIRST, ended, answer LIMIT 100""",  # noqa: S608
        "A number gained or lost first, then by how far it moved; the first 100.",
    ),
    _Asked(
        "cases_other",
        "Trials whose number would change most under the other protocol",
        """SELECT patient, unit, ended, outcome, suggested_cmh2o, other_outcome, other_suggested_cmh2o FROM trials
        WHERE (outcome = 'suggested') != (other_outcome = 'suggested')
            OR abs(suggested_cmh2o - other_suggested_cmh2o) > 2
        ORDER BY ended, patient LIMIT 100""",
        "A number gained, lost, or moved by more than 2 cmH2O; the first 100.",
    ),
    _Asked("answers", "Every stored answer", "SELECT * FROM answers ORDER BY ALL"),
    _Asked("trials", "Every trial", "SELECT * EXCLUDE (week) FROM trials ORDER BY ALL"),
)
ROWS_ONLY = frozenset({"answers", "trials", "listed_lines"})
"""Tables that are written as files and not shown on the page."""
OF_SINGLE = frozenset({"answers", "trials", "cases", "cases_engine", "cases_other"})
"""Tables that name single patients or answers."""

SERIES = {
    "share answered with a number": "avg((outcome = 'suggested')::INTEGER)",
    "share with plateau pressure": "avg((kind LIKE 'static%')::INTEGER)",
    "share kept after one hour": f"avg(({_KEPT_1H})::INTEGER) FILTER ({_USED})",
    "mean closing pressure (cmH2O)": "avg(closing_cmh2o)",
    "mean suggested PEEP (cmH2O)": "avg(suggested_cmh2o)",
    "inputs left out per trial": "avg(left_out)",
}
"""What is looked at for change over time."""


def tables_of(reviewed: Reviewed, *, options: Options, smallest: int, second_from: str = "") -> Report:
    """Every table of the report.

    Args:
        reviewed: where the rows are.
        options: what they were made with.
        smallest: groups of fewer are not shown.
        second_from: month from which on a second period is compared with the first, YYYY-MM; empty for none.
    """
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
        found = {one.name: _table(database, one, smallest) for one in _TABLES}
        lines = {kind: n for kind, n in reviewed.counts.items() if not kind.startswith(FEEDBACK)}
        found["lines"] = Table("lines", "Lines read, by resource type", "", ("resource", "n"), tuple(lines.items()))
        found["cards"] = _cards(reviewed, smallest)
        found |= {one.name: one for one in _over_time(database, smallest, coarse=options.coarse_dates)}
        if options.shift_dates:
            found |= {name: _without_month(found[name]) for name in ("answers", "trials")}
        if second_from:
            found["periods"] = _table(database, _periods(second_from), smallest)
    return Report(found, smallest, options, second_from, reviewed.failed)


def write_tables(report: Report, folder: Path) -> None:
    """Each table as CSV and as Parquet; same rows, same bytes.

    Args:
        report: the tables.
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
            for ending, form in (("csv", "csv, header"), ("parquet", "parquet")):
                database.execute(f"COPY shown TO '{folder / table.name}.{ending}' (FORMAT {form})")


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


def _table(database: duckdb.DuckDBPyConnection, asked: _Asked, smallest: int) -> Table:
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


def _without_month(table: Table) -> Table:
    """The true month beside a time that was moved would tell it."""
    place = table.columns.index("month")
    rows = tuple(row[:place] + row[place + 1 :] for row in table.rows)
    return replace(table, columns=table.columns[:place] + table.columns[place + 1 :], rows=rows)


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
    series = ", ".join(f'{sql} AS "{name}"' for name, sql in SERIES.items())
    asked = _Asked(
        "over_time",
        f"Over time, by {name}",
        f"""SELECT {since} AS since, count(*) AS n, {series} FROM trials
        GROUP BY {period} ORDER BY {period}""",  # noqa: S608
        group="n",
    )
    found = _table(database, asked, smallest)
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


def _periods(second_from: str) -> _Asked:
    return _Asked(
        "periods",
        f"Before {second_from}, and from {second_from} on",
        f"""SELECT CASE WHEN month < '{second_from}' THEN 'before' ELSE 'from then on' END AS period,
            count(*) AS trials,
            count(*) FILTER (outcome = 'suggested') AS with_number, avg(closing_cmh2o) AS mean_closing_cmh2o,
            {_USE} FROM trials GROUP BY period ORDER BY period""",  # noqa: S608
        "Two periods side by side. What differs between them may have many causes.",
        "trials",
    )
