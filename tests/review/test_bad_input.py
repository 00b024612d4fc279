"""Bad input is said and not silently lost: every line is used, or listed with its file and place."""

from __future__ import annotations

import gzip
import os
import resource
import shutil
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
import zstandard

from audit.read_back import read_back
from audit.test_signature import PATIENT as OF_ANSWER
from audit.test_signature import PUBLISHED_JSON, signed
from ebbmark.cli import main
from ebbmark.fhir.naming import WRITTEN_TYPES, AcceptedWrites
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.supersession import superseded
from ebbmark.physiology.after.trials import trials_of_record
from ebbmark.review import patients, shards
from ebbmark.review.command import NOTHING
from ebbmark.review.model import Options, Reviewed
from ebbmark.review.patients import rows_of_part
from ebbmark.review.run import _sizes_of, run
from ebbmark.review.shards import MOST_CHUNKS, MOST_PARTS, Shards, chunks_of, join, lines_of, scatter
from ebbmark.use_cases.questions import answer_request
from fhir_builders import at, bundle, height, observation, parameters, patient, to_bytes, trial_observations
from record.test_embedded import Narrow, write
from review.conftest import Year

PATIENT = b'{"resourceType":"Patient","id":"a","meta":{"versionId":"1"}}'


def scattered(folder: Path, name: str, content: bytes) -> Shards:
    (folder / "in").mkdir(exist_ok=True, parents=True)
    (folder / "in" / name).write_bytes(content)
    (chunk,) = chunks_of(folder / "in")
    return scatter(chunk, str(folder / "work"), 4)


def told(found: Shards) -> list[tuple[int, str]]:
    return [(one.place, one.why) for one in found.listed]


def test_a_line_that_is_cut_is_listed_with_its_place_and_the_others_are_read(tmp_path: Path) -> None:
    found = scattered(tmp_path, "a.ndjson", PATIENT + b"\n" + PATIENT[:20] + b"\n" + PATIENT + b"\n" + PATIENT[:-3])

    cut, last = len(PATIENT) + 1, 2 * (len(PATIENT) + 1) + 21
    assert told(found) == [(cut, "no whole JSON"), (last, "no whole JSON")]
    assert found.counts == {"Patient": 2}


def test_another_encoding_is_listed_and_a_mark_of_utf8_is_no_fault(tmp_path: Path) -> None:
    latin = '{"resourceType":"Patient","id":"ü"}'.encode("latin-1")
    utf16 = '{"resourceType":"Patient","id":"b"}'.encode("utf-16-le")

    found = scattered(tmp_path, "a.ndjson", b"\xef\xbb\xbf" + PATIENT + b"\r\n" + latin + b"\n" + utf16 + b"\n")

    assert [why for _, why in told(found)] == ["not UTF-8", "no whole JSON"]
    assert found.counts == {"Patient": 1}


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (b"1e309", "a number beyond what can be held"),
        (b"-1" + b"0" * 309, "a number beyond what can be held"),
        (b'"\xff"', "not UTF-8"),
        (b'"\\ud800"', "no whole JSON"),
        (b"NaN", "no whole JSON"),
        (b"[" * 101 + b"]" * 101, "nested too deeply"),
        (b"[" * 5000 + b"]" * 5000, "nested too deeply"),
        (b'{"a":1,"a":2}', "a key twice in one object"),
    ],
    ids=lambda one: one[:16].decode("latin-1") if isinstance(one, bytes) else "",
)
@pytest.mark.parametrize("kind", ["Observation", "Device"])
def test_an_element_that_stops_a_reader_costs_its_line_alone(tmp_path: Path, kind: str, value: bytes, why: str) -> None:
    line = b'{"resourceType":"%s","id":"o","subject":{"reference":"Patient/a"},"note":%s}' % (kind.encode(), value)

    found = scattered(tmp_path, "a.ndjson", line + b"\n" + PATIENT)

    assert (told(found), found.counts) == ([(0, why)], {"Patient": 1})


