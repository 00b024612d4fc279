"""The software bill of materials is CycloneDX by the project's own validator, and names every package of the lock."""

from __future__ import annotations

import json
import re
import sysconfig
from pathlib import Path
from typing import Any

from container.sbom import bill_of, normal
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

LOCK = (Path(__file__).parents[2] / "requirements.lock").read_text(encoding="utf-8")


def the_bill() -> Any:  # noqa: ANN401
    return bill_of(Path(sysconfig.get_paths()["purelib"]), LOCK)


def test_it_is_valid_by_the_validator_of_cyclonedx() -> None:
    assert JsonStrictValidator(SchemaVersion.V1_5).validate_str(json.dumps(the_bill())) is None


def test_it_names_every_package_of_the_lock_in_its_version_with_the_hashes_that_are_accepted() -> None:
    locked = {
        normal(name): version
        for name, version in re.findall(r"^([\w.-]+)(?:\[[^]]*\])?==([^\s;]+) ?;? ?\\?$", LOCK, re.MULTILINE)
    }
    listed = {one["name"]: one for one in the_bill()["components"]}

    assert locked
    assert {name: listed[name]["version"] for name in locked} == locked
    assert all(listed[name]["externalReferences"] for name in locked)


def test_every_package_says_its_licence_and_none_is_copyleft_beyond_its_own_files() -> None:
    locked = {normal(name) for name in re.findall(r"^([\w.-]+)(?:\[[^]]*\])?==", LOCK, re.MULTILINE)}
    licences = {
        one["name"]: " ".join(str(part) for licence in one.get("licenses", []) for part in licence.values())
        for one in the_bill()["components"]
        if one["name"] in locked
    }

    assert [name for name, licence in licences.items() if not licence] == []
    assert [name for name, licence in licences.items() if re.search(r"\b[AL]?GPL|General Public", licence)] == []


def test_two_bills_of_one_folder_are_the_same() -> None:
    assert json.dumps(the_bill()) == json.dumps(the_bill())
