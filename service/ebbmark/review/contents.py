"""What a report says, in order: every table with its charts and a note, what comes first, and what it does not say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from urllib.parse import quote

from markupsafe import Markup

from ebbmark import __version__
from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.review.charts import bars, funnel, funnel_limit, run_chart, runs_of, small_multiples
from ebbmark.review.model import MOST_WEEKS, Cell, Options, Report, Table, prepared
from ebbmark.review.queries import KEPT_CMH2O, ROWS_ONLY, SERIES

MOST_ROWS = 200
"""Rows of a table on the page; the file holds all."""

ORDER = (
    "overview", "replay", "cases", "engines", "engines_by_how_much", "cases_engine", "outcomes",
    "by_month", "why_no_number", "cautions", "use", "what_if",
    "what_if_by_how_much", "cases_other", "oxygenation", "cards", "over_time", "runs", "periods",
    "left_out", "lines", "listed",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Section:
    """A heading, charts, and the table that holds their numbers."""

    name: str
    title: str
    note: str
    charts: tuple[tuple[str, Markup], ...]
    said: str
    columns: tuple[str, ...]
    words: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]
    open: bool


@dataclass(frozen=True, slots=True)
class Contents:
    """All that page and PDF say, in order."""

    title: str
    folder: str
    months: str
    lead: str
    first: list[str]
    failed: int
    sections: list[Section]
    limits: list[str]
    footer: str


def contents_of(report: Report, folder: str, record: str) -> Contents:
    """Everything that page and PDF say.

    Args:
        record: base URL of the record, to which cases then link; empty for none.
    """
    shown = [report.tables[name] for name in ORDER if name in report.tables and name not in ROWS_ONLY]
    overview = {str(what): count for what, count in report.tables["overview"].rows}
    months = sorted({str(month) for month in report.tables["by_month"].column("month")})
    return Contents(
        title="Review of PEEP trials and stored answers",
        folder=folder,
        months=f"{months[0]} to {months[-1]}" if months else "no trial",
        lead=f"{overview['trials']} trials of {overview['patients with a trial']} patients; "
        f"{overview['trials with a suggested PEEP']} of them give a suggested PEEP.",
        first=list(_first(report)),
        failed=report.failed,
        sections=[_section(report, one, record) for one in shown],
        limits=list(_limits(report)),
        footer=f"Made by Ebbmark {__version__}. Counts of what was charted and of what the service would have "
        "answered; a licensed clinician decides at the bedside.",
    )


def _first(report: Report) -> Iterator[str]:
    """What a reader should know before any table."""
    replay = report.tables["replay"]
    rows = [dict(zip(replay.columns, row, strict=True)) for row in replay.rows]

    def count(*outcomes: str) -> int:
        return sum(int(row["n"] or 0) for row in rows if row["outcome"] in outcomes)

    stored = sum(int(row["n"] or 0) for row in rows)
    broken = sum(int(row["n"] or 0) for row in rows if row["signature"] in ("broken", "covers-part"))
    yield (
        f"Of {stored} stored answers {count('same', 'same-within-rounding')} follow from their inputs, of "
        f"{count('inputs-amended')} an input was amended since, {count('different', 'not-an-answer')} differ, "
        f"{count('not-replayable')} cannot be replayed here; the "
        f"signature of {broken} does not fit."
    )
    engines = report.tables["engines"]
    counted = [dict(zip(engines.columns, row, strict=True)) for row in engines.rows]
    otherwise = sum(
        _whole(row[one]) or 0 for row in counted for one in ("other_number", "number_gained", "number_lost")
    )
    compared = sum((_whole(row["n"]) or 0) - (_whole(row["not_compared"]) or 0) for row in counted)
    versions = ", ".join(str(one) for one in engines.column("engine"))
    if compared:
        yield (
            f"Of {compared} stored titrations (by version {versions}), computed again by version {__version__}, "
            f"{otherwise} would get another number, gain one, or lose it."
        )
    use = report.tables["use"]
    known = [
        (int(n), int(k)) for n, k in zip(use.column("n"), use.column("kept_1h"), strict=True) if n and k is not None
    ]
    if known:
        yield (
            f"One hour later PEEP stood within {KEPT_CMH2O:g} cmH2O of the suggestion after "
            f"{sum(k for _, k in known)} of {sum(n for n, _ in known)} trials (units large enough to be shown)."
        )
    drifted = [str(row[0]) for row in report.tables["runs"].rows if row[-1] == "changes beyond chance"]
    yield f"Changes over time beyond chance: {', '.join(drifted) or 'none found'}."
    beyond = [name for name, *_ in _beyond(report)]
    if beyond:
        yield f"Beyond the 99.8 % limits of the funnel for PEEP kept after one hour: {', '.join(beyond)}."


def _beyond(report: Report) -> Iterator[tuple[str, int, int]]:
    units = _shares(report.tables["use"], "kept_1h")
    if units:
        target = sum(k for _, k, _ in units) / sum(n for _, _, n in units)
        yield from (
            (name, k, n)
            for name, k, n in units
            if not funnel_limit(target, n, 0.001) <= k / n <= funnel_limit(target, n, 0.999)
        )


def _shares(table: Table, column: str) -> list[tuple[str, int, int]]:
    named = zip(table.column("unit"), table.column(column), table.column("n"), strict=True)
    return [(str(name), int(k), int(n)) for name, k, n in named if k is not None and n]


def _section(report: Report, table: Table, record: str) -> Section:
    charts, said = _charts(report, table)
    rows = tuple(
        tuple(_told(cell, name, record) for cell, name in zip(row, table.columns, strict=True))
        for row in table.rows[:MOST_ROWS]
    )
    notes = [table.note]
    if table.hidden:
        notes.append(f"Rows of groups too small to be shown: {table.hidden}.")
    if len(table.rows) > MOST_ROWS:
        notes.append(f"The first {MOST_ROWS} of {len(table.rows)} rows; the file holds all.")
    if table.name in ("what_if", "what_if_by_how_much", "cases_other"):
        other = prepared(report.options).other
        notes.append(
            f"Other protocol: {other.slug} version {other.version}, margin {other.margin_cmh2o:g} cmH2O, fall "
            f"{100 * other.fall:g} %; all else as that protocol has it."
        )
    return Section(
        table.name,
        table.title,
        " ".join(note for note in notes if note),
        tuple((told, Markup(chart)) for told, chart in charts),  # noqa: S704
        said,
        tuple(name.replace("_cmh2o", " (cmH2O)").replace("_min", " (min)").replace("_", " ") for name in table.columns),
        tuple(any(isinstance(row[place], str) for row in table.rows) for place in range(len(table.columns))),
        rows,
        not charts and len(rows) <= 12,
    )


def _told(cell: Cell, column: str, record: str) -> str:
    if column == "answer" and record:
        query = quote(f"{RESULT_SYSTEM}|{cell}:guidance", safe="")
        return Markup('<a href="{}">{}</a>').format(f"{record.rstrip('/')}/GuidanceResponse?identifier={query}", cell)
    return "–" if cell is None else f"{cell:.3g}" if isinstance(cell, float) else str(cell)


def _charts(report: Report, table: Table) -> tuple[list[tuple[str, str]], str]:
    """The charts of a table, each with its caption, and a sentence on what they show."""
    if table.name == "outcomes" and (units := _shares(table, "suggested")):
        return [
            ("", funnel("Share of trials that give a suggested PEEP, by unit", units))
        ], "Share with a suggested PEEP."
    if table.name == "use" and (units := _shares(table, "kept_1h")):
        beyond = ", ".join(name for name, *_ in _beyond(report)) or "no unit"
        said = f"Share with PEEP kept one hour later; beyond the 99.8 % limits: {beyond}. A unit may have its reasons."
        return [("", funnel("Share of trials after which PEEP was kept, by unit", units))], said
    if table.name == "by_month" and table.rows:
        rows = [dict(zip(table.columns, row, strict=True)) for row in table.rows]
        names = sorted({str(row["unit"]) for row in rows})
        series = [
            (
                unit,
                [
                    (str(row["month"]), _whole(row["suggested"]), _whole(row["n"]))
                    for row in rows
                    if row["unit"] == unit
                ],
            )
            for unit in names
        ]
        if not any(n for _, points in series for *_, n in points):
            return [], ""
        drawn = small_multiples("Share of trials with a suggested PEEP, by unit and month", series)
        return [("", drawn)], "Share with a suggested PEEP; months of too few trials are left open."
    if table.name == "over_time":
        return list(_run_charts(table)), "Dashed in colour: a change beyond chance by the rules below."
    if table.name in _AS_BARS and table.rows:
        named = [(": ".join(filter(None, map(_bar_name, row[:-1]))), _whole(row[-1])) for row in table.rows[:20]]
        return [("", bars(table.title, named))], ""
    return [], ""


_AS_BARS = ("why_no_number", "cautions", "left_out", "what_if_by_how_much", "engines_by_how_much")


def _bar_name(cell: Cell) -> str:
    if isinstance(cell, float):
        return f"{cell:+g} cmH2O" if cell else "the same PEEP"
    return str(cell)


def _run_charts(table: Table) -> Iterator[tuple[str, str]]:
    since = [str(one) for one in table.column("since")]
    for name in SERIES:
        points = [
            (when, float(value)) for when, value in zip(since, table.column(name), strict=True) if value is not None
        ]
        if points:
            runs = runs_of([value for _, value in points])
            yield name, run_chart(name, points, runs)


def _whole(cell: Cell) -> int | None:
    return None if cell is None else int(cell)


def _times(options: Options) -> str:
    told = "Times are given as months." if options.coarse_dates else "Times are given to the second."
    if not options.shift_dates:
        return f"{told} They are as charted."
    return (
        f"{told} In tables of single patients and answers they are moved back, by 1 to {MOST_WEEKS} whole weeks that "
        "follow from the site's key and are the same for all of one patient; counts by month and over time are of the "
        "true times."
    )


def _site_files(options: Options) -> str:
    read = {
        field.name.replace("_", " "): getattr(options.site_files, field.name) for field in fields(options.site_files)
    }
    given = [f"{name} ({what})" for what, named in read.items() for name, _ in named]
    if given:
        return f"Read, and replayed, with the built-in protocol and the files of the site: {', '.join(given)}."
    return (
        "Trials are read with the published codes and the built-in protocol: no file of the site was given, so that "
        "what is charted in its own codes only is among the inputs left out."
    )


def _limits(report: Report) -> list[str]:
    options = report.options
    return [
        "Nothing here says that one thing caused another: units differ in their patients, and who followed a "
        "suggestion differs from who did not.",
        f"Groups of fewer than {report.smallest} are not shown, and never one alone of a total."
        if report.smallest > 1
        else "Groups of any size are shown: not for passing on.",
        "Identifiers are hashed with the site's key (HMAC-SHA256)."
        if options.pseudonym_key
        else "Identifiers are those of the record: this report is about named patients of the site.",
        _times(options),
        "Funnel plots: exact binomial limits of 95 % and 99.8 %, interpolated (Spiegelhalter, Stat Med "
        "2005;24:1185-202), around the share of all units, not adjusted for the patients and not for over-dispersion.",
        "Run charts: longest run and number of crossings of the median (Anhøj and Olesen, PLoS One 2014;9:e113825), "
        "or of the mean where most points lie on the median (this project's choice); from 10 useful points on. "
        "Several series are looked at, so that one may give a signal by chance.",
        "Retrospective titration and replay are the functions that the service calls, of this version; a trial is read "
        "with what was charted within an hour of it. At most 1,000 trials of a patient are read.",
        _site_files(options),
        "Preliminary Observations count."
        if options.accept_preliminary
        else "Preliminary Observations are among the inputs left out.",
        f"PEEP within {KEPT_CMH2O:g} cmH2O of the suggestion counts as kept; a charted PEEP stands for four hours: "
        "this project's choices.",
        "What became of a card is counted from the service's log lines of feedback, where they lie in the folder; they "
        "name no patient, and a card without feedback is not among them.",
        "Patients who were merged are reviewed under the id that their data carry.",
    ]