def test_a_resource_that_cannot_be_decoded_costs_no_other_patient_of_the_part() -> None:
    lines = [b'b\t{"resourceType":"Observation","id":"o","valueQuantity":{"value":1e309}}', *held_by("c", *WHOLE)]

    rows = rows_of_part(lines, [b'{"resourceType":"Device","note":1e309}'], Options())

    assert (len(rows.trials), [one["why"] for one in rows.listed]) == (1, ["not in the shape of FHIR"])


def test_a_line_that_is_too_long_is_passed_over_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shards, "LONGEST_LINE", 1000)

    found = scattered(tmp_path, "a.ndjson", b"x" * 50_000 + b"\n" + PATIENT + b"\n" + b"y" * 1001)

    assert [place for place, _ in told(found)] == [0, 50_002 + len(PATIENT)]
    assert found.counts == {"Patient": 1}


def test_lines_that_are_more_than_may_be_held_are_written_in_runs_and_none_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = [PATIENT.replace(b'"a"', f'"p{number}"'.encode()) for number in range(40)]
    whole = scattered(tmp_path / "whole", "a.ndjson", b"\n".join(lines))
    monkeypatch.setattr(shards, "HELD_BYTES", 300)

    runs = scattered(tmp_path / "runs", "a.ndjson", b"\n".join(lines))

    assert max(len(slices) for slices in runs.slices.values()) > 1
    assert {name: list(lines_of(slices)) for name, slices in runs.slices.items()} == {
        name: list(lines_of(slices)) for name, slices in whole.slices.items()
    }


def test_parts_and_chunks_stay_few_enough_to_be_led_however_much_there_is(tmp_path: Path) -> None:
    with (tmp_path / "a.ndjson").open("wb") as file:
        file.truncate(300_000_000_000)  # a hole, that takes no place

    parts, chunk_bytes = _sizes_of(tmp_path, tmp_path)

    assert parts == MOST_PARTS
    assert len(chunks_of(tmp_path, chunk_bytes)) <= MOST_CHUNKS + 1


@pytest.mark.parametrize("size", [40, 61, 62, 100, 1000])
def test_wherever_a_file_is_cut_into_chunks_every_line_is_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    monkeypatch.setattr(shards, "CHUNK_BYTES", size)
    lines = [PATIENT.replace(b'"a"', f'"p{number}"'.encode()) for number in range(12)]
    (tmp_path / "a.ndjson").write_bytes(b"\n".join(lines))

    found = [scatter(one, str(tmp_path / "work"), 4) for one in chunks_of(tmp_path)]

    kept = [line for one in found for slices in one.slices.values() for line in lines_of(slices)]
    assert sorted(line.partition(b"\t")[2] for line in kept) == sorted(lines)


@pytest.mark.parametrize(("name", "pack"), [("a.ndjson.gz", gzip.compress), ("a.ndjson.zst", zstandard.compress)])
def test_a_packed_file_is_read_and_one_that_is_cut_is_listed(
    tmp_path: Path, name: str, pack: Callable[[bytes], bytes]
) -> None:
    packed = pack(b"\n".join([PATIENT] * 3))

    assert scattered(tmp_path, name, pack(PATIENT + b"\n") + packed).counts == {"Patient": 4}
    assert "cannot be read to its end" in scattered(tmp_path, name, packed[: len(packed) - 9]).listed[-1].why


def test_what_is_of_no_patient_and_of_no_answer_is_listed(tmp_path: Path) -> None:
    other = b'{"resourceType":"Medication","id":"m"}\n{"event":"other"}\n[]\n{"resourceType":"Observation","id":"o"}'

    assert [why for _, why in told(scattered(tmp_path, "a.ndjson", other))] == [
        "of no patient",
        "no resource of FHIR",
        "no JSON object of FHIR",
        "of no patient",
    ]


