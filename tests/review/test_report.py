"""The page: whole in itself, every figure with its table, and hidden what is to be hidden."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import duckdb
import msgspec
import pytest
from pypdf import PdfReader

from ebbmark.cli import main
from ebbmark.physiology.after.trials import trials_of_record
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity
from ebbmark.review.model import MOST_WEEKS, WEEK_S, Options, Report, Reviewed, Table, without_ids
from ebbmark.review.patients import set_after_trial
from ebbmark.review.report import CHARACTERS_ACROSS, _breakable, _widths, page_of, pdf_of, tables_of, write_tables
from ebbmark.review.run import run
from review.conftest import Year, one_thread
from trials import START_S, STEP_S, reading, staircase_down


@pytest.fixture(scope="module")
def page(report: Report) -> str:
    return page_of(report, folder="record", style="p { color: black }")


def test_the_page_loads_nothing_and_runs_nothing(page: str) -> None:
    assert not re.search(r"<script|<link|<img|<iframe|src=|@import|url\(", page)
    assert re.findall(r'href="([^"]+)"', page) == []


def test_every_figure_has_a_title_and_stands_with_its_table(page: str) -> None:
    sections = page.split("<section>")[1:-1]

    assert any("<svg" in section for section in sections)
    assert all("<table" in section for section in sections)
    assert all('role="img" aria-label="' in one for one in re.findall(r"<svg[^>]*>", page))


def test_the_page_says_what_it_does_not_say(page: str) -> None:
    assert "Nothing here says that one thing caused another" in page
    assert "not for passing on" in page


def test_a_name_with_markup_stays_a_name(report: Report) -> None:
    unit = "<script>alert(1)</script>"
    outcomes = report.tables["outcomes"]
    rows = tuple((unit, *row[1:]) for row in outcomes.rows)
    named = replace(report, tables={**report.tables, "outcomes": replace(outcomes, rows=rows)})

    assert "<script" not in page_of(named, folder="a<b", style="")


@pytest.fixture(scope="module")
def paper(report: Report) -> PdfReader:
    return PdfReader(io.BytesIO(pdf_of(report, folder="record")))


def test_on_paper_no_type_is_smaller_than_9_points_also_in_charts(page: str, paper: PdfReader) -> None:
    sizes: set[float] = set()
    for sheet in paper.pages:
        sheet.extract_text(
            visitor_text=lambda text, _, matrix, __, size: sizes.add(abs(matrix[3]) * size if text.strip() else 99)
        )

    assert min(sizes) >= 8.99
    across_pt = 180 / 25.4 * 72  # A4 less its margins, to which a chart is scaled
    charts = re.findall(r'<svg[^>]*viewBox="0 0 ([\d.]+) [^>]*font-size="([\d.]+)"', page)
    assert len(charts) > 5
    assert all(float(size) * across_pt / float(width) >= 9 for width, size in charts)


def test_on_paper_nothing_of_a_table_is_cut_and_the_sheets_are_numbered(report: Report, paper: PdfReader) -> None:
    text = "".join("".join(page.extract_text().split()).replace("\u200b", "") for page in paper.pages)

    for name in ("outcomes", "by_month", "runs", "cases_other", "use"):
        for row in report.tables[name].rows[:40]:
            for cell in (one for one in row if isinstance(one, str)):
                shown = cell.replace("T", "").removesuffix("Z") if cell.startswith("2025-") else cell
                assert "".join(shown.split()) in text, (name, cell)
    for row in report.tables["cases"].rows[:40]:
        assert str(row[-1])[:16] in text
    assert "Nothing here says that one thing caused another" in " ".join(
        paper.pages[number].extract_text().replace("\n", " ") for number in (-2, -1)
    )
    assert f"page1of{len(paper.pages)}" in text
    assert 3 <= len(paper.pages) <= 12


def test_every_column_on_paper_has_room_for_its_longest_word() -> None:
    words = ["a" * 64, "predicted-body-weight.component.valueQuantity.value", "2025-02-14 07:14:48", "inputs-amended"]
    widths = _widths([["head"] * 8, [_breakable(one) for one in words * 2]])

    assert widths is not None
    for place, word in enumerate(words * 2):
        longest = max(len(one) for one in re.split("[\u200b -]", _breakable(word)))
        assert widths[place] / sum(widths) * CHARACTERS_ACROSS >= min(longest, 12)


def test_the_same_report_gives_the_same_paper(report: Report) -> None:
    assert pdf_of(report, folder="record") == pdf_of(report, folder="record")


def test_cases_link_to_the_answer_in_the_record(report: Report) -> None:
    page = page_of(report, folder="record", style="", record="https://record.example/fhir/")

    assert 'href="https://record.example/fhir/GuidanceResponse?identifier=https%3A%2F%2F' in page


def test_without_cases_no_patient_and_no_answer_is_named(reviewed: Reviewed, options: Options, tmp_path: Path) -> None:
    passed_on = tables_of(reviewed, options=options, smallest=1, rows_into=tmp_path, cases=False)
    write_tables(passed_on, tmp_path)

    assert "p0000" not in page_of(passed_on, folder="record", style="")
    assert (tmp_path / "use.csv").exists()
    assert not any("p0000" in file.read_text() for file in tmp_path.glob("*.csv"))


def test_rows_that_nobody_holds_are_written_as_they_are_in_the_report(
    reviewed: Reviewed, options: Options, report: Report, tmp_path: Path
) -> None:
    streamed = tables_of(reviewed, options=options, smallest=1, rows_into=tmp_path)

    for name in ("answers", "trials", "listed_lines"):
        assert name not in streamed.tables
        found = duckdb.read_parquet(str(tmp_path / f"{name}.parquet"))
        assert (tuple(found.columns), found.fetchall()) == (report.tables[name].columns, list(report.tables[name].rows))


def passed_on(record: Path, folder: Path, **asked: object) -> tuple[Report, str]:
    """The report, and all text of its page and tables."""
    options = Options(**asked)  # type: ignore[arg-type]
    reviewed = run(record, folder / "work", options=options, start=one_thread)
    report = tables_of(reviewed, options=options, smallest=1)
    write_tables(report, folder / "tables")
    told = [file.read_text() for file in sorted((folder / "tables").glob("*.csv"))]
    return report, "\n".join([page_of(report, folder="record", style=""), *told])


def test_one_key_gives_one_name_another_key_others_and_no_id_of_the_record_stays(few: Path, tmp_path: Path) -> None:
    (one, told), (again, _), (other, _) = [
        passed_on(few, tmp_path / str(number), pseudonym_key=key) for number, key in enumerate((b"a", b"a", b"b"))
    ]
    names = [set(found.tables["trials"].column("patient")) for found in (one, again, other)]

    ids = {msgspec.json.decode(line)["id"] for file in few.glob("*.ndjson") for line in file.read_bytes().splitlines()}
    assert len(names[0]) > 1
    assert names[0] == names[1]
    assert not names[0] & names[2]
    assert len(ids) > 100
    assert not [identity for identity in ids if identity in told and identity != "software"]
    assert "p0000" not in told


def test_coarse_dates_leave_no_day_and_no_time_anywhere(few: Path, tmp_path: Path) -> None:
    exact, coarse = (passed_on(few, tmp_path / str(one), coarse_dates=one)[1] for one in (False, True))

    a_day = re.compile(r"\b20\d\d-\d\d-\d\d|\b\d\d:\d\d:\d\d")
    assert a_day.search(exact)
    assert a_day.findall(coarse) == []


def test_shifted_dates_keep_what_lies_between_them_and_are_of_no_use_without_the_key(few: Path, tmp_path: Path) -> None:
    (plain, _), (one, _), (other, _) = [
        passed_on(few, tmp_path / key.decode(), pseudonym_key=key, shift_dates=shifted)
        for key, shifted in ((b"a", False), (b"b", True), (b"c", True))
    ]

    def ended(report: Report) -> list[list[float]]:
        """Of each patient, in an order that no name decides."""
        trials = report.tables["trials"]
        by_patient: dict[object, list[float]] = {}
        for patient, at in zip(trials.column("patient"), trials.column("ended"), strict=True):
            by_patient.setdefault(patient, []).append(datetime.fromisoformat(str(at)).timestamp())
        return sorted(by_patient.values(), key=lambda times: (len(times), times[-1] - times[0], times[0] % WEEK_S))

    pairs = zip(ended(plain), ended(one), strict=True)
    moved = [[before - after for before, after in zip(*both, strict=True)] for both in pairs]
    assert all(len({round(each) for each in times}) == 1 for times in moved)
    assert all(times[0] % WEEK_S == 0 and 1 <= times[0] / WEEK_S <= MOST_WEEKS for times in moved)
    assert ended(one) != ended(other)
    assert "month" not in one.tables["trials"].columns + one.tables["answers"].columns
    for name in ("by_month", "over_time", "use", "outcomes"):
        assert one.tables[name] == plain.tables[name]


def test_a_finding_names_no_resource_of_the_record_where_identifiers_are_hashed() -> None:
    tampered = Options(pseudonym_key=b"a")

    assert without_ids("Observation/p0000001-7/_history/2", tampered) == "Observation/..."
    assert without_ids("Observation/p0000001-7/_history/2", Options()) == "Observation/p0000001-7/_history/2"


def test_a_unit_with_few_trials_is_named_without_its_numbers(reviewed: Reviewed, options: Options) -> None:
    shown = tables_of(reviewed, options=options, smallest=1).tables["outcomes"]
    hidden = tables_of(reviewed, options=options, smallest=4).tables["outcomes"]

    sizes = dict(zip(shown.column("unit"), shown.column("n"), strict=True))
    few = {unit for unit, n in sizes.items() if isinstance(n, int) and n < 4}
    assert few
    assert all(row[1:] == (None,) * (len(row) - 1) for row in hidden.rows if row[0] in few)


def test_tables_are_written_as_csv_and_as_parquet_with_the_same_rows(report: Report, tmp_path: Path) -> None:
    write_tables(report, tmp_path)

    for name in ("trials", "use", "listed"):
        columns, rows = report.tables[name].columns, report.tables[name].rows
        found = duckdb.read_parquet(str(tmp_path / f"{name}.parquet"))
        assert (tuple(found.columns), [tuple(row) for row in found.fetchall()]) == (columns, list(rows))
        assert (tmp_path / f"{name}.csv").read_text().splitlines()[0] == ",".join(columns)


def test_two_periods_add_up_to_the_whole(report: Report) -> None:
    periods: Table = report.tables["periods"]

    whole = sum(n for n in report.tables["outcomes"].column("n") if isinstance(n, int))
    assert sum(n for n in periods.column("trials") if isinstance(n, int)) == whole


def test_a_report_that_cannot_be_written_is_told_in_a_sentence(
    year: Year, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")

    assert main(["review", str(year.record), "--out", str(tmp_path / "file")]) == 9
    assert capsys.readouterr().err.startswith("The report could not be written: ")


def test_wrong_usage_is_told_in_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = ["--out", str(tmp_path / "out")]

    assert main(["review", str(tmp_path / "none"), *out]) == 2
    assert main(["review", str(tmp_path), *out, "--margin", "40"]) == 2
    assert main(["review", str(tmp_path), *out, "--second-from", "May"]) == 2
    assert main(["review", str(tmp_path), *out, "--shift-dates"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"{tmp_path / 'none'} is no folder.",
        "--margin takes 0 to 10 cmH2O, --fall 1 to 30 %.",
        "--second-from takes a month: YYYY-MM.",
        "--shift-dates takes a --pseudonym-key, from which the shift follows.",
    ]


def test_the_overview_counts_the_signatures_that_do_not_fit(report: Report) -> None:
    told = report.tables["overview"]
    overview = dict(zip(told.column("what"), told.column("n"), strict=True))
    signatures = report.tables["answers"].column("signature")

    counted = overview["stored answers whose signature does not fit, or covers a part only"]
    assert counted == sum(signature in ("broken", "covers-part") for signature in signatures) > 0


def test_a_level_that_stood_before_the_trials_end_was_not_set_after_it() -> None:
    end_s = START_S + 8 * STEP_S
    limb = staircase_down(
        (20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0), (38.0, 40.0, 41.0, 42.0, 41.5, 36.0, 31.0, 27.0)
    )
    record = [*limb, *(reading(Quantity.PEEP_SET, 12.0, end_s + after_s, 90) for after_s in (60.0, 1200.0))]
    (trial,) = trials_of_record(record, DEFAULT_PROTOCOL).trials
    lowest = trial.steps[-1]
    late = replace(trial, steps=(*trial.steps[:-1], replace(lowest, end_s=end_s + 120.0)))

    minutes = (end_s + 60.0 - lowest.end_s) / 60
    assert set_after_trial(record, trial)["set_after_min"] == round(minutes, 1) > 0
    assert set_after_trial(record, late)["set_after_min"] is None
