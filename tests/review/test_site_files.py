"""A site's own files in a review: read in every worker for trials and for replay; what its other protocol changes."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest
from fixtures.hospital import recorded_answer

from ebbmark.cli import main
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.review.model import Cell, Options, Prepared, prepared
from ebbmark.review.patients import Rows, rows_of_part
from ebbmark.review.report import tables_of
from ebbmark.review.run import run
from ebbmark.site_files import NO_FILES, SiteFiles, codes_of, files_of, use_messages
from ebbmark.words.messages import ENGLISH
from fhir_builders import LOINC, Json, height, observation, patient, trial_observations
from review.conftest import one_thread

WHY = "ward meeting of 2026-01-15"
CHARTING = {
    "version": "1",
    "signed_by": "Dr A. Invented",
    "signed_on": "2026-02-01",
    "time_zone": {"name": "Europe/Vienna", "source": WHY},
    "texts": [{"text": "PEEP set", "means": "peep-set", "source": WHY}],
}
PROTOCOLS = {
    "protocols": [
        {
            "slug": "our-margin",
            "version": "1",
            "title": "Ours",
            "citation": "Ward meeting",
            "rules": {"margin_cmh2o": {"value": 4, "source": WHY}},
        },
        {
            "slug": "long-trials",
            "version": "1",
            "title": "Ours",
            "citation": "Ward meeting",
            "rules": {"minimum_steps": {"value": 12, "source": WHY}},
        },
    ]
}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> SiteFiles:
    folder = tmp_path_factory.mktemp("site")
    for name, content in (("charting", CHARTING), ("protocols", PROTOCOLS)):
        (folder / f"{name}.json").write_text(json.dumps(content))
    return files_of(charting=folder / "charting.json", protocols=folder / "protocols.json")


def as_charted_here() -> list[Json]:
    """A trial whose PEEP has a text and no code, and whose times have no zone; an hour after it a last value."""
    told = json.dumps([patient(), height(), *trial_observations()])
    resources: list[Json] = json.loads(told.replace("+01:00", ""))
    for resource in resources:
        if "20077-4" in json.dumps(resource):
            resource["code"] = {"text": "PEEP set"}
        resource["meta"] = {"versionId": "1"}
    return resources


def reviewed(site: SiteFiles, *resources: Json, other: str = "") -> Rows:
    lines = [b"p1\t" + msgspec.json.encode(resource) for resource in resources if resource["resourceType"] != "Device"]
    shared = [msgspec.json.encode(resource) for resource in resources if resource["resourceType"] == "Device"]
    return rows_of_part(lines, shared, Options(site_files=site, other_protocol=other))


@pytest.fixture(scope="module")
def charted(files: SiteFiles) -> list[Json]:
    """The trial, and the answer that the service gave under the site's files."""
    inputs = as_charted_here()
    context = RequestContext(1772355600.0 + 86400.0, code_map=codes_of(files))
    stored, suggested = recorded_answer("p1", inputs, context, None)
    assert suggested is not None
    return [*inputs, *stored]


def test_what_a_site_charts_in_its_own_way_is_read_and_its_answers_are_replayed(
    files: SiteFiles, charted: list[Json]
) -> None:
    with_files, without = reviewed(files, *charted), reviewed(NO_FILES, *charted)

    assert [(trial["outcome"], trial["stored"]) for trial in with_files.trials] == [("suggested", True)]
    assert [answer["outcome"] for answer in with_files.answers] == ["same"], with_files.answers
    assert without.trials == []
    assert [answer["outcome"] for answer in without.answers] == ["not-replayable"]