def test_a_provenance_finds_its_patient_by_any_result_where_the_record_keeps_no_guidance_response(
    tmp_path: Path,
) -> None:
    held = [one for _, one in read_back(signed(), OF_ANSWER) if one["resourceType"] in {"Observation", "Provenance"}]
    found = scattered(tmp_path, "a.ndjson", b"\n".join(msgspec.json.encode(one) for one in held))
    shares = {kind: [one for name in found.slices if kind in name for one in found.slices[name]] for kind in KINDS}

    joined = join(0, shares["pairs"], shares["orphans"], str(tmp_path / "work"), 4)

    assert len([*lines_of(shares["pairs"])]) == 1
    assert joined.listed == []
    (line,) = [line for slices in joined.slices.values() for line in lines_of(slices)]
    assert line.startswith(OF_ANSWER.rpartition("/")[2].encode() + b"\t")


KINDS = ("pairs", "orphans")


def test_a_resource_that_came_twice_counts_once_and_two_contents_under_one_version_count_not_at_all() -> None:
    row = b'{"resourceType":"Observation","id":"o","meta":{"versionId":"1"},"status":"final"}'
    other = row.replace(b"final", b"amended")
    spaced = row.replace(b",", b", ")

    def listed(*lines: bytes) -> Counter[object]:
        return Counter(one["why"] for one in rows_of_part([b"a\t" + line for line in lines], [], Options()).listed)

    assert listed(row, row) == {"sent twice, used once": 1}
    assert listed(row, other) == {"two contents under one version, neither used": 2}
    assert listed(row, spaced) == {}


def test_a_version_that_comes_later_in_the_files_may_be_the_earlier_one(year: Year) -> None:
    lines = [
        line for path in year.record.glob("*.ndjson") for line in path.read_bytes().splitlines() if b"p0000000" in line
    ]
    keyed = [b"p0000000\t" + line for line in lines]

    assert rows_of_part(keyed, [], Options()) == rows_of_part(keyed[::-1], [], Options())


def test_what_changed_is_made_again_and_nothing_else(year: Year, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    for name, kind in (("Patient", b"Patient"), ("Encounter", b"Encounter")):
        lines = b"".join(path.read_bytes() for path in sorted(year.record.glob(f"{name}.*")))
        assert kind in lines
        (folder / f"{name}.ndjson").write_bytes(lines)
    first = run(folder, tmp_path / "work", options=Options(), start=lambda: ThreadPoolExecutor(1))
    (folder / "more.ndjson").write_bytes(PATIENT + b"\n")

    second = run(folder, tmp_path / "work", options=Options(), start=lambda: ThreadPoolExecutor(1))

    assert first.made > 2
    assert second.made == 1


class _Breaking(ThreadPoolExecutor):
    """An executor like a process pool whose worker is killed: everything not yet done breaks."""

    kills = 0

    def submit(self, function, /, *arguments, **named):  # type: ignore[no-untyped-def] # noqa: ANN001, ANN002, ANN003, ANN202
        if function.__name__ == "review_part" and _Breaking.kills > 0:
            _Breaking.kills -= 1

            def killed() -> None:
                raise BrokenProcessPool

            return super().submit(killed)
        return super().submit(function, *arguments, **named)


def broken(folder: Path, work: Path, kills: int) -> Reviewed:
    _Breaking.kills = kills
    return run(folder, work, options=Options(), start=lambda: _Breaking(1))


def test_after_a_worker_was_killed_nothing_is_missing_and_nothing_double(few: Path, tmp_path: Path) -> None:
    whole = run(few, tmp_path / "whole", options=Options(), start=lambda: ThreadPoolExecutor(1))

    found = broken(few, tmp_path / "work", 2)

    assert found.failed == 0
    assert [Path(folder).name for folder in found.folders] == [Path(folder).name for folder in whole.folders]


def test_a_part_that_kills_every_worker_is_given_up_and_listed_and_the_next_run_makes_it(
    few: Path, tmp_path: Path
) -> None:
    found = broken(few, tmp_path, 1000)

    assert found.folders == ()
    assert {one.why for one in found.listed} == {"given up: BrokenProcessPool"}
    assert broken(few, tmp_path, 0).failed == 0


def on_a_full_disk(folder: Path, work: Path) -> Reviewed:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, hard))  # no file grows beyond it, as on a disk that is full
    try:
        return run(folder, work, options=Options(), start=lambda: ThreadPoolExecutor(1))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_run_that_had_to_give_up_leaves_what_an_earlier_one_made(few: Path, tmp_path: Path) -> None:
    whole = run(few, tmp_path, options=Options(), start=lambda: ThreadPoolExecutor(1))
    shutil.rmtree(tmp_path / "shards")

    cut = on_a_full_disk(few, tmp_path)

    assert cut.failed > 0
    assert all(Path(folder).exists() for folder in whole.folders)


