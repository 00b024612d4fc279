"""`ebbmark replay`: an auditor with files and without a network."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from audit.test_replay import INPUTS, STORED
from ebbmark.audit.signature import sign
from ebbmark.cli import main
from ebbmark.keys import KeyFault, new_key_set, public_key_set, read_key_ring
from fhir_builders import bundle, parameters, to_bytes


@pytest.fixture
def files(tmp_path: Path) -> Path:
    ring = read_key_ring([to_bytes(new_key_set("ES384"))])
    assert not isinstance(ring, KeyFault)
    (tmp_path / "keys.json").write_bytes(to_bytes(public_key_set(ring)))
    (tmp_path / "answer.json").write_bytes(to_bytes(sign(STORED, key=ring.keys[0])))
    (tmp_path / "inputs.json").write_bytes(to_bytes(bundle(*INPUTS)))
    (tmp_path / "request.json").write_bytes(to_bytes(parameters(bundle=bundle(*INPUTS))))
    return tmp_path


def ran(files: Path, answer: str = "answer.json", inputs: str = "inputs.json", *more: str) -> int:
    return main(["replay", str(files / answer), "--inputs", str(files / inputs), *more])


@pytest.mark.parametrize("inputs", ["inputs.json", "request.json"])
def test_the_same_answer_ends_well(files: Path, inputs: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(files, "answer.json", inputs, "--keys", str(files / "keys.json")) == 0
    assert "The inputs give the same answer." in (said := capsys.readouterr().out)
    assert "The signature is valid." in said


def test_without_keys_no_signature_is_believed(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(files) == 0
    assert "a key that is not among those given" in capsys.readouterr().out


def test_a_tampered_answer_ends_with_what_is_wrong(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (files / "answer.json").read_text().replace('"value": 59.7', '"value": 69.7')
    (files / "answer.json").write_text(text)

    assert ran(files, "answer.json", "inputs.json", "--keys", str(files / "keys.json")) == 6
    said = capsys.readouterr().out
    assert "predicted-body-weight.valueQuantity.value: stored is 69.7, the inputs give 59.7." in said
    assert "The signature does not fit: this answer was changed after it was signed." in said


def test_with_keys_a_signature_that_is_missing_or_by_another_key_ends_badly_and_is_said_first(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    others = read_key_ring([to_bytes(new_key_set("ES384"))])
    assert not isinstance(others, KeyFault)
    (files / "foreign.json").write_bytes(to_bytes(public_key_set(others)))
    (files / "unsigned.json").write_bytes(to_bytes(STORED))

    for answer, keys, first in (
        ("answer.json", "foreign.json", "The signature was made with a key that is not among those given."),
        ("unsigned.json", "keys.json", "The answer carries no signature: nothing shows whether it was changed."),
    ):
        assert ran(files, answer, "inputs.json", "--keys", str(files / keys)) == 6
        assert capsys.readouterr().out.startswith(first)


def test_the_findings_come_as_fhir_too(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(files, "answer.json", "inputs.json", "--format", "fhir") == 0
    assert json.loads(capsys.readouterr().out)["parameter"][0] == {"name": "same", "valueBoolean": True}


@pytest.mark.parametrize(
    ("answer", "inputs", "code"), [("keys.json", "inputs.json", 5), ("inputs.json", "inputs.json", 5)]
)
def test_files_that_are_no_answer_are_refused(files: Path, answer: str, inputs: str, code: int) -> None:
    assert ran(files, answer, inputs) == code


def test_a_file_that_is_no_json_is_refused(files: Path) -> None:
    (files / "broken.json").write_text("{")

    assert ran(files, "broken.json") == 4
    assert ran(files, "answer.json", "broken.json") == 4
    assert ran(files, "answer.json", "inputs.json", "--keys", str(files / "broken.json")) == 4