def test_an_answer_in_the_language_of_the_site_is_replayed_with_its_file(tmp_path: Path) -> None:
    spoken = json.dumps("Vosi: " + ENGLISH["titration.suggested"])  # a TOML string, too
    (tmp_path / "ours.toml").write_text(f"[titration]\nsuggested = {spoken}\n")
    ours = files_of(messages=tmp_path / "ours.toml")
    inputs = [{**one, "meta": {"versionId": "1"}} for one in (patient(), height(), *trial_observations())]
    use_messages(ours)
    stored, _ = recorded_answer("p1", inputs, RequestContext(1772355600.0 + 86400.0), None)

    with_file, without = reviewed(ours, *inputs, *stored), reviewed(NO_FILES, *inputs, *stored)

    assert "Vosi: " in json.dumps(stored)
    assert [one["outcome"] for one in (*with_file.answers, *without.answers)] == ["same", "different"]


def test_preliminary_observations_count_where_they_did() -> None:
    inputs = [{**trial_observation, "status": "preliminary"} for trial_observation in trial_observations()]
    lines = [
        b"p1\t" + msgspec.json.encode({**one, "meta": {"versionId": "1"}}) for one in (patient(), height(), *inputs)
    ]

    strict, lenient = (rows_of_part(lines, [], Options(accept_preliminary=one)) for one in (False, True))

    assert (len(strict.trials), [trial["outcome"] for trial in lenient.trials]) == (0, ["suggested"])


def test_another_protocol_of_the_site_moves_the_number_or_reads_no_trial(files: SiteFiles, charted: list[Json]) -> None:
    (moved,) = reviewed(files, *charted, other="our-margin").trials
    (none,) = reviewed(files, *charted, other="long-trials").trials

    assert (moved["suggested_cmh2o"], moved["other_suggested_cmh2o"]) == (14.0, 16.0)
    assert (none["suggested_cmh2o"], none["other_outcome"], none["other_suggested_cmh2o"]) == (14.0, "refused", None)


def test_a_height_and_a_sex_of_long_ago_hold_for_the_trial_whatever_their_code() -> None:
    tall = observation(f"{LOINC}|3137-7", 168.0, when="2020-05-01", identity="h", version="1", unit="cm")

    (found,) = reviewed(NO_FILES, patient(), tall, *trial_observations()).trials

    assert found["outcome"] == "suggested"


def test_the_parts_are_made_again_when_a_file_of_the_site_changed(
    files: SiteFiles, charted: list[Json], tmp_path: Path
) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "all.ndjson").write_bytes(b"\n".join(msgspec.json.encode(one) for one in charted))

    def once(options: Options) -> tuple[int, list[Cell]]:
        found = run(tmp_path / "in", tmp_path / "work", options=options, start=one_thread)
        return found.made, tables_of(found, options=options, smallest=1).tables["replay"].column("outcome")

    assert once(Options()) == (1, ["not-replayable"])
    assert once(Options(site_files=files)) == (1, ["same"])
    assert once(Options(site_files=files)) == (0, ["same"])


def test_margin_and_fall_are_those_of_the_other_protocol_unless_they_are_asked_for(files: SiteFiles) -> None:
    def other(**asked: float) -> tuple[float, float]:
        found: Prepared = prepared(Options(site_files=files, other_protocol="our-margin", **asked))  # type: ignore[arg-type]
        return found.other.margin_cmh2o, found.other.fall

    assert other() == (4, 0.05)
    assert other(margin_cmh2o=2.5, fall=0.1) == (2.5, 0.1)


def test_a_file_that_cannot_be_used_and_a_protocol_that_is_not_there_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["review", str(tmp_path), "--out", str(tmp_path / "out")]
    (tmp_path / "limits.json").write_text("{}")

    assert main([*command, "--other-protocol", "theirs"]) == 2
    assert main([*command, "--charting", str(tmp_path / "none.json")]) == 2
    assert main([*command, "--stop-limits", str(tmp_path / "limits.json")]) == 2
    told = capsys.readouterr().err.splitlines()
    assert told[0] == "There is no protocol 'theirs'; accepted: compliance-closing."
    assert told[1].startswith(f"--charting: {tmp_path / 'none.json'} cannot be read")
    assert told[2].startswith("--stop-limits: limits.json: version is missing; accepted: text")
    assert not (tmp_path / "out").exists()
