"""Two commands: `export` fetches a record in bulk, `review` reports on it."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from ebbmark.fhir.reading.site_file import SiteFileError
from ebbmark.fhir.times import instant
from ebbmark.site_files import files_of

if TYPE_CHECKING:
    from ebbmark.review.bulk_export import Exported


DONE, USAGE, INCOMPLETE, NOTHING = 0, 2, 9, 10
"""Exit codes; INCOMPLETE: a report was written, and some of the work had to be given up; NOTHING: there was nothing to
report on."""
SEAT = 24
_SITE_FILES = {
    "code_map": "ConceptMap of its codes, or a folder with some",
    "charting": "its signed charting table",
    "protocols": "its protocols",
    "stop_limits": "its signed stop limits",
    "value_sets": "ValueSets of its codes of conditions, or a folder with some",
    "messages": "its sentences in another language",
}
OTHER_MARGIN_CMH2O = 3.0
"""Of the other protocol where nothing else was asked for. This project's choice."""


def add_commands(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    *,
    style: Callable[[], str],
    to_instant: Callable[[str], float],
    export: Callable[..., Exported | None],
) -> None:
    """Add both to the command line.

    Args:
        to_instant: reads an instant with a zone [s since 1970-01-01T00:00:00Z].
        export: fetches the configured record, as `bulk_export`; None where it did not, and why was said.
    """
    exported = commands.add_parser(
        "export",
        help="fetch the record in bulk as NDJSON, for a review",
        description="Asks the configured record (settings: EBBMARK_RECORD_...) for a bulk export (HL7 FHIR Bulk Data "
        "Access), waits as long as it wishes, and fetches its files into FOLDER. Begun again, it goes on where it "
        "ended. Guard FOLDER as the record itself.",
        epilog="Exit codes: 0 the export is whole; 9 it is not, begin again; 2 wrong usage.",
    )
    exported.add_argument("folder", metavar="FOLDER", type=Path)
    exported.add_argument("--group", default="", metavar="ID", help="only the patients of this Group")
    exported.add_argument("--since", type=to_instant, metavar="INSTANT", help="only what changed since then")
    exported.add_argument(
        "--files-under", action="append", default=[], metavar="URL", help="a further address below which files may lie"
    )
    exported.add_argument("--most-hours", type=float, default=24.0, help="longest time to wait for the files")
    exported.set_defaults(run=lambda chosen: _export(chosen, export))

    review = commands.add_parser(
        "review",
        help="report on a folder of NDJSON: replay, trials, use, data quality, change over time",
        description="Replays every stored answer, titrates every trial in the data, and writes a page and its tables. "
        "Reads .ndjson, .ndjson.gz and .ndjson.zst. Begun again, it makes only what is missing or changed. "
        "Needs the extra: pip install 'ebbmark[review]'.",
        epilog="Exit codes: 0 done; 9 a report was written, but some parts had to be given up; 10 one was "
        "written, on a folder without a stored answer and without a trial; 2 wrong usage.",
    )
    review.add_argument("folder", metavar="FOLDER", type=Path)
    review.add_argument("--out", type=Path, required=True, metavar="REPORT", help="folder for the page and its tables")
    review.add_argument("--work", type=Path, help="folder kept between runs; default: REPORT/work")
    review.add_argument("--workers", type=int, default=2, help="processes on this machine; default: 2")
    review.add_argument("--scheduler", metavar="ADDRESS", help="of a Dask cluster that sees the same files")
    review.add_argument("--keys", type=Path, metavar="FILE", help="published keys, to check signatures with")
    for name, what in _SITE_FILES.items():
        review.add_argument(f"--{name.replace('_', '-')}", type=Path, metavar="FILE", help=f"of the site: {what}")
    review.add_argument(
        "--accept-preliminary", action="store_true", help="count preliminary Observations, as the service was set to"
    )
    review.add_argument(
        "--other-protocol", default="", metavar="NAME", help="of --protocols: what if trials were read by it"
    )
    review.add_argument(
        "--margin", type=float, help="of the other protocol [cmH2O]; default: 3, or that of --other-protocol"
    )
    review.add_argument(
        "--fall", type=float, help="of compliance, of the other protocol [%%]; default: as the protocol has it"
    )
    review.add_argument(
        "--second-from", default="", metavar="YYYY-MM", help="compare the time before with that from then on"
    )
    review.add_argument("--smallest-group", type=int, default=5, help="smaller groups are not shown; default: 5")
    review.add_argument("--pseudonym-key", type=Path, metavar="FILE", help="hash identifiers with what this file holds")
    review.add_argument("--coarse-dates", action="store_true", help="give months in place of times")
    review.add_argument(
        "--shift-dates",
        action="store_true",
        help="move the times of each patient back by 1 to 52 whole weeks that follow from --pseudonym-key",
    )
    review.add_argument(
        "--without-cases", action="store_true", help="leave out every table that names single patients or answers"
    )
    review.add_argument("--record", default="", metavar="URL", help="base of the record, to which cases then link")
    review.set_defaults(run=lambda chosen: _review(chosen, style))


