"""A titration read from a real record and written to it, amended, and written again."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import httpx
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal

from ebbmark.keys import new_key_set
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from fhir_builders import (
    Json,
    at,
    bundle,
    height,
    observation,
    panel,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_observations,
)
from live.record_server import FHIR_JSON, problems, validate_with_server
from web.asking import OPERATION

pytestmark = pytest.mark.live

ALL_CODES = "50064-5,tidal-volume-target,closing-pressure,suggested-peep,peep-what-if,compliance-curve,peep-trial-step"


class Door:
    """The application on a loop of its own, so that its connections outlive one request."""

    def __init__(self, portal: BlockingPortal, client: httpx.AsyncClient) -> None:
        self.portal = portal
        self.client = client

    def ask(self, body: bytes, path: str = OPERATION) -> httpx.Response:
        async def asked() -> httpx.Response:
            return await self.client.post(path, content=body, headers=FHIR_JSON)

        return self.portal.call(asked)


class Ward:
    """One invented patient in the real record, under an id of the test's own."""

    def __init__(self, client: httpx.Client, door: Door) -> None:
        self.client = client
        self.door = door
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

    def asked(self, **more: Json | bool) -> httpx.Response:
        """Ask for the titration of this patient, on the day of the trial."""
        listed: list[Json] = [
            {"name": "patient-reference", "valueReference": {"reference": self.patient}},
            {"name": "as-of", "valueInstant": "2026-03-01T12:00:00+01:00"},
        ]
        for name, value in more.items():
            given = {"valueBoolean": value} if isinstance(value, bool) else value
            listed.append({"name": name.replace("_", "-"), **given})
        return self.door.ask(to_bytes({"resourceType": "Parameters", "parameter": listed}))

    def read_back(self) -> list[Json]:
        """What was charted, as the record has it now."""
        read: list[Json] = [self.client.get(f"/{self.patient}").json()]
        found = self.client.get("/Observation", params={"patient": self.patient, "_count": 200}).json()
        read += [entry["resource"] for entry in found["entry"]]
        return read

    def results(self, code: str = "suggested-peep") -> list[dict[str, Any]]:
        """Our Observations of these kinds for this patient, from every page."""
        found: list[dict[str, Any]] = []
        address = f"/Observation?patient={self.patient}&code={code}&_count=200&_sort=_id"
        while address:
            page = self.client.get(address, headers={"Cache-Control": "no-cache"}).json()
            found += [entry["resource"] for entry in page.get("entry", ())]
            address = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
        return found


@contextmanager
def opened(**settings: object) -> Iterator[Door]:
    app = create_app(Settings.model_validate({"record_read_timeout_s": 60.0, **settings}))
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 50000))
    with (
        start_blocking_portal() as portal,
        portal.wrap_async_context_manager(app.router.lifespan_context(app)),
        portal.wrap_async_context_manager(
            httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8087")
        ) as inside,
    ):
        yield Door(portal, inside)


@pytest.fixture(scope="module")
def door(record_base_url: str) -> Iterator[Door]:
    with opened(record_base_url=record_base_url) as opened_door:
        yield opened_door


