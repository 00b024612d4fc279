"""A titration read from a real record and written to it, amended, and written again."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from starlette.types import ASGIApp

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from fhir_builders import Json, at, height, observation, panel, patient, to_bytes, trial_observations
from live.record_server import FHIR_JSON
from web.asking import Reply, ask

pytestmark = pytest.mark.live


class Ward:
    """One invented patient in the real record, under an id of the test's own."""

    def __init__(self, client: httpx.Client, app: ASGIApp) -> None:
        self.client = client
        self.app = app
        self.prefix = f"t{uuid.uuid4().hex[:10]}"
        self.patient = f"Patient/{self.prefix}"

    def put(self, resource: Json) -> None:
        """Chart one resource; its id and its subject become the test's own."""
        own = dict(resource)
        kind = own["resourceType"]
        own["id"] = self.prefix if kind == "Patient" else f"{self.prefix}-{own['id']}"
        own.pop("meta", None)
        if "subject" in own:
            own["subject"] = {"reference": self.patient}
        reply = self.client.put(f"/{kind}/{own['id']}", json=own)
        assert reply.is_success, reply.text

    def chart(self, *resources: Json) -> None:
        for resource in (patient(), height(), *resources):
            self.put(resource)

    def asked(self, **more: Json | bool) -> Reply:
        """Ask for the titration of this patient, on the day of the trial."""
        listed: list[Json] = [
            {"name": "patient-reference", "valueReference": {"reference": self.patient}},
            {"name": "as-of", "valueInstant": "2026-03-01T12:00:00+01:00"},
        ]
        for name, value in more.items():
            given = {"valueBoolean": value} if isinstance(value, bool) else value
            listed.append({"name": name.replace("_", "-"), **given})
        return ask(self.app, to_bytes({"resourceType": "Parameters", "parameter": listed}))

    def results(self, code: str = "suggested-peep") -> list[dict[str, Any]]:
        """Our Observations of one kind for this patient."""
        found = self.client.get("/Observation", params={"patient": self.patient, "code": code, "_count": 100}).json()
        return [entry["resource"] for entry in found.get("entry", ())]


@pytest.fixture(scope="module")
def client(record_base_url: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=record_base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False) as client:
        yield client


@pytest.fixture
def ward(client: httpx.Client, record_base_url: str) -> Ward:
    settings = {"record_base_url": record_base_url, "record_read_timeout_s": 60.0}
    return Ward(client, create_app(Settings.model_validate(settings)))


def suggested(reply: Reply) -> float | None:
    for entry in reply.json["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "Observation" and resource["code"]["coding"][0]["code"] == "suggested-peep":
            value: float | None = resource.get("valueQuantity", {}).get("value")
            return value
    raise AssertionError("no suggestion in the answer")


def test_a_trial_is_read_from_the_record(ward: Ward) -> None:
    ward.chart(*trial_observations())

    reply = ward.asked()

    assert reply.status == 200, reply.body
    assert suggested(reply) is not None


def test_results_derive_from_the_versions_that_the_record_gave(ward: Ward) -> None:
    ward.chart(*trial_observations())

    reply = ward.asked()

    (provenance,) = [e["resource"] for e in reply.json["entry"] if e["resource"]["resourceType"] == "Provenance"]
    named = [one["what"].get("reference", "") for one in provenance["entity"]]
    assert f"Observation/{ward.prefix}-plateau-pressure-0/_history/1" in named


def test_a_panel_is_found_by_the_codes_of_its_components(ward: Ward) -> None:
    ward.chart(
        *[
            panel(
                {"peep-set": peep, "plateau-pressure": peep + 380.0 / c, "tidal-volume-expired": 380.0},
                when=at(3 * step),
                identity=f"step-{step}",
            )
            for step, (peep, c) in enumerate(zip((20.0, 18.0, 16.0, 14.0, 12.0), (44.0, 46, 46.5, 44, 40), strict=True))
        ]
    )

    assert ward.asked().status == 200


def test_what_lies_outside_the_period_is_not_read(ward: Ward) -> None:
    ward.chart(
        *trial_observations(), observation("peep-set", 22.0, when="2025-11-21T10:00:00+01:00", identity="long-ago")
    )

    reply = ward.asked(period={"valuePeriod": {"start": at(0), "end": at(60)}})

    assert reply.status == 200, reply.body
    assert b"long-ago" not in reply.body


def test_a_patient_who_is_not_there_is_said_so(ward: Ward) -> None:
    reply = ward.asked()

    assert reply.status == 422
    assert reply.errors[0]["code"] == "not-found"
