"""The published ViewDefinitions name what the review's own tables hold.

Paths are evaluated by an independent FHIRPath engine with the R4 model; the shape of a ViewDefinition (where, select,
column, forEach, unionAll) is that of SQL on FHIR 2.0.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import duckdb
import fhirpathpy
import msgspec
import pytest
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

from ebbmark.review.run import Reviewed
from review.conftest import Year

Json = dict[str, Any]
VIEWS: dict[str, Json] = {
    one["name"]: one for one in msgspec.json.decode((files("ebbmark.review") / "views.json").read_bytes())
}


def evaluated(node: Any, path: str) -> list[Any]:  # noqa: ANN401
    found: list[Any] = fhirpathpy.evaluate(node, path, {}, models["r4"])
    return found


def rows_of(view: Json, resource: Json) -> Iterator[Json]:
    if resource["resourceType"] != view["resource"]:
        return
    if all(evaluated(resource, one["path"]) == [True] for one in view.get("where", [])):
        parts = [list(selected(one, resource, view["resource"])) for one in view["select"]]
        rows: list[Json] = [{}]
        for part in parts:
            rows = [{**left, **right} for left in rows for right in part]
        yield from rows


def selected(select: Json, node: object, path: str) -> Iterator[Json]:
    if "unionAll" in select:
        for one in select["unionAll"]:
            yield from selected(one, node, path)
        return
    places = [(node, path)]
    if "forEach" in select:
        below = f"{path}.{select['forEach']}" if select["forEach"].isalpha() else path
        places = [(one, below) for one in evaluated(node, select["forEach"])]
    for place, where in places:
        known = ResourceNode.create_node(place, where) if "." in where else place  # type: ignore[no-untyped-call]
        yield {one["name"]: next(iter(evaluated(known, one["path"])), None) for one in select["column"]}


@pytest.fixture(scope="module")
def resources(year: Year) -> list[Json]:
    """Of two patients: an independent engine takes its time."""
    lines = [line for path in sorted(year.record.glob("*.ndjson")) for line in path.read_bytes().splitlines()]
    of_two = [line for line in lines if b"Patient/p0000000" in line or b"Patient/p0000001" in line]
    return [msgspec.json.decode(line) for line in of_two if b'"resourceType"' in line]


def all_rows(name: str, resources: list[Json]) -> list[Json]:
    return [row for one in resources for row in rows_of(VIEWS[name], one)]


def test_the_view_of_answers_holds_the_answers_that_the_review_replays(
    resources: list[Json], reviewed: Reviewed
) -> None:
    parquet = duckdb.read_parquet([f"{folder}/answers.parquet" for folder in reviewed.folders])
    ours = parquet.filter("patient IN ('p0000000', 'p0000001')").project("answer, 'Patient/' || patient, ended")

    rows = all_rows("ebbmark_answers", resources)

    assert len(rows) > 1
    assert sorted((one["answer"], one["patient"], one["occurred"]) for one in rows) == sorted(ours.fetchall())


def test_the_view_of_results_holds_the_peep_that_is_suggested(resources: list[Json], year: Year) -> None:
    truth = [trial.suggested_cmh2o for one in year.truth[:2] for trial in one.trials if trial.fate]

    rows = [one for one in all_rows("ebbmark_results", resources) if one["code"] == "suggested-peep"]

    assert sorted(float(one["value"]) for one in rows if one["value"] is not None) == sorted(filter(None, truth))
    assert {one["unit"] for one in rows if one["value"] is not None} <= {"cm[H2O]"}


def test_the_view_of_charted_values_holds_each_value_once(resources: list[Json]) -> None:
    some = [one for one in resources if one["resourceType"] == "Observation" and "identifier" not in one][:40]
    expected = [
        (one["id"], part["code"]["coding"][0]["code"], part["valueQuantity"]["value"])
        for one in some
        for part in one.get("component", [one])
    ]

    rows = all_rows("ebbmark_charted", some)

    assert sorted((one["id"], one["code"], float(one["value"])) for one in rows) == sorted(expected)
    assert all(one["at"] and one["status"] for one in rows)


@pytest.mark.parametrize("name", VIEWS)
def test_columns_have_a_name_that_a_database_takes_and_a_type(name: str) -> None:
    selects = [part for one in VIEWS[name]["select"] for part in one.get("unionAll", [one])]

    columns = [column for one in selects for column in one["column"]]
    assert all(column["name"].isidentifier() and column["type"] for column in columns)