def test_what_a_full_disk_does_not_take_is_listed_and_the_next_run_makes_it(few: Path, tmp_path: Path) -> None:
    whole = run(few, tmp_path / "whole", options=Options(), start=lambda: ThreadPoolExecutor(1))

    cut = on_a_full_disk(few, tmp_path / "work")

    again = run(few, tmp_path / "work", options=Options(), start=lambda: ThreadPoolExecutor(1))

    assert cut.failed > 0
    assert {one.why for one in cut.listed} == {"given up: OSError, File too large"}
    assert again.failed == 0
    assert [Path(folder).name for folder in again.folders] == [Path(folder).name for folder in whole.folders]


def test_a_patient_who_was_merged_into_another_is_listed_and_reviewed_once() -> None:
    merged = {**patient(), "link": [{"type": "replaced-by", "other": {"reference": "Patient/kept"}}]}

    rows = rows_of_part(held_by("old", merged, height(), *trial_observations()), [], Options())

    assert [one["why"] for one in rows.listed] == ["marked as replaced by another, reviewed under its own id"]
    assert [trial["patient"] for trial in rows.trials] == ["old"]


def _die(_: object) -> None:
    os._exit(9)


def test_a_process_that_dies_is_what_the_executor_calls_broken() -> None:
    executor: Executor
    with ProcessPoolExecutor(1) as executor:
        assert isinstance(executor.submit(_die, None).exception(), BrokenProcessPool)


def test_feedback_of_cards_is_counted_by_outcome_and_reason(tmp_path: Path) -> None:
    lines = [{"event": "cds-feedback", "outcome": "overridden", "reason": "other-peep-chosen"}] * 2

    found = scattered(tmp_path, "log.ndjson", b"\n".join(map(msgspec.json.encode, lines)))

    assert found.counts == {"cds-feedback|overridden|other-peep-chosen": 2}


def held_by(name: str, *resources: dict[str, object]) -> list[bytes]:
    return [name.encode() + b"\t" + msgspec.json.encode({**one, "meta": {"versionId": "1"}}) for one in resources]


WHOLE = (patient(), height(), *trial_observations())


def test_a_patient_with_peep_and_no_trial_costs_no_other_patient_of_the_part() -> None:
    one_peep = observation("peep-set", 8.0, when=at(1))

    rows = rows_of_part([*held_by("b", patient(), height(), one_peep), *held_by("c", *WHOLE)], [], Options())

    assert (len(rows.trials), rows.listed) == (1, [])


@pytest.mark.parametrize("types", [{"Observation"}, {"Observation", "Device"}, set(WRITTEN_TYPES)], ids=len)
def test_an_answer_of_which_parts_are_carried_inside_a_result_is_replayed_as_any_other(types: set[str]) -> None:
    record = Narrow(accepts=AcceptedWrites(frozenset(types)))
    asked = to_bytes(parameters(bundle=bundle(*({**one, "meta": {"versionId": "1"}} for one in WHOLE))))
    write(record, answer_request(TITRATE_PEEP, asked, RequestContext(datetime.fromisoformat(at(90)).timestamp())))
    held = [msgspec.json.encode(result) for result in record.results().values()]
    software = [one for one in held if b'"resourceType":"Device"' in one]
    inputs = held_by("a", *WHOLE)

    rows = rows_of_part([*inputs, *[b"a\t" + one for one in held if one not in software]], software, Options())

    (row,) = rows.answers
    assert (row["operation"], row["where_first"]) == ("titrate-peep", "")
    assert "same" in str(row["outcome"])


