"""`ebbmark check-settings` reads every file of a site and says of each what is wrong: setting, file and element."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ebbmark.cli import main

SIGNED = {"version": "1", "signed_by": "A. Clinician", "signed_on": "2026-02-01"}
OURS = "https://ebbmark.example/fhir/CodeSystem/quantities"
GROUP = {
    "source": "urn:local",
    "target": OURS,
    "element": [{"code": "P1", "target": [{"code": "peep-sett", "equivalence": "equal"}]}],
}
BAD: dict[str, tuple[object, tuple[str, ...]]] = {
    "CODE_MAP": (
        {"resourceType": "ConceptMap", "status": "active", "group": [GROUP]},
        ("ConceptMap.group[0].element[0]", "peep-sett", "accepted: ", "peep-set"),
    ),
    "CHARTING": (
        {**SIGNED, "units": [{"system": "", "unit": "ML", "ucum": "millilitre", "source": "x"}]},
        ("units[0].ucum", "'millilitre'", "accepted: "),
    ),
    "PROTOCOLS": (
        {
            "protocols": [
                {
                    "slug": "a",
                    "version": "1",
                    "title": "A",
                    "citation": "a",
                    "rules": {"fall": {"value": 0.9, "source": "x"}},
                }
            ]
        },
        ("protocols[0].rules.fall.value is 0.9", "accepted: a number from 0.01 to 0.3"),
    ),
    "STOP_LIMITS": (
        {**SIGNED, "limits": {"spo2": {"value": 88, "source": "x"}}},
        ("'spo2'", "accepted: ", "spo2_below_percent"),
    ),
    "VALUE_SETS": (
        {"resourceType": "ValueSet", "url": "urn:x/ValueSet/odd", "status": "active"},
        ("ValueSet.url", "one of: ", "'urn:x/ValueSet/odd'"),
    ),
    "MESSAGES": ("[", ("EBBMARK_MESSAGES",)),
}
STAIRCASE = {"slug": "s", "version": "1", "title": "S", "citation": "s", "marker": "colour"}


def put(folder: Path, setting: str, content: object, monkeypatch: pytest.MonkeyPatch) -> Path:
    file = folder / f"{setting.lower()}.json"
    file.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    monkeypatch.setenv(f"EBBMARK_{setting}", str(file))
    return file


def test_each_bad_file_of_a_site_is_named_with_its_element_and_what_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    files = {name: put(tmp_path, name, content, monkeypatch) for name, (content, _) in BAD.items()}

    assert main(["check-settings"]) == 2

    lines = capsys.readouterr().err.splitlines()
    for name, (_, told) in BAD.items():
        (line,) = [line for line in lines if line.startswith(f"EBBMARK_{name}: {files[name].name}")]
        assert all(one in line for one in told), line
    assert len(lines) == len(BAD)


def test_a_staircase_that_cannot_be_used_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, "PROTOCOLS", {"staircases": [STAIRCASE]}, monkeypatch)

    assert main(["check-settings"]) == 2
    assert "protocols.json: staircases[0].marker is 'colour'; accepted: " in capsys.readouterr().err


def test_a_charting_table_may_name_a_code_that_the_code_map_makes_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    known = {**GROUP, "element": [{"code": "P1", "target": [{"code": "peep-set", "equivalence": "equal"}]}]}
    put(tmp_path, "CODE_MAP", {"resourceType": "ConceptMap", "status": "active", "group": [known]}, monkeypatch)
    numbers = [{"system": "urn:local", "code": "P1", "ucum": "cm[H2O]", "source": "x"}]
    put(tmp_path, "CHARTING", {**SIGNED, "numbers": numbers}, monkeypatch)

    assert main(["check-settings"]) == 0
    assert "named by 2 settings" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"RECORD_BASE_URL": "http://record.example/fhir"}, "EBBMARK_RECORD_BASE_URL"),
        ({"RECORD_BASE_URL": "record.example/fhir"}, "EBBMARK_RECORD_BASE_URL"),
        ({"SIGN_RESULTS": "true"}, "EBBMARK_SIGN"),
        ({"HOST": "0.0.0.0"}, "EBBMARK_ISSUERS"),  # noqa: S104 - refused
        (
            {"RECORD_BASE_URL": "https://record.example/fhir", "RECORD_TOKEN": "t", "RECORD_CLIENT_ID": "c"},
            "EBBMARK_RECORD_",
        ),
    ],
)
def test_what_would_stop_the_start_is_told(
    given: dict[str, str], told: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, value in given.items():
        monkeypatch.setenv(f"EBBMARK_{name}", value)

    assert main(["check-settings"]) == 2
    assert told in capsys.readouterr().err


def test_a_setting_that_cannot_be_read_does_not_hide_the_faults_of_the_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, "CHARTING", BAD["CHARTING"][0], monkeypatch)
    monkeypatch.setenv("EBBMARK_PORT", "many")

    assert main(["check-settings"]) == 2
    told = capsys.readouterr().err
    assert "EBBMARK_PORT" in told
    assert "EBBMARK_CHARTING: charting.json: units[0].ucum" in told


def mapped(
    code: str, target: str, equivalence: str = "equal", status: str = "active", source: str = "urn:local"
) -> object:
    element = {"code": code, "target": [{"code": target, "equivalence": equivalence}]}
    group = {"source": source, "target": OURS, "element": [element]}
    return {"resourceType": "ConceptMap", "status": status, "group": [group]}


NUMBERS = [{"system": "http://loinc.org", "code": "20077-4", "ucum": "mL", "source": "x"}]


@pytest.mark.parametrize(
    ("setting", "content", "code", "told"),
    [
        (
            "CODE_MAP",
            mapped("P1", "peep-set", "same"),
            2,
            "The equivalence 'same' is none of FHIR R4; accepted: disjoint",
        ),
        ("CODE_MAP", mapped("P1", "peep-set", status="retired"), 2, "status retired"),
        ("CHARTING", {**SIGNED, "numbers": NUMBERS}, 2, "numbers[0].ucum: peep-set is not read in mL"),
        (
            "CODE_MAP",
            mapped("20077-4", "plateau-pressure", source="http://loinc.org"),
            0,
            "EBBMARK_CODE_MAP: http://loinc.org|20077-4",
        ),
        ("CHARTING", {**SIGNED, "signed_on": "2999-01-01"}, 0, "charting.json: signed_on lies ahead (2999-01-01)"),
        ("STOP_LIMITS", {**SIGNED, "limits": {}}, 0, "no limit is set: nothing is checked"),
    ],
)
def test_what_a_person_should_look_at_is_told(
    setting: str,
    content: object,
    code: int,
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    put(tmp_path, setting, content, monkeypatch)

    assert main(["check-settings"]) == code
    assert told in capsys.readouterr().err
