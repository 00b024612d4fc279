"""What a write-back relies on, asked of the record in memory and of the Java record alike (FHIR R4 http.html).

So that a run of faults against the one says something of the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from live.record_server import FHIR_JSON, RunningRecord, start_record, stop_record

Json = dict[str, Any]
SYSTEM = "https://ebbmark.example/test"


@pytest.fixture(scope="module", params=["in memory", pytest.param("java", marks=pytest.mark.live)])
def record(request: pytest.FixtureRequest) -> Iterator[httpx.Client]:
    in_memory = request.param == "in memory"
    running = start_record(in_memory=True) if in_memory else None
    base_url = running.base_url if running else request.getfixturevalue("record_base_url")
    with httpx.Client(base_url=base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False) as client:
        for name in ("contract", "contract-paged"):
            put(client, {"resourceType": "Patient", "id": name})
        yield client
    if running:
        stop_record(running, at_once=True)


def put(record: httpx.Client, resource: Json) -> None:
    reply = record.put(f"/{resource['resourceType']}/{resource['id']}", json=resource)
    assert reply.is_success, reply.text


def pressure(**more: object) -> Json:
    return {
        "resourceType": "Observation",
        "status": "preliminary",
        "code": {"coding": [{"system": SYSTEM, "code": "pressure"}]},
        "subject": {"reference": "Patient/contract"},
        **more,
    }


def created(name: str, **more: object) -> Json:
    condition = f"identifier={SYSTEM}|{name}&patient=Patient/contract"
    return {
        "fullUrl": f"urn:uuid:{name}",
        "resource": pressure(identifier=[{"system": SYSTEM, "value": name}], **more),
        "request": {"method": "POST", "url": "Observation", "ifNoneExist": condition},
    }


def changed(identity: str, version: str, **more: object) -> Json:
    resource = pressure(id=identity, **more)
    request = {"method": "PUT", "url": f"Observation/{identity}", "ifMatch": f'W/"{version}"'}
    return {"resource": resource, "request": request}


def sent(record: httpx.Client, *entries: Json) -> httpx.Response:
    return record.post("/", json={"resourceType": "Bundle", "type": "transaction", "entry": list(entries)})


def told(reply: httpx.Response) -> list[tuple[str, str]]:
    assert reply.status_code == 200, reply.text
    entries = [one["response"] for one in reply.json()["entry"]]
    return [(entry["status"][:3], entry["location"]) for entry in entries]


def found(record: httpx.Client, **query: str) -> list[Json]:
    return [entry["resource"] for entry in record.get("/Observation", params=query).json().get("entry", [])]


def test_a_transaction_sent_twice_creates_once_and_names_the_same_places(record: httpx.Client) -> None:
    first, second = (told(sent(record, created("once"), created("once-more"))) for _ in range(2))

    assert [status for status, _ in first] == ["201", "201"]
    assert [status for status, _ in second] == ["200", "200"]
    assert [place for _, place in first] == [place for _, place in second]
    assert len(found(record, identifier=f"{SYSTEM}|once")) == 1


def test_references_within_a_transaction_become_those_of_the_record(record: httpx.Client) -> None:
    (_, place), _ = told(
        sent(record, created("named"), created("naming", derivedFrom=[{"reference": "urn:uuid:named"}]))
    )

    (naming,) = found(record, identifier=f"{SYSTEM}|naming")
    assert naming["derivedFrom"][0]["reference"] == place.partition("/_history/")[0]


def test_a_condition_that_matches_two_is_refused_and_nothing_is_written(record: httpx.Client) -> None:
    for _ in range(2):
        record.post("/Observation", json=created("double")["resource"]).raise_for_status()

    assert sent(record, created("beside"), created("double")).status_code == 412
    assert found(record, identifier=f"{SYSTEM}|beside") == []


def test_a_reference_to_nothing_is_refused_and_nothing_is_written(record: httpx.Client) -> None:
    lost = created("lost", derivedFrom=[{"reference": "Observation/never-written"}])

    assert sent(record, created("beside-lost"), lost).status_code == 400
    assert found(record, identifier=f"{SYSTEM}|beside-lost") == []


def test_a_change_of_a_version_that_is_not_in_force_fails_with_all_beside_it(record: httpx.Client) -> None:
    put(record, pressure(id="locked"))

    first = sent(record, changed("locked", "1", note=[{"text": "first"}]), created("with-first"))
    late = sent(record, changed("locked", "1", note=[{"text": "late"}]), created("with-late"))

    assert told(first)[0][1].endswith("locked/_history/2")
    assert late.status_code in (409, 412)
    assert found(record, identifier=f"{SYSTEM}|with-late") == []
    now = record.get("/Observation/locked").json()
    assert (now["meta"]["versionId"], now["note"][0]["text"]) == ("2", "first")
    assert record.get("/Observation/locked/_history/1").json()["meta"]["versionId"] == "1"


def test_a_tag_an_identifier_and_an_id_find_what_carries_them(record: httpx.Client) -> None:
    tag = {"system": SYSTEM, "code": "tagged"}
    put(record, pressure(id="tagged-one", meta={"tag": [tag]}))

    for query in ({"_tag": f"{SYSTEM}|tagged"}, {"_id": "tagged-one,never-written"}):
        assert [one["id"] for one in found(record, **query)] == ["tagged-one"]


def test_pages_hold_every_match_once_and_dates_filter(record: httpx.Client) -> None:
    for hour in range(5):
        at = f"2026-01-01T{hour:02}:00:00Z"
        subject = {"reference": "Patient/contract-paged"}
        put(record, pressure(id=f"contract-hour-{hour}", subject=subject, effectiveDateTime=at))

    question = {"patient": "Patient/contract-paged", "code": f"{SYSTEM}|pressure", "date": "ge2026-01-01T01:00:00Z"}
    pages = [record.get("/Observation", params={**question, "_count": "2"}).json()]
    while following := [link["url"] for link in pages[-1].get("link", ()) if link["relation"] == "next"]:
        pages.append(record.get(following[0]).json())

    seen = [entry["resource"]["id"] for page in pages for entry in page.get("entry", [])]
    assert len(pages) > 1
    assert sorted(seen) == [f"contract-hour-{hour}" for hour in range(1, 5)]


def test_what_the_record_in_memory_confirms_outlives_its_kill(tmp_path: Path) -> None:
    def running() -> RunningRecord:
        return start_record(data=tmp_path, in_memory=True)

    first = running()
    with httpx.Client(base_url=first.base_url, headers=FHIR_JSON, trust_env=False) as record:
        put(record, {"resourceType": "Patient", "id": "contract"})
        before = told(sent(record, created("kept")))
    stop_record(first, at_once=True)
    second = running()
    with httpx.Client(base_url=second.base_url, headers=FHIR_JSON, trust_env=False) as record:
        after = told(sent(record, created("kept")))
    stop_record(second, at_once=True)

    assert after == [("200", place) for _, place in before]
