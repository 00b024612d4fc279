"""What the discovery document says, and whether its queries stay within what the standard recommends."""

from __future__ import annotations

import re
from typing import Any

import pytest
from starlette.types import ASGIApp

from ebbmark.fhir.naming import LOINC
from ebbmark.fhir.reading.codes import CODES, CodeRow, is_rhythm
from ebbmark.fhir.reading.condition_codes import BUILT_IN
from ebbmark.fhir.reading.events import CHANGE_CODES
from ebbmark.physiology.readings import Quantity
from ebbmark.web.hooks.call import HOOKS, prefetch_templates
from web.asking import Reply, ask
from web.hooks.calling import hooks_app

# CDS Hooks 2.0, "Prefetch query restrictions": reads, type-level searches, references, tokens and dates, _count, _sort.
READ = re.compile(r"[A-Z][A-Za-z]+/\{\{context\.[A-Za-z]+\}\}")
SEARCH = re.compile(
    r"[A-Z][A-Za-z]+\?([a-z-]+=[^&]+|_count=\d+|_sort=-?[a-z]+)(&([a-z-]+=[^&]+|_count=\d+|_sort=-?[a-z]+))*"
)


def discovered(app: ASGIApp) -> Reply:
    return ask(app, method="GET", path="/cds-services", headers={})


@pytest.fixture(scope="module")
def services() -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = discovered(hooks_app()).json["services"]
    return found


def test_each_hook_has_an_entry_under_one_id(services: list[dict[str, Any]]) -> None:
    assert [(one["hook"], one["id"]) for one in services] == [(name, "peep-trial") for name in HOOKS]


def test_every_entry_has_what_the_standard_asks_for(services: list[dict[str, Any]]) -> None:
    for one in services:
        assert all(one[name] for name in ("hook", "id", "title", "description", "prefetch", "usageRequirements"))


def test_the_queries_are_of_the_recommended_kind(services: list[dict[str, Any]]) -> None:
    for template in services[0]["prefetch"].values():
        assert READ.fullmatch(template) or SEARCH.fullmatch(template), template
        assert set(re.findall(r"\{\{(.*?)\}\}", template)) == {"context.patientId"}


def test_a_query_is_short_enough_for_an_address(services: list[dict[str, Any]]) -> None:
    assert max(len(one) for one in services[0]["prefetch"].values()) < 1_900


def test_every_code_that_is_read_is_asked_for_and_no_other(services: list[dict[str, Any]]) -> None:
    asked = {code for one in services[0]["prefetch"].values() for code in _codes(one)}

    readings = {code for (_, code), row in CODES.items() if row.meaning is not None or is_rhythm(row)}
    positions_and_modes = {code for _, code in CHANGE_CODES}
    procedures = {code for _, code in BUILT_IN.procedures}
    assert asked == readings | positions_and_modes | procedures


def test_panels_are_asked_for_by_the_codes_of_their_components(services: list[dict[str, Any]]) -> None:
    templates = services[0]["prefetch"]

    assert "&component-code=" in templates["panels"]
    assert {*_codes(templates["panels"])} == {
        *_codes(templates["mechanics"]),
        *_codes(templates["circulation"]),
    } - RHYTHM


def test_the_newest_are_asked_for_first(services: list[dict[str, Any]]) -> None:
    assert "_sort=-date" in services[0]["prefetch"]["mechanics"]
    assert "_sort=-date" in services[0]["prefetch"]["panels"]


def test_a_sites_own_codes_are_asked_for_too() -> None:
    own = CodeRow("urn:example:site", "PEEP-1", "PEEP", Quantity.PEEP_SET, "site")

    templates = prefetch_templates({**CODES, (own.system, own.code): own}, [("urn:example:site", "LUNG-1")])

    assert "PEEP-1" in _codes(templates["mechanics"])
    assert _codes(templates["procedures"]) == ["LUNG-1"]
    assert (LOINC, "20077-4") in CODES


def test_discovery_is_json(services: list[dict[str, Any]]) -> None:
    assert services
    assert discovered(hooks_app()).headers["content-type"] == "application/json"


RHYTHM = {"8884-9"}
"""Read where it stands by itself only."""


def _codes(template: str) -> list[str]:
    found = re.search(r"[?&](?:component-)?code=([^&]*)", template)
    return found[1].split(",") if found else []
