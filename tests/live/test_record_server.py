"""The real record does what a write-back relies on (FHIR R4 http.html: transactions, conditional create, versions)."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.record.client import RecordClient
from ebbmark.record.clinical_resources import OVERLAP_S, nothing_stored_since
from ebbmark.record.connection import RecordSettings
from live.record_server import FHIR_JSON
from recommendations import RECORDED_S, found

pytestmark = pytest.mark.live

Json = dict[str, Any]

SYSTEM = "https://ebbmark.example/test"
UCUM = "http://unitsofmeasure.org"
PATIENT = "Patient/maple"
WRITERS = 20


@pytest.fixture(scope="module")
def record(record_base_url: str) -> Iterator[httpx.Client]:
    limits = httpx.Limits(max_connections=WRITERS)
    with httpx.Client(
        base_url=record_base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False, limits=limits
    ) as client:
        put(client, {"resourceType": "Patient", "id": "maple", "gender": "female"})
        yield client


def put(record: httpx.Client, resource: Json) -> httpx.Response:
    reply = record.put(f"/{resource['resourceType']}/{resource['id']}", json=resource)
    assert reply.is_success, reply.text
    return reply


def pressure(value_cmh2o: float, **more: object) -> Json:
    return {
        "resourceType": "Observation",
        "status": "preliminary",
        "code": {"coding": [{"system": SYSTEM, "code": "pressure"}]},
        "subject": {"reference": PATIENT},
        "valueQuantity": {"value": value_cmh2o, "unit": "cmH2O", "system": UCUM, "code": "cm[H2O]"},
        **more,
    }


def identified(name: str, **more: object) -> Json:
    return pressure(12.0, identifier=[{"system": SYSTEM, "value": name}], **more)


def transaction(*resources: Json) -> Json:
    """Each created unless its identifier is there already."""
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "resource": resource,
                "request": {
                    "method": "POST",
                    "url": "Observation",
                    "ifNoneExist": f"identifier={SYSTEM}|{resource['identifier'][0]['value']}&patient={PATIENT}",
                },
            }
            for resource in resources
        ],
    }


def statuses(reply: httpx.Response) -> list[str]:
    assert reply.status_code == 200, reply.text
    return [entry["response"]["status"][:3] for entry in reply.json()["entry"]]


def locations(reply: httpx.Response) -> list[str]:
    return [entry["response"]["location"] for entry in reply.json()["entry"]]


def stored(record: httpx.Client, name: str) -> list[Json]:
    bundle = record.get("/Observation", params={"identifier": f"{SYSTEM}|{name}"}).json()
    return [entry["resource"] for entry in bundle.get("entry", [])]


def test_the_record_speaks_fhir_r4(record: httpx.Client) -> None:
    assert record.get("/metadata").json()["fhirVersion"] == "4.0.1"


@pytest.mark.parametrize("name", ["a-patient", "77"])
def test_a_client_may_choose_an_id(record: httpx.Client, name: str) -> None:
    reply = put(record, {"resourceType": "Patient", "id": name})

    assert reply.status_code == 201
    assert record.get(f"/Patient/{name}").json()["id"] == name


def test_twenty_writers_at_once_leave_one_resource(record: httpx.Client) -> None:
    # Writers that lose the race are answered 409 by this server, and find the winner's resource when they ask again.
    def write(_: int) -> httpx.Response:
        return record.post("/", json=transaction(identified("raced")))

    with ThreadPoolExecutor(WRITERS) as writers:
        replies = list(writers.map(write, range(WRITERS)))
    again = [write(0) for reply in replies if reply.status_code == 409]

    assert {reply.status_code for reply in replies} <= {200, 409}
    assert [statuses(reply) for reply in replies if reply.status_code == 200].count(["201"]) == 1
    assert {status for reply in again for status in statuses(reply)} <= {"200"}
    assert len(stored(record, "raced")) == 1


def test_an_older_version_can_still_be_read(record: httpx.Client) -> None:
    put(record, pressure(20.0, id="amended"))
    put(record, pressure(18.0, id="amended"))

    older = record.get("/Observation/amended/_history/1").json()
    current = record.get("/Observation/amended").json()

    assert older["valueQuantity"]["value"] == 20.0
    assert current["valueQuantity"]["value"] == 18.0
    assert current["meta"]["versionId"] == "2"


def test_a_versioned_reference_keeps_its_version(record: httpx.Client) -> None:
    put(record, pressure(20.0, id="input"))
    put(record, pressure(18.0, id="input"))

    record.post(
        "/", json=transaction(identified("derived", derivedFrom=[{"reference": "Observation/input/_history/1"}]))
    )

    (derived,) = stored(record, "derived")
    (reference,) = derived["derivedFrom"]
    assert record.get(f"/{reference['reference']}").json()["valueQuantity"]["value"] == 20.0


def test_it_says_whether_anything_was_stored_since_a_moment(record: httpx.Client) -> None:
    # The overlap lies before the moment: of now nothing is certain, of what is to come nothing is there.
    put(record, pressure(14.0, id="stored-since"))
    base_url = str(record.base_url).rstrip("/")
    settings = RecordSettings(base_url=base_url, allowed_base_urls=(base_url,))

    async def nothing(since_s: float) -> bool:
        async with RecordClient(settings) as client:
            return await nothing_stored_since(PATIENT, since_s, record=client)

    assert not asyncio.run(nothing(time.time()))
    assert asyncio.run(nothing(time.time() + OVERLAP_S + 5.0))


def test_an_answer_is_written_once_however_often_it_is_sent(record: httpx.Client) -> None:
    put(record, {"resourceType": "Patient", "id": "invented-1"})
    put(
        record,
        {
            "resourceType": "Encounter",
            "id": "9",
            "status": "in-progress",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        },
    )
    for number, _ in enumerate(found().request.sources):
        for version in range(3):
            put(record, pressure(20.0 + version, id=f"reading-{number}"))
    answer = as_transaction(write_bundle(found(), recorded_s=RECORDED_S), "Patient/invented-1")

    first = record.post("/", json=answer)
    second = record.post("/", json=answer)

    # The software itself may be known to the record from an earlier answer.
    entries: list[Json] = json.loads(json.dumps(answer["entry"]))
    kinds = [entry["resource"]["resourceType"] for entry in entries]
    assert {status for status, kind in zip(statuses(first), kinds, strict=True) if kind != "Device"} == {"201"}
    assert set(statuses(second)) == {"200"}
    assert locations(second) == locations(first)


@pytest.mark.parametrize(
    ("environment", "exit_code", "outcome"),
    [({"CI": "true"}, 1, "1 error"), ({}, 0, "1 skipped")],
    ids=["CI", "elsewhere"],
)
def test_without_java_tests_are_skipped_with_a_reason_and_fail_where_ci_is_true(
    environment: dict[str, str], exit_code: int, outcome: str
) -> None:
    node = f"{Path(__file__).name}::test_the_record_speaks_fhir_r4"

    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-rs", "-p", "no:cacheprovider", node],
        cwd=Path(__file__).parent,
        env={"PATH": "/nowhere", **environment},
        capture_output=True,
        text=True,
        check=False,
    )

    assert run.returncode == exit_code, run.stdout
    assert outcome in run.stdout
    assert "a real record needs sh and java and mvn, not found on this machine" in run.stdout