def test_the_signature_of_an_answer_that_was_superseded_holds() -> None:
    marked = [msgspec.json.encode(superseded(one, "f" * 64)) for _, one in read_back(signed(), OF_ANSWER)]
    software = [one for one in marked if b'"resourceType":"Device"' in one]

    rows = rows_of_part(
        [b"a\t" + one for one in marked if one not in software], software, Options(published_keys=PUBLISHED_JSON)
    )

    assert [row["signature"] for row in rows.answers] == ["valid"]


def test_a_signature_is_not_called_broken_where_the_export_holds_no_device() -> None:
    held = [msgspec.json.encode(one) for _, one in read_back(signed(), OF_ANSWER)]
    patients = [b"a\t" + one for one in held if b'"resourceType":"Device"' not in one]

    rows = rows_of_part(patients, [], Options(published_keys=PUBLISHED_JSON))

    assert [row["signature"] for row in rows.answers] == ["device-missing"]


def test_an_input_in_no_shape_of_fhir_is_listed_and_costs_no_answer() -> None:
    answers = [b"a\t" + msgspec.json.encode(one) for _, one in read_back(signed(), OF_ANSWER)]
    odd = b'a\t{"resourceType":"Observation","id":"odd","status":{},"subject":{"reference":"Patient/a"}}'

    rows = rows_of_part([*answers, odd], [], Options())

    assert [one["why"] for one in rows.listed] == ["not in the shape of FHIR, no answer replayed from it"]
    assert [row["outcome"] for row in rows.answers] != ["not-an-answer"]


def test_more_trials_of_a_patient_than_are_reviewed_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patients, "MOST_TRIALS", 1)

    rows = rows_of_part(held_by("a", *WHOLE), [], Options())

    assert [one["why"] for one in rows.listed] == ["more trials than the latest 1, which alone are reviewed"]


def test_rows_under_codes_that_nobody_mapped_are_counted_as_left_out() -> None:
    local = [
        {**trial_observation, "code": {"coding": [{"system": "https://ward.example", "code": "local"}]}}
        for trial_observation in trial_observations()
    ]

    rows = rows_of_part([*held_by("a", patient(), height(), *local)], [], Options())

    assert rows.trials == []
    assert [(row["reason"], row["inputs"]) for row in rows.left_out] == [("unknown-code", len(local))]


@pytest.mark.parametrize("content", [b"", b"{cut", b'{"resourceType":"Patient","id":"a"}'])
def test_a_folder_with_nothing_to_review_is_told_and_is_no_success(
    content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ndjson").write_bytes(content)

    assert main(["review", str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--workers", "1"]) == NOTHING

    told = capsys.readouterr().err
    assert ("no line that can be read" if content[:2] != b'{"' else "no stored answer and no trial") in told


def test_what_one_patients_data_do_to_the_reader_is_listed_and_the_others_are_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fails_once(*given: Any, **named: Any) -> Any:  # noqa: ANN401
        monkeypatch.setattr(patients, "trials_of_record", trials_of_record)
        raise ValueError("invented")

    monkeypatch.setattr(patients, "trials_of_record", fails_once)

    rows = rows_of_part([*held_by("b", *WHOLE), *held_by("c", *WHOLE)], [], Options())

    assert [one["why"] for one in rows.listed] == ["a patient who cannot be read (ValueError)"]
    assert len(rows.trials) == 1


@pytest.mark.parametrize("name", ["p1\\tx", "x\\np1\\t{}", "", "a b"])
def test_a_name_that_would_move_a_line_to_another_patient_is_none(tmp_path: Path, name: str) -> None:
    line = f'{{"resourceType":"Observation","id":"o","subject":{{"reference":"Patient/{name}"}}}}'

    found = scattered(tmp_path, "a.ndjson", line.encode())

    assert found.slices == {}
    assert len(found.listed) == 1


def test_a_type_that_a_spreadsheet_would_compute_is_no_resource(tmp_path: Path) -> None:
    found = scattered(tmp_path, "a.ndjson", b'{"resourceType":"=1+1","id":"o","subject":{"reference":"Patient/p"}}')

    assert told(found) == [(0, "no resource of FHIR")]
    assert found.counts == {}
