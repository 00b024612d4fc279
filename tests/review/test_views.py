"""The published ViewDefinitions name what the review's own tables hold.

They are evaluated by an implementation of SQL on FHIR 2.0 by others, sqlonfhir.
"""

from __future__ import annotations

from copy import deepcopy
from importlib.resources import files
from typing import Any

import duckdb
import fhirpathpy
import msgspec
import pytest
import sqlonfhir
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

from ebbmark.review.model import Reviewed
from review.conftest import Year

Json = dict[str, Any]
VIEWS: dict[str, Json] = {
    one["name"]: one for one in msgspec.json.decode((files("ebbmark.review") / "views.json").read_bytes())
}


@pytest.fixture(scope="module")
def resources(year: Year) -> list[Json]:
    """Of two patients: an independent engine takes its time."""
    lines = [line for path in sorted(year.record.glob("*.ndjson")) for line in path.read_bytes().splitlines()]
    of_two = [line for line in lines if b"Patient/p0000000" in line or b"Patient/p0000001" in line]
    return [msgspec.json.decode(line) for line in of_two if b'"resourceType"' in line]


def code_of(holder: Json) -> str:
    code: str = holder["code"]["coding"][0]["code"]
    return code


def all_rows(name: str, resources: list[Json]) -> list[Json]:
    found: list[Json] = sqlonfhir.evaluate(resources, deepcopy(VIEWS[name]))
    return found


def test_the_view_of_answers_holds_the_answers_that_the_review_replays(
    resources: list[Json], reviewed: Reviewed
) -> None:
    parquet = duckdb.read_parquet([f"{folder}/answers.parquet" for folder in reviewed.folders])
    ours = parquet.filter("patient IN ('p0000000', 'p0000001')").project("answer, 'Patient/' || patient, ended")

    rows = all_rows("ebbmark_answers", resources)

    assert len(rows) > 1
    assert sorted((row["answer"], row["patient"], row["occurred"]) for row in rows) == sorted(ours.fetchall())


def test_the_view_of_results_holds_the_peep_that_is_suggested(resources: list[Json], year: Year) -> None:
    truth = [trial.suggested_cmh2o for one in year.truth[:2] for trial in one.trials if trial.fate]

    rows = [all_row for all_row in all_rows("ebbmark_results", resources) if all_row["code"] == "suggested-peep"]

    assert sorted(float(row["value"]) for row in rows if row["value"] is not None) == sorted(filter(None, truth))
    assert {row["unit"] for row in rows if row["value"] is not None} <= {"cm[H2O]"}


def test_the_view_of_charted_values_holds_each_value_once(resources: list[Json]) -> None:
    some = [
        resource for resource in resources if resource["resourceType"] == "Observation" and "identifier" not in resource
    ][:40]
    single = [one for one in some if "component" not in one]
    parts = [(one, part) for one in some for part in one.get("component", [one])]

    rows = all_rows("ebbmark_charted", some)

    assert {bool(one.get("component")) for one in some} == {True, False}
    assert sorted((row["id"], row["code"]) for row in rows) == sorted((one["id"], code_of(part)) for one, part in parts)
    values = {row["id"]: row["value"] for row in rows}
    assert [float(values[one["id"]]) for one in single] == [one["valueQuantity"]["value"] for one in single]
    assert all(row["at"] and row["status"] for row in rows)


def test_the_path_of_a_charted_value_holds_for_a_component() -> None:
    # sqlonfhir 0.0.2 forgets the type of an element within forEach, so that ofType finds nothing in a component there.
    part = {"valueQuantity": {"value": 18.0, "code": "cm[H2O]"}}
    (union,) = [one["unionAll"] for one in VIEWS["ebbmark_charted"]["select"] if "unionAll" in one]
    untyped: Any = ResourceNode
    node = untyped.create_node(part, "Observation.component")

    found = {one["name"]: fhirpathpy.evaluate(node, one["path"], {}, models["r4"]) for one in union[0]["column"][1:]}

    assert found == {"value": [18.0], "unit": ["cm[H2O]"]}


@pytest.mark.parametrize("name", VIEWS)
def test_columns_have_a_name_that_a_database_takes_and_a_type(name: str) -> None:
    selects = [part for one in VIEWS[name]["select"] for part in one.get("unionAll", [one])]

    columns = [column for select in selects for column in select["column"]]
    assert all(column["name"].isidentifier() and column["type"] for column in columns)