def _export(chosen: argparse.Namespace, export: Callable[..., Exported | None]) -> int:
    if not re.fullmatch(r"[A-Za-z0-9.-]{0,64}", chosen.group):
        print("--group takes the id of a Group.", file=sys.stderr)
        return USAGE
    found = export(
        chosen.folder,
        group=chosen.group,
        since=instant(chosen.since) if chosen.since is not None else "",
        elsewhere=chosen.files_under,
        longest_s=3600.0 * chosen.most_hours,
        on_progress=_bar,
    )
    if found is None:
        return INCOMPLETE
    for kind, lines in found.lines.items():
        print(f"{lines:>10}  {kind}")
    kept = f", {found.kept} of them from an earlier run" if found.kept else ""
    print(f"{found.files} files in {chosen.folder}{kept}; the record as of {found.as_of or 'no named instant'}.")
    if found.missing:
        print(f"Of these there is no file: {', '.join(found.missing)}.")
    if found.reported:
        print(f"The record reports {found.reported} faults of its own: see outcome-*.ndjson.")
    if found.left:
        print(f"The files of the export may still lie at the record, which did not delete them: {found.left}.")
    if found.deleted:
        print(f"{found.deleted} files that list deleted resources were not fetched; a review does not know deletions.")
    return DONE


def _review(chosen: argparse.Namespace, style: Callable[[], str]) -> int:
    try:
        import duckdb

        from ebbmark.review.model import Options, prepared
        from ebbmark.review.report import page_of, pdf_of, tables_of, write_tables
        from ebbmark.review.run import dask_cluster, process_pool, run
    except ModuleNotFoundError as missing:
        print(f"{missing.name} is not installed: pip install 'ebbmark[review]'", file=sys.stderr)
        return USAGE
    wrong = _wrong(chosen)
    if wrong:
        print(wrong, file=sys.stderr)
        return USAGE
    usual = None if chosen.other_protocol else OTHER_MARGIN_CMH2O
    options = Options(
        margin_cmh2o=usual if chosen.margin is None else chosen.margin,
        fall=None if chosen.fall is None else chosen.fall / 100,
        pseudonym_key=chosen.pseudonym_key.read_bytes() if chosen.pseudonym_key else b"",
        coarse_dates=chosen.coarse_dates,
        shift_dates=chosen.shift_dates,
        accept_preliminary=chosen.accept_preliminary,
        published_keys=chosen.keys.read_bytes() if chosen.keys else b"",
        other_protocol=chosen.other_protocol,
    )
    try:
        options = replace(options, site_files=files_of(**{name: getattr(chosen, name) for name in _SITE_FILES}))
        prepared(options)
    except SiteFileError as fault:
        print(_as_options(f"{str(fault).rstrip('.')}."), file=sys.stderr)
        return USAGE
    start = dask_cluster(chosen.scheduler) if chosen.scheduler else process_pool(chosen.workers)
    try:
        reviewed = run(
            chosen.folder, chosen.work or chosen.out / "work", options=options, start=start, on_progress=_bar
        )
        tables = chosen.out / "tables"
        for path in (*tables.glob("*.csv"), *tables.glob("*.parquet")):
            path.unlink()  # of an earlier report, which may have named more
        report = tables_of(
            reviewed,
            options=options,
            smallest=chosen.smallest_group,
            second_from=chosen.second_from,
            rows_into=tables,
            cases=not chosen.without_cases,
        )
        write_tables(report, tables)
        (chosen.out / "views.json").write_bytes((files("ebbmark.review") / "views.json").read_bytes())
        page = chosen.out / "report.html"
        text = page_of(report, folder=chosen.folder.resolve().name, style=style(), record=chosen.record)
        page.write_text(text, encoding="utf-8")
        (chosen.out / "report.pdf").write_bytes(pdf_of(report, folder=chosen.folder.resolve().name))
    except (OSError, duckdb.IOException) as error:  # a full disk, above all
        print(f"The report could not be written: {error}. What was made is kept: begin again.", file=sys.stderr)
        return INCOMPLETE
    for what, count in report.tables["overview"].rows:
        print(f"{count:>10}  {what}")
    parts = f"{reviewed.made} of {len(reviewed.folders)} parts were made."
    print(f"{page}, report.pdf and {len([*tables.glob('*.csv')])} tables beside it; {parts}")
    if reviewed.failed:
        print(f"{reviewed.failed} pieces of the work were given up: see the page.", file=sys.stderr)
        return INCOMPLETE
    counts = {row[0]: row[1] for row in report.tables["overview"].rows}
    if not counts["trials"] and not counts["stored answers"]:
        told = "no stored answer and no trial" if reviewed.counts else "no line that can be read"
        hint = " Codes of the site's own need --code-map." if reviewed.counts else ""
        print(f"Nothing was reviewed: {chosen.folder} holds {told}.{hint}", file=sys.stderr)
        return NOTHING
    return DONE


