"""The report: tables made by SQL over the Parquet of all parts, as files, as one self-contained page and as a PDF.

Groups that are too small are hidden. Counts and shares only: nothing here says that one thing caused another. The page
follows light, dark and print; on paper colours are those of light.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import fields, replace
from importlib.resources import files
from pathlib import Path

import duckdb
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from ebbmark.review.charts import hidden, runs_of
from ebbmark.review.contents import Section, contents_of
from ebbmark.review.model import Cell, Options, Report, Reviewed, Table
from ebbmark.review.queries import COLUMNS, OF_SINGLE, QUERIES, ROWS_ONLY, SERIES, Query, periods_query, series_query
from ebbmark.review.shards import FEEDBACK
from ebbmark.views.drawing import LIGHT
from ebbmark.views.sheet import settable, typeset

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


ROWS_ON_PAPER = 40

LONGEST_WORD = 16

CHARACTERS_ACROSS = 105
"""Of the type that tables are set in, on a line of A4."""

BREAK = "\u200b"
"""A place at which a line may be broken, without width."""


def page_of(report: Report, *, folder: str, style: str, record: str = "") -> str:
    """The whole page, without a link to anything else.

    Args:
        record: base URL of the record, to which cases then link; empty for none.
    """
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(
        (files("ebbmark.review") / "page.html").read_text(encoding="utf-8")
    )
    contents = contents_of(report, folder, record)
    said = {field.name: getattr(contents, field.name) for field in fields(contents)}
    return template.render(style=Markup(style), **said)  # noqa: S704


def pdf_of(report: Report, *, folder: str) -> bytes:
    """The same as PDF on A4, no type below 9 pt; of each table the first rows. The same report gives the same bytes."""
    contents = contents_of(report, folder, "")
    shown = {
        "title": contents.title,
        "folder": settable(contents.folder),
        "months": contents.months,
        "lead": contents.lead,
        "first": [settable(one) for one in contents.first],
        "failed": contents.failed,
        "sections": [_section_on_paper(section) for section in contents.sections],
        "limits": [settable(limit) for limit in contents.limits],
        "footer": contents.footer,
    }
    return typeset((files("ebbmark.review") / "report.typ").read_bytes(), shown, written_s=0)


def _on_paper(chart: str) -> str:
    """A chart with colours in place of roles."""

    def paint(found: re.Match[str]) -> str:
        return f'{"fill" if found[1] == "fill" else "stroke"}="{getattr(LIGHT, found[2])}"'

    drawn = re.sub(r'class="(fill|line)-([a-z]+)"', paint, chart)
    return drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" font-family="Libertinus Serif" ', 1)


def _section_on_paper(section: Section) -> dict[str, object]:
    heads = [settable(head) for head in section.columns]
    rows = [
        [_breakable(settable(_in_short(*cell))) for cell in zip(row, heads, strict=True)]
        for row in section.rows[:ROWS_ON_PAPER]
    ]
    return {
        "title": settable(section.title),
        "note": settable(section.note),
        "said": settable(section.said),
        "charts": [{"told": told, "svg": _on_paper(chart)} for told, chart in section.charts],
        "heads": heads,
        "widths": _widths([heads, *rows]),
        "words": section.words,
        "rows": rows,
        "more": max(len(section.rows) - ROWS_ON_PAPER, 0),
        "file": f"{section.name}.csv",
    }


def _in_short(cell: str, head: str) -> str:
    """A cell as it stands on paper: an answer by the first digits of its identity, as on its own sheet."""
    if head == "answer":
        return cell[:16]
    return cell.replace("T", " ").removesuffix("Z") if head == "ended" else cell


def _breakable(text: str) -> str:
    """The same, so that no word needs more than a narrow column."""
    words = [re.sub(r"(?<=[._/:])(?=\S)", BREAK, one) if len(one) > LONGEST_WORD else one for one in text.split(" ")]
    return re.sub(
        rf"[^ {BREAK}-]{{{LONGEST_WORD + 1},}}",
        lambda word: BREAK.join(re.findall(rf".{{1,{LONGEST_WORD}}}", word[0])),
        " ".join(words),
    )


def _widths(rows: list[list[str]]) -> list[float] | None:
    """Share of each column in the width: its longest word, and of what is left more where texts are long.

    None where every column has room for its longest text.
    """
    columns = list(zip(*rows, strict=True))
    longest = [max(len(cell) for cell in column) for column in columns]
    if sum(longest) + 2 * len(columns) < CHARACTERS_ACROSS:
        return None
    least = [2 + max(len(one) for cell in column for one in re.split(rf"[ {BREAK}-]", cell)) for column in columns]
    spare = max(CHARACTERS_ACROSS - sum(least), 0) / sum(longest)
    return [one + spare * text for one, text in zip(least, longest, strict=True)]
