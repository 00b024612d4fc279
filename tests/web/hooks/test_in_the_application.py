"""The door as the whole application has it: its own clock, addresses and lists from the settings."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from typing import Any

import pytest
from starlette.types import ASGIApp

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from fhir_builders import Json, trial_observations
from web.asking import ask
from web.hooks.calling import CALL, JSON, call, called, card, clock, prefetch

ISS = "https://ehr.example/fhir"


def just_now(resources: list[Json]) -> list[Json]:
    """The same trial, its last reading ten minutes ago."""
    shift_s = time.time() - 600 - clock(23)
    moved = []
    for resource in resources:
        then = datetime.fromisoformat(str(resource["effectiveDateTime"])).timestamp() + shift_s
        moved.append({**resource, "effectiveDateTime": datetime.fromtimestamp(then, UTC).isoformat()})
    return moved


def application(**settings: Any) -> ASGIApp:  # noqa: ANN401
    return create_app(Settings(**settings))


def told(app: ASGIApp) -> dict[str, Any]:
    return card(call(app, called(prefetch=prefetch(*just_now(trial_observations())))))


def test_a_trial_of_just_now_is_told_of() -> None:
    assert told(application())["summary"].startswith("Suggested PEEP 14 cmH2O.")


def test_without_a_page_the_card_leads_to_the_capability_statement_only() -> None:
    links = told(application(base_url="https://peep.example/"))["links"]

    assert [(link["type"], link["url"]) for link in links] == [("absolute", "https://peep.example/fhir/metadata")]


def test_the_documentation_may_lie_elsewhere() -> None:
    told_of = told(application(documentation_url="https://house.example/peep"))

    assert told_of["source"]["url"] == "https://house.example/peep"


def test_with_a_page_the_card_leads_to_its_launch() -> None:
    app = application(smart_clients=({"iss": ISS, "client_id": "ebbmark"},))

    links = told(app)["links"]

    assert (links[0]["type"], links[0]["url"]) == ("smart", "http://127.0.0.1:8087/launch")


@pytest.mark.parametrize(
    "settings",
    [
        {"record_base_url": ISS},
        {"record_allowed_base_urls": (ISS,)},
        {"smart_clients": ({"iss": ISS, "client_id": "ebbmark"},)},
    ],
    ids=["our record", "beside it", "may open the page"],
)
def test_a_listed_record_may_be_asked(settings: dict[str, Any]) -> None:
    grant = {"access_token": "opaque", "token_type": "Bearer", "expires_in": 300, "scope": "s", "subject": "us"}

    reply = call(application(**settings), called(fhirServer=ISS, fhirAuthorization=grant, prefetch=...))

    assert reply.status == 412
    assert "could not be read" in reply.errors[0]["details"]["text"]
    assert "not under an allowed base address" not in reply.errors[0]["details"]["text"]


def test_no_record_is_listed_by_itself() -> None:
    grant = {"access_token": "opaque", "token_type": "Bearer", "expires_in": 300, "scope": "s", "subject": "us"}

    reply = call(application(), called(fhirServer=ISS, fhirAuthorization=grant, prefetch=...))

    assert "not under an allowed base address" in reply.errors[0]["details"]["text"]


def test_a_slash_at_the_end_of_an_address_changes_nothing() -> None:
    body = json.dumps(called()).encode()

    plain, slashed = (ask(application(), body, path=path, headers=JSON) for path in (CALL, f"{CALL}/"))

    assert (slashed.status, slashed.body) == (plain.status, plain.body) == (200, plain.body)
    assert (
        ask(application(), method="GET", path="/cds-services/").json
        == ask(application(), method="GET", path="/cds-services").json
    )