@pytest.fixture(scope="module")
def signing_door(record_base_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    file = tmp_path_factory.mktemp("keys") / "keys.json"
    file.write_bytes(to_bytes(new_key_set("ES384")))
    with opened(record_base_url=record_base_url, signing_keys=[str(file)], sign_results=True) as opened_door:
        yield opened_door


@pytest.fixture
def ward(client: httpx.Client, door: Door) -> Ward:
    return Ward(client, door)


def suggested(reply: httpx.Response) -> float | None:
    for entry in reply.json()["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "Observation" and resource["code"]["coding"][0]["code"] == "suggested-peep":
            value: float | None = resource.get("valueQuantity", {}).get("value")
            return value
    raise AssertionError("no suggestion in the answer")


def test_a_trial_is_read_from_the_record(ward: Ward) -> None:
    ward.chart(*trial_observations())

    reply = ward.asked()

    assert reply.status_code == 200, reply.content
    assert suggested(reply) is not None


def test_results_derive_from_the_versions_that_the_record_gave(ward: Ward) -> None:
    ward.chart(*trial_observations())

    reply = ward.asked()

    (provenance,) = [e["resource"] for e in reply.json()["entry"] if e["resource"]["resourceType"] == "Provenance"]
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

    assert ward.asked().status_code == 200


def test_what_lies_outside_the_period_is_not_read(ward: Ward) -> None:
    ward.chart(
        *trial_observations(), observation("peep-set", 22.0, when="2025-11-21T10:00:00+01:00", identity="long-ago")
    )

    reply = ward.asked(period={"valuePeriod": {"start": at(0), "end": at(60)}})

    assert reply.status_code == 200, reply.content
    assert b"long-ago" not in reply.content


def test_a_patient_who_is_not_there_is_said_so(ward: Ward) -> None:
    reply = ward.asked()

    assert reply.status_code == 422
    assert reply.json()["issue"][0]["code"] == "not-found"


def write_back_word(reply: httpx.Response) -> str:
    assert reply.status_code == 200, reply.content
    return str(reply.headers["ebbmark-write-back"])


def current(ward: Ward, code: str = "suggested-peep") -> list[dict[str, Any]]:
    return [result for result in ward.results(code) if result["status"] != "cancelled"]


def amended(ward: Ward, step: int, plateau_cmh2o: float) -> None:
    """Someone corrects one plateau pressure in the record."""
    (old,) = [
        trial_observation
        for trial_observation in trial_observations()
        if trial_observation["id"] == f"plateau-pressure-{step}"
    ]
    quantity = old["valueQuantity"]
    assert isinstance(quantity, dict)
    ward.put({**old, "status": "amended", "valueQuantity": {**quantity, "value": plateau_cmh2o}})


def test_an_answer_is_written_to_the_record_and_reads_back(ward: Ward) -> None:
    ward.chart(*trial_observations())

    reply = ward.asked(write_back=True)

    assert write_back_word(reply) == "written"
    (stored,) = current(ward)
    assert stored["valueQuantity"]["value"] == suggested(reply)


def test_asking_again_creates_nothing(ward: Ward) -> None:
    ward.chart(*trial_observations())
    ward.asked(write_back=True)
    before = ward.results(ALL_CODES)

    assert write_back_word(ward.asked(write_back=True)) == "already-there"
    assert ward.results(ALL_CODES) == before


def test_asking_again_hours_after_the_trial_creates_nothing_though_more_was_charted(ward: Ward) -> None:
    ward.chart(*trial_observations())
    ward.asked(write_back=True)
    ward.put(observation("fio2-set", 40.0, when=at(100), identity="later"))

    assert write_back_word(ward.asked(write_back=True)) == "already-there"


def test_after_an_amended_input_one_current_suggestion_stands(ward: Ward) -> None:
    ward.chart(*trial_observations())
    ward.asked(write_back=True)
    (old,) = current(ward)
    amended(ward, 3, 26.9)

    reply = ward.asked(write_back=True)

    assert write_back_word(reply) == "written"
    assert "an earlier answer for the same trial were marked superseded" in reply.text
    (new,) = current(ward)
    assert new["id"] != old["id"]
    assert [result["status"] for result in ward.results() if result["id"] == old["id"]] == ["cancelled"]
    for code in ALL_CODES.split(","):
        identities = {one["identifier"][0]["value"].partition(":")[0] for one in current(ward, code)}
        assert len(identities) <= 1, code


def test_the_record_and_its_validator_accept_what_was_marked(ward: Ward, record_base_url: str) -> None:
    ward.chart(*trial_observations())
    ward.asked(write_back=True)
    amended(ward, 3, 26.9)
    ward.asked(write_back=True)
    (old,) = [result for result in ward.results() if result["status"] == "cancelled"]
    found = ward.client.get("/Provenance", params={"target": f"Observation/{old['id']}"}).json()
    told = [entry["resource"] for entry in found["entry"]]

    assert len(told) == 2
    for resource in (old, *told):
        assert problems(validate_with_server(record_base_url, resource)) == []


def test_a_late_repeat_of_the_old_question_changes_nothing(ward: Ward) -> None:
    ward.chart(*trial_observations())
    whole = bundle(*ward.read_back())
    ward.door.ask(to_bytes(parameters(bundle=whole, write_back=True)))
    amended(ward, 3, 26.9)
    ward.asked(write_back=True)
    before = ward.results(ALL_CODES)

    late = ward.door.ask(to_bytes(parameters(bundle=whole, write_back=True)))

    assert write_back_word(late) == "superseded"
    assert ward.results(ALL_CODES) == before


def test_old_data_that_were_never_written_do_not_replace_a_newer_answer(ward: Ward) -> None:
    ward.chart(*trial_observations())
    whole = bundle(*ward.read_back())
    amended(ward, 3, 26.9)
    ward.asked(write_back=True)
    before = ward.results(ALL_CODES)

    assert write_back_word(ward.door.ask(to_bytes(parameters(bundle=whole, write_back=True)))) == "superseded"
    assert ward.results(ALL_CODES) == before


def test_what_a_clinician_has_signed_stays_and_is_said_so(ward: Ward) -> None:
    ward.chart(*trial_observations())
    ward.asked(write_back=True)
    (mine,) = current(ward)
    assert ward.client.put(f"/Observation/{mine['id']}", json={**mine, "status": "final"}).is_success
    amended(ward, 3, 26.9)

    reply = ward.asked(write_back=True)

    assert write_back_word(reply) == "written"
    assert "a clinician has signed stands beside it" in reply.text
    assert sorted(result["status"] for result in ward.results()) == ["final", "preliminary"]


def test_of_many_different_answers_at_once_one_stands(ward: Ward) -> None:
    ward.chart(*trial_observations())
    margins = [2.0 + number / 4 for number in range(9)]

    def asked(margin: float) -> httpx.Response:
        return ward.asked(write_back=True, margin={"valueQuantity": quantity(margin)})

    with ThreadPoolExecutor(len(margins)) as pool:
        words = [write_back_word(reply) for reply in pool.map(asked, margins)]

    # A reply that came too late on a busy machine leaves an outcome unknown; what stands is one all the same.
    assert set(words) <= {"written", "superseded", "failed", "unknown"}
    assert len(current(ward)) == 1, words
    assert len(current(ward, "closing-pressure")) == 1


def test_of_twenty_who_ask_the_same_at_once_one_answer_is_written(ward: Ward) -> None:
    ward.chart(*trial_observations())

    with ThreadPoolExecutor(20) as pool:
        words = [write_back_word(reply) for reply in pool.map(lambda _: ward.asked(write_back=True), range(20))]

    assert set(words) <= {"written", "already-there"}
    assert len(ward.results()) == 1
    assert len(ward.results("closing-pressure")) == 1


def identity_of(reply: httpx.Response) -> str:
    (guidance,) = [
        entry["resource"] for entry in reply.json()["entry"] if entry["resource"]["resourceType"] == "GuidanceResponse"
    ]
    return str(guidance["requestIdentifier"]["value"])


def replayed(ward: Ward, identity: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """What a replay from the record says: single values by name, and the differences by part."""
    asked = {"name": "request-identifier", "valueIdentifier": {"value": identity}}
    reply = ward.door.ask(to_bytes({"resourceType": "Parameters", "parameter": [asked]}), "/fhir/$replay")
    assert reply.status_code == 200, reply.text
    said, found = {}, []
    for one in reply.json()["parameter"]:
        if one["name"] == "difference":
            found.append({part["name"]: next(v for n, v in part.items() if n != "name") for part in one["part"]})
        else:
            said[one["name"]] = next(value for name, value in one.items() if name != "name")
    return said, found


def test_a_stored_answer_replays_from_the_record(ward: Ward) -> None:
    ward.chart(*trial_observations())
    identity = identity_of(ward.asked(write_back=True))

    said, found = replayed(ward, identity)

    assert (said["same"], found) == (True, [])


def test_a_signed_answer_is_valid_in_the_record(client: httpx.Client, signing_door: Door) -> None:
    ward = Ward(client, signing_door)
    ward.chart(*trial_observations())
    identity = identity_of(ward.asked(write_back=True))

    said, found = replayed(ward, identity)

    assert (said["same"], said["signature"], found) == (True, "valid", [])


def test_an_input_amended_since_is_read_in_the_version_that_was_used(ward: Ward) -> None:
    ward.chart(*trial_observations())
    identity = identity_of(ward.asked(write_back=True))
    amended(ward, 3, 26.9)

    said, found = replayed(ward, identity)

    assert said["same"] is True
    assert [(one["kind"], one["path"]) for one in found] == [
        ("input-amended", f"Observation/{ward.prefix}-plateau-pressure-3/_history/1")
    ]


def test_a_superseded_answer_still_replays(ward: Ward) -> None:
    ward.chart(*trial_observations())
    identity = identity_of(ward.asked(write_back=True))
    amended(ward, 3, 26.9)
    ward.asked(write_back=True)

    said, found = replayed(ward, identity)

    assert said["same"] is True
    assert {one["kind"] for one in found} == {"input-amended", "superseded"}


def test_a_value_tampered_with_in_the_record_is_found(client: httpx.Client, signing_door: Door) -> None:
    ward = Ward(client, signing_door)
    ward.chart(*trial_observations())
    identity = identity_of(ward.asked(write_back=True))
    (stored,) = current(ward)
    right = stored["valueQuantity"]["value"]
    stored["valueQuantity"]["value"] = 5.0
    assert client.put(f"/Observation/{stored['id']}", json=stored).is_success

    said, found = replayed(ward, identity)

    assert (said["same"], said["signature"]) == (False, "broken")
    assert [(one["path"], float(one["expected"]), float(one["found"])) for one in found] == [
        ("suggested-peep.valueQuantity.value", right, 5.0)
    ]


def test_an_answer_that_is_not_there_cannot_be_replayed(ward: Ward) -> None:
    asked = {"name": "request-identifier", "valueIdentifier": {"value": "0" * 64}}
    reply = ward.door.ask(to_bytes({"resourceType": "Parameters", "parameter": [asked]}), "/fhir/$replay")

    assert reply.status_code == 422
    assert reply.json()["issue"][0]["code"] == "not-found"


def test_the_validator_accepts_a_signed_provenance_and_the_answer_of_a_replay(
    client: httpx.Client, signing_door: Door, record_base_url: str
) -> None:
    ward = Ward(client, signing_door)
    ward.chart(*trial_observations())
    reply = ward.asked(write_back=True)
    amended(ward, 3, 26.9)
    asked = {"name": "request-identifier", "valueIdentifier": {"value": identity_of(reply)}}
    said = ward.door.ask(to_bytes({"resourceType": "Parameters", "parameter": [asked]}), "/fhir/$replay").json()
    (provenance,) = [e["resource"] for e in reply.json()["entry"] if e["resource"]["resourceType"] == "Provenance"]

    assert "signature" in provenance
    assert len(said["parameter"]) == 6
    # A Parameters resource can only be handed over inside the Parameters of the operation.
    wrapped = {"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": said}]}
    for resource in (provenance, wrapped):
        assert problems(validate_with_server(record_base_url, resource)) == []
