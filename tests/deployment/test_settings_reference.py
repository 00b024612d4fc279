"""The reference of settings is what the settings class says, and says which are secret."""

from __future__ import annotations

import json

import jsonschema
import pytest
from guide.settings import FILE, reference, schemas

from ebbmark.settings import PREFIX, Settings


def test_the_page_is_what_the_class_says_today() -> None:
    assert FILE.read_text(encoding="utf-8") == reference(), "run python deploy/guide/settings.py"


def test_the_schema_of_each_file_of_a_site_is_what_the_reader_accepts_today() -> None:
    for place, text in schemas().items():
        jsonschema.Draft202012Validator.check_schema(json.loads(text))
        assert place.read_text(encoding="utf-8") == text, "run python deploy/guide/settings.py"


def test_a_schema_refuses_what_the_reader_refuses() -> None:
    (limits,) = [json.loads(text) for place, text in schemas().items() if place.name.startswith("stop-limits")]
    signed = {"version": "1", "signed_by": "A. Clinician", "signed_on": "2026-02-01"}

    jsonschema.validate({**signed, "limits": {"leak_share": {"value": 0.2, "source": "unit"}}}, limits)
    with pytest.raises(jsonschema.ValidationError, match="leak"):
        jsonschema.validate({**signed, "limits": {"leak": {"value": 0.2, "source": "unit"}}}, limits)


def test_every_setting_is_there_once_with_its_meaning() -> None:
    rows = [line for line in reference().splitlines() if line.startswith(f"| `{PREFIX}")]

    assert sorted(row.split("`")[1] for row in rows) == sorted(
        f"{PREFIX}{name.upper()}" for name in Settings.model_fields
    )
    assert all(row.split(" | ")[-1].strip(" |") for row in rows)


def test_secrets_are_marked() -> None:
    marked = {row.split("`")[1] for row in reference().splitlines() if row.startswith("|") and " | yes | " in row}

    assert marked == {f"{PREFIX}RECORD_TOKEN", f"{PREFIX}SHARED_STORE_URL"}
