"""What a review counts against the truth that lies beside a simulated year."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import duckdb
import msgspec

from audit.read_back import read_back
from ebbmark import __version__
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.normal_form import kind_of
from ebbmark.review.model import Options, Report, Reviewed
from ebbmark.review.report import tables_of
from ebbmark.review.run import run
from ebbmark.use_cases.replay_exchange import read_inputs
from review.conftest import Year, one_thread


def counted(reviewed: Reviewed, table: str, column: str) -> dict[object, int]:
    files = [f"{folder}/{table}.parquet" for folder in reviewed.folders]
    found = duckdb.read_parquet(files).aggregate(f"{column}, count(*)")
    return dict(found.fetchall())


def test_every_trial_is_found_once_and_every_stored_answer_replayed_once(reviewed: Reviewed, year: Year) -> None:
    trials = sum(len(one.trials) for one in year.truth)

    assert sum(counted(reviewed, "trials", "outcome").values()) == trials
    assert counted(reviewed, "trials", "stored")[True] == year.fates("same", "amended", "tampered", "signature-broken")


def test_replay_tells_what_was_done_to_each_answer(reviewed: Reviewed, year: Year) -> None:
    outcomes, signatures = counted(reviewed, "answers", "outcome"), counted(reviewed, "answers", "signature")

    assert outcomes.get("same", 0) == year.fates("same", "signature-broken")
    assert outcomes.get("inputs-amended", 0) == year.fates("amended")
    assert outcomes.get("different", 0) == year.fates("tampered")
    assert signatures.get("broken", 0) == year.fates("tampered", "signature-broken")
    assert signatures.get("valid", 0) == year.fates("same", "amended")


def test_peep_an_hour_and_a_day_later_is_what_was_set(reviewed: Reviewed, year: Year) -> None:
    files = [f"{folder}/trials.parquet" for folder in reviewed.folders]
    found = duckdb.execute("SELECT peep_1h_cmh2o, peep_24h_cmh2o FROM read_parquet($files)", {"files": files})

    truth = [(trial.set_after_cmh2o, trial.next_day_cmh2o) for one in year.truth for trial in one.trials]
    assert sorted(found.fetchall()) == sorted(truth)


def test_a_trial_without_a_height_is_refused_and_counted(reviewed: Reviewed, year: Year) -> None:
    without = sum(len(one.trials) for one in year.truth if not one.height)

    assert counted(reviewed, "trials", "outcome").get("refused", 0) == without


def test_the_retrospective_titration_suggests_what_the_stored_answer_suggests(reviewed: Reviewed, year: Year) -> None:
    files = [f"{folder}/trials.parquet" for folder in reviewed.folders]
    found = duckdb.execute(
        "SELECT patient, ended, suggested_cmh2o FROM read_parquet($files) WHERE stored", {"files": files}
    )

    suggested = {(patient, ended): peep for patient, ended, peep in found.fetchall()}
    truth = {
        (one.patient, instant(trial.end_s)): trial.suggested_cmh2o
        for one in year.truth
        for trial in one.trials
        if trial.fate not in ("", "amended")
    }
    assert len(truth) > 3
    assert {key: suggested[key] for key in truth} == truth


def test_another_margin_moves_every_suggestion_by_as_much(report: Report) -> None:
    moved = report.tables["what_if_by_how_much"]

    assert moved.column("difference_cmh2o") == [2.0]


def test_a_second_run_makes_nothing_again(year: Year, options: Options, work: Path, reviewed: Reviewed) -> None:
    again = run(year.record, work, options=options, start=one_thread)

    assert reviewed.made == len(reviewed.folders) > 0
    assert (again.made, again.folders) == (0, reviewed.folders)


def test_this_version_gives_every_stored_titration_its_own_number_again(report: Report, year: Year) -> None:
    engines = report.tables["engines"]
    (row,) = [dict(zip(engines.columns, row, strict=True)) for row in engines.rows]

    assert row["engine"] == __version__
    assert row["same_number"] == year.fates("same", "amended")
    assert row["not_compared"] == year.fates("tampered", "signature-broken")
    assert (report.tables["cases_engine"].rows, row["other_closing"]) == ((), 0)


def test_a_number_that_an_earlier_version_gave_stands_beside_what_this_one_gives(tmp_path: Path) -> None:
    tests = Path(__file__).parents[1]
    given = read_inputs((tests.parent / "fixtures" / "clear-closing" / "request.json").read_bytes()).resources
    kept = (tests / "audit" / "data" / "0.2.0" / "clear-closing.json").read_bytes()
    answer = read_back(msgspec.json.decode(kept), patient_of(given))
    (suggested,) = [one for _, one in answer if kind_of(one) == "suggested-peep"]
    suggested["valueQuantity"]["value"] -= 1.5  # as if that version had used another margin
    lines = [msgspec.json.encode(one) for _, one in (*answer, *given)]
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "all.ndjson").write_bytes(b"\n".join(lines))

    reviewed = run(tmp_path / "record", tmp_path / "work", options=Options(), start=one_thread)

    tables = tables_of(reviewed, options=Options(), smallest=1).tables
    (row,) = [dict(zip(tables["engines"].columns, row, strict=True)) for row in tables["engines"].rows]
    assert (row["engine"], row["n"], row["other_number"], row["same_number"]) == ("0.2.0", 1, 1, 0)
    assert tables["engines_by_how_much"].rows == (("0.2.0", 1.5, 1),)
    assert tables["cases_engine"].column("now_cmh2o") == [suggested["valueQuantity"]["value"] + 1.5]


def patient_of(resources: Iterable[tuple[str, Mapping[str, object]]]) -> str:
    (who,) = [one["id"] for _, one in resources if one["resourceType"] == "Patient"]
    return f"Patient/{who}"
