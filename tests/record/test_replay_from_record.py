"""`ebbmark replay --inputs record`: the inputs in the versions that the answer names, from the configured record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest
import respx

from audit.test_replay import INPUTS, STORED, TALL
from audit.test_replay import answer as made_of
from ebbmark.cli import main
from fhir_builders import at, observation, to_bytes
from record.keeping_record import BASE, KeepingRecord


@pytest.fixture
def answer(tmp_path: Path) -> str:
    (tmp_path / "answer.json").write_bytes(to_bytes(STORED))
    return str(tmp_path / "answer.json")


@pytest.fixture
def configured(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("EBBMARK_RECORD_BASE_URL", BASE)
    monkeypatch.setenv("EBBMARK_RECORD_ATTEMPTS", "1")


def test_no_record_is_told_in_one_sentence(answer: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", answer, "--inputs", "record"]) == 2
    assert capsys.readouterr().err == "No record is configured: --inputs record needs EBBMARK_RECORD_BASE_URL.\n"


@pytest.mark.usefixtures("configured")
def test_a_record_out_of_reach_is_told_in_one_sentence(
    answer: str, respx_mock: respx.MockRouter, capsys: pytest.CaptureFixture[str]
) -> None:
    respx_mock.route(url__startswith=BASE).mock(return_value=httpx.Response(401))

    assert main(["replay", answer, "--inputs", "record"]) == 5
    said = capsys.readouterr().err
    assert said.startswith("The inputs could not be read from the record: ")
    assert said.count("\n") == 1


SUPPORT: dict[str, Any] = {
    "resourceType": "Procedure",
    "id": "ecmo",
    "meta": {"versionId": "1"},
    "status": "in-progress",
    "code": {"coding": [{"system": "http://snomed.info/sct", "code": "233573008"}]},
    "subject": {"reference": "Patient/p1"},
}
REPORT: dict[str, Any] = {
    "resourceType": "DiagnosticReport",
    "id": "cxr",
    "meta": {"versionId": "1"},
    "status": "final",
    "code": {"text": "Chest radiograph"},
    "conclusionCode": [{"coding": [{"system": "http://snomed.info/sct", "code": "36118008"}]}],
    "subject": {"reference": "Patient/p1"},
}
WEIGHT = observation("http://loinc.org|29463-7", 110.0, when=at(-60), unit="kg", identity="weight", version="1")


@pytest.mark.usefixtures("configured")
@pytest.mark.parametrize("more", [[], [SUPPORT, WEIGHT, REPORT]], ids=["a trial", "with more"])
def test_the_inputs_of_the_record_give_the_same_answer(
    more: list[dict[str, Any]], tmp_path: Path, respx_mock: respx.MockRouter, capsys: pytest.CaptureFixture[str]
) -> None:
    stored = made_of(*INPUTS, *more)
    assert ("condition-extracorporeal-support" in str(stored)) is ("condition-obesity" in str(stored)) is bool(more)
    assert ("condition-untreated-pneumothorax" in str(stored)) is bool(more)
    (tmp_path / "answer.json").write_bytes(to_bytes(stored))
    holding([*INPUTS, *more]).attach(respx_mock)

    assert main(["replay", str(tmp_path / "answer.json"), "--inputs", "record"]) == 0
    assert "The inputs give the same answer." in capsys.readouterr().out


@pytest.mark.usefixtures("configured")
def test_an_input_that_the_record_holds_amended_is_named(
    answer: str, respx_mock: respx.MockRouter, capsys: pytest.CaptureFixture[str]
) -> None:
    amended = {**TALL, "meta": {"versionId": "2"}}
    holding([amended if one is TALL else one for one in INPUTS]).attach(respx_mock)

    assert main(["replay", answer, "--inputs", "record"]) == 8
    named = f"Observation/{TALL['id']} was amended since: version 1 was used, 2 is in force"
    assert named in capsys.readouterr().out


def holding(inputs: list[dict[str, Any]]) -> KeepingRecord:
    return KeepingRecord({f"{input_['resourceType']}/{input_['id']}": input_ for input_ in inputs})
