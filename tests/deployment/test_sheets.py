"""The threat model, the hazard log and the other sheets lead to tests and pages that are there."""

from __future__ import annotations

import re
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHEETS = [ROOT / "SECURITY.md", *(ROOT / "deploy" / "guide" / f"{name}.md" for name in ("hazards", "data-protection"))]
SHEETS += [ROOT / "deploy" / "guide" / f"{name}.md" for name in ("runbook", "upgrade", "installing", "connect")]


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.stem)
def test_what_a_sheet_names_is_there(sheet: Path) -> None:
    text = sheet.read_text(encoding="utf-8")
    named = re.findall(r"`((?:tests|deploy)/[\w./-]+)(?:\*\.py)?`", text)
    linked: list[str] = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text)

    assert [one for one in named if not (ROOT / one).exists() and not list(ROOT.glob(f"{one}*"))] == []
    assert [one for one in linked if not (sheet.parent / one).exists()] == []


@pytest.mark.parametrize("sheet", SHEETS[:2], ids=lambda sheet: sheet.stem)
def test_every_row_of_the_threat_model_and_the_hazard_log_names_a_test(sheet: Path) -> None:
    rows = [line for line in sheet.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    rows = [line for line in rows if not re.match(r"\| (threat|#) ", line)]

    assert rows
    assert [row for row in rows if not re.search(r"`(tests|deploy|fixtures)/|SECURITY\.md", row)] == []


def test_the_address_of_a_record_is_not_taken_from_what_maven_says_in_colour() -> None:
    spec = spec_from_file_location("in_record", ROOT / "deploy" / "in_record.py")
    assert spec is not None
    assert spec.loader is not None
    in_record = module_from_spec(spec)
    spec.loader.exec_module(in_record)

    assert in_record.RECORD_AT.search("Downloading from central: \x1b[34mhttp://repository.example/a.pom\n") is None
    assert in_record.RECORD_AT.search("\x1b[34mhttp://repository.example/\x1b[m\n") is None
    assert in_record.RECORD_AT.search("\x1b[0m\x1b[0mhttp://127.0.0.1:40123/fhir\n")[1] == "http://127.0.0.1:40123/fhir"
    found = in_record.RECORD_AT.search("http://127.0.0.1:40123/fhir\n")
    assert found is not None
    assert found[1] == "http://127.0.0.1:40123/fhir"