def _as_options(fault: str) -> str:
    """A fault with the name of the option in place of that of the service's setting."""
    return re.sub(r"^EBBMARK_([A-Z_]+)", lambda found: "--" + found[1].lower().replace("_", "-"), fault)


def _wrong(chosen: argparse.Namespace) -> str:
    """Why this cannot be done; empty where it can."""
    if not chosen.folder.is_dir():
        return f"{chosen.folder} is no folder."
    margin, fall = chosen.margin, chosen.fall
    if (margin is not None and not 0 < margin <= 10) or (fall is not None and not 1 <= fall <= 30):
        return "--margin takes 0 to 10 cmH2O, --fall 1 to 30 %."
    for file in (chosen.keys, chosen.pseudonym_key):
        if file is not None and not file.is_file():
            return f"{file} cannot be read."
    if chosen.shift_dates and (chosen.pseudonym_key is None or not chosen.pseudonym_key.read_bytes().strip()):
        return "--shift-dates takes a --pseudonym-key, from which the shift follows."
    if chosen.record and not chosen.record.startswith(("https://", "http://")):
        return "--record takes an address that begins with https:// or http://."
    if chosen.second_from:
        try:
            datetime.strptime(chosen.second_from, "%Y-%m")  # noqa: DTZ007
        except ValueError:
            return "--second-from takes a month: YYYY-MM."
    return ""


_STEPS = {"scatter": "sort lines", "join": "join", "review_part": "review", "polls": "asked the record"}


def _bar(step: str, done: int, total: int) -> None:
    """A progress bar, where somebody looks on; a count where the total, 0, is not known."""
    if sys.stderr.isatty() and not total:
        print(f"\r{_STEPS.get(step, step)}: {done}", end="", file=sys.stderr, flush=True)
    elif sys.stderr.isatty():
        filled = SEAT * done // max(total, 1)
        end = "\n" if done == total else ""
        bar = f"{'█' * filled}{'░' * (SEAT - filled)}"
        print(f"\r{_STEPS.get(step, step):<12}{bar} {done}/{total}", end=end, file=sys.stderr, flush=True)
