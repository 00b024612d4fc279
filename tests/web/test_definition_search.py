"""Definitions are found by a client, by their canonical address too."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.types import ASGIApp

from ebbmark.fhir.reading.codes import OWN_QUANTITIES
from web.asking import ask


def found(app: ASGIApp, address: str) -> Any:  # noqa: ANN401 - FHIR JSON
    path, _, query = address.partition("?")
    answer = ask(app, path=f"/fhir/{path}", query=query, method="GET")
    assert answer.status == 200, answer.body
    return answer.json


def test_the_targets_of_a_site_s_map_are_found_by_their_canonical_address(app: ASGIApp) -> None:
    result = found(app, f"CodeSystem?url={OWN_QUANTITIES}")

    assert (result["type"], result["total"]) == ("searchset", 1)
    (entry,) = result["entry"]
    assert entry["resource"]["url"] == OWN_QUANTITIES
    assert entry["fullUrl"].endswith("/fhir/CodeSystem/quantities")
    assert result["link"][0]["url"].endswith(
        "/fhir/CodeSystem?url=https%3A%2F%2Febbmark.example%2Ffhir%2FCodeSystem%2Fquantities"
    )


@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("CodeSystem", ["ebbmark", "quantities"]),
        ("CodeSystem?name=quant", ["quantities"]),
        ("ConceptMap?status=active", ["standard-codes"]),
        ("ConceptMap?status=draft", []),
        ("OperationDefinition?_id=titrate-peep,replay", ["titrate-peep", "replay"]),
        ("ValueSet?url=urn:none", []),
    ],
)
def test_a_search_gives_those_that_match(app: ASGIApp, query: str, ids: list[str]) -> None:
    result = found(app, query)

    assert [one["resource"]["id"] for one in result.get("entry", [])] == ids
    assert result["total"] == len(ids)
    assert result["link"][0]["url"].rpartition("/")[2].startswith(query.partition("?")[0])


def test_another_search_parameter_is_refused_with_those_that_there_are(app: ASGIApp) -> None:
    answer = ask(app, path="/fhir/ValueSet", query="context=icu", method="GET")

    assert answer.status == 400
    assert "_id, url, name, version, status" in answer.json["issue"][0]["details"]["text"]


def test_the_capability_statement_lists_what_can_be_read_and_searched(app: ASGIApp) -> None:
    listed = {one["type"]: one for one in found(app, "metadata")["rest"][0]["resource"]}

    assert {"CodeSystem", "ConceptMap", "ValueSet"} <= listed.keys()
    for kind, one in listed.items():
        assert [each["code"] for each in one["interaction"]] == ["read", "search-type"]
        assert found(app, kind)["total"] > 0
