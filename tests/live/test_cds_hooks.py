"""A card from a real record: prefetched as a client does it, fetched by ourselves, taken up, and replayed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal

from audit.test_signature import KEY, PUBLISHED
from ebbmark.audit.signature import Verified, verify
from ebbmark.record.connection import Patience
from ebbmark.record.write_back import WriteState
from ebbmark.use_cases.from_record import ReadLimits
from fhir_builders import quantity
from live.bedside import Bedside
from live.record_server import FHIR_JSON, load_own_codes, problems, running_record, validate_with_server
from web.hooks.calling import AFTER_S, CALL, INSTANCE, JSON, borne, context, hooks_app, order

pytestmark = pytest.mark.live

Json = dict[str, Any]
GRANT = {
    "access_token": "the-record-of-the-tests-asks-for-none",
    "token_type": "Bearer",
    "expires_in": 300,
    "scope": "user/Patient.rs user/Observation.rs user/Condition.rs",
    "subject": "ebbmark",
}


class Client:
    """A CDS client written from the standard's text: discovers, prefetches, calls, and carries out what is taken up."""

    def __init__(self, portal: BlockingPortal, inside: httpx.AsyncClient, record: httpx.Client, base_url: str) -> None:
        self.portal = portal
        self.inside = inside
        self.record = record
        self.base_url = base_url

    def services(self) -> list[Json]:
        async def asked() -> httpx.Response:
            return await self.inside.get("/cds-services")

        found: list[Json] = self.portal.call(asked).json()["services"]
        return found

    def prefetched(self, hook: str, given: dict[str, object]) -> dict[str, object]:
        """Each template with its tokens replaced, run as it stands against the record."""
        (service,) = [one for one in self.services() if one["hook"] == hook]
        brought: dict[str, object] = {}
        for key, template in service["prefetch"].items():
            query = template
            for name, value in given.items():
                query = query.replace(f"{{{{context.{name}}}}}", str(value))
            assert "{{" not in query
            reply = self.record.get(f"{self.base_url}/{query}", headers={"Cache-Control": "no-cache"})
            assert reply.is_success, reply.text
            brought[key] = reply.json()
        return brought

    def call(self, hook: str, given: dict[str, object], **more: object) -> list[Json]:
        body = json.dumps({"hook": hook, "hookInstance": INSTANCE, "context": given, **more}).encode()

        async def posted() -> httpx.Response:
            return await self.inside.post(CALL, content=body, headers=JSON)

        reply = self.portal.call(posted)
        assert reply.status_code == 200, reply.text
        found: list[Json] = reply.json()["cards"]
        return found

    def take_up(self, suggestion: Json) -> list[str]:
        """All actions of a suggestion as one transaction; gives where each resource is now."""
        created = {
            f"{one['resource']['resourceType']}/{one['resource']['id']}": f"urn:uuid:{one['resource']['id']}"
            for one in suggestion["actions"]
            if one["type"] == "create" and "id" in one["resource"]
        }
        entries = []
        for action in suggestion["actions"]:
            # The full URL of an action is the record's base with type and id, says the standard. HAPI 8.8 replaces
            # references to placeholders only, so that this client gives each the same name as a placeholder.
            text = json.dumps(action["resource"])
            for local, placeholder in created.items():
                text = text.replace(f'"reference": "{local}"', f'"reference": "{placeholder}"')
            resource = json.loads(text)
            kind, identity = resource["resourceType"], resource.get("id", "")
            if action["type"] == "create":
                resource.pop("id", None)
                named = {"fullUrl": created[f"{kind}/{identity}"]} if identity else {}
                entries.append({**named, "resource": resource, "request": {"method": "POST", "url": kind}})
            else:
                url = f"{kind}/{identity}"
                entries.append({"resource": resource, "request": {"method": "PUT", "url": url}})
        reply = self.record.post("", json={"resourceType": "Bundle", "type": "transaction", "entry": entries})
        assert reply.is_success, reply.text
        return [str(one["response"]["location"]).partition("/_history")[0] for one in reply.json()["entry"]]


@pytest.fixture(scope="module")
def record_base_url(record_base_url: str) -> Iterator[str]:
    """A record of its own: what is taken up leaves a second Device there, as a client cannot express a condition."""
    with running_record() as own:
        load_own_codes(own)
        yield own


@pytest.fixture(scope="module")
def client(record_base_url: str) -> Iterator[httpx.Client]:
    """Speaks to that record directly."""
    with httpx.Client(base_url=record_base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False) as client:
        yield client


@pytest.fixture(scope="module")
def ehr(client: httpx.Client, record_base_url: str) -> Iterator[Client]:
    app = hooks_app(
        at_s=AFTER_S,
        allowed=(record_base_url,),
        signer=KEY,
        # The record of the tests shares this machine with everything else.
        fetching=ReadLimits(requests=40, total_s=60.0),
        patience=Patience(10.0, 60.0, 60.0),
    )
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 50000))
    with (
        start_blocking_portal() as portal,
        portal.wrap_async_context_manager(app.router.lifespan_context(app)),
        portal.wrap_async_context_manager(
            httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8087")
        ) as inside,
    ):
        yield Client(portal, inside, client, record_base_url)


def given(bedside: Bedside, **more: object) -> dict[str, object]:
    return {**context(userId=bedside.doctor, patientId=bedside.prefix), **more}


def charts_vital_signs(bedside: Bedside) -> None:
    """Without them no order is drafted or changed."""
    for vital in borne(bedside.trial):
        bedside.put(vital)


def test_a_card_from_what_the_record_answers_to_our_templates(ehr: Client, bedside: Bedside) -> None:
    (card,) = ehr.call("patient-view", given(bedside), prefetch=ehr.prefetched("patient-view", given(bedside)))

    assert "PEEP 14" in card["summary"]


def test_a_card_from_what_we_fetch_says_the_same(ehr: Client, bedside: Bedside) -> None:
    brought = ehr.call("patient-view", given(bedside), prefetch=ehr.prefetched("patient-view", given(bedside)))

    fetched = ehr.call("patient-view", given(bedside), fhirServer=ehr.base_url, fhirAuthorization=GRANT)

    assert len(brought) == 1
    assert [one["detail"] for one in fetched] == [one["detail"] for one in brought]


def test_a_patient_without_a_trial_gets_no_card(ehr: Client, bedside: Bedside) -> None:
    nobody = f"{bedside.prefix}-other"
    bedside.keep({"resourceType": "Patient", "id": nobody, "gender": "male", "birthDate": "1970-01-01"})

    assert ehr.call("patient-view", context(patientId=nobody), fhirServer=ehr.base_url, fhirAuthorization=GRANT) == []


def test_what_is_taken_up_stands_in_the_record_with_its_references_and_replays(
    ehr: Client, bedside: Bedside, record_base_url: str
) -> None:
    (card,) = ehr.call("patient-view", given(bedside), prefetch=ehr.prefetched("patient-view", given(bedside)))

    places = ehr.take_up(card["suggestions"][0])

    identity = bedside.asked().identity
    stored = bedside.stored(identity)
    assert len(stored) == len(places)
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    (provenance,) = [one for _, one in stored if one["resourceType"] == "Provenance"]
    assert {one["reference"] for one in provenance["target"]} <= set(places)
    assert provenance["agent"][1]["who"] == {"reference": bedside.doctor}
    assert all(problems(validate_with_server(record_base_url, one)) == [] for _, one in stored)


def test_the_drafted_order_is_sound_and_waits_for_a_signature(
    ehr: Client, bedside: Bedside, record_base_url: str
) -> None:
    charts_vital_signs(bedside)
    (card,) = ehr.call("patient-view", given(bedside), fhirServer=ehr.base_url, fhirAuthorization=GRANT)

    (place,) = ehr.take_up(card["suggestions"][1])

    drafted = ehr.record.get(f"/{place}").json()
    assert (drafted["status"], drafted["intent"]) == ("draft", "proposal")
    assert problems(validate_with_server(record_base_url, drafted)) == []


def test_a_draft_order_is_changed_to_the_suggestion(ehr: Client, bedside: Bedside) -> None:
    draft = order(8.0, f"{bedside.prefix}-order", subject={"reference": bedside.patient})
    bedside.keep(draft)
    charts_vital_signs(bedside)
    orders = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": draft}]}
    asked = given(bedside, draftOrders=orders)

    (card,) = ehr.call("order-sign", asked, fhirServer=ehr.base_url, fhirAuthorization=GRANT)
    ehr.take_up(card["suggestions"][0])

    changed = ehr.record.get(f"/ServiceRequest/{bedside.prefix}-order").json()
    assert changed["quantityQuantity"]["value"] == 14.0
    assert changed["status"] == "draft"


def test_what_was_taken_up_leaves_the_record_open_for_what_is_written_later(
    ehr: Client, client: httpx.Client, record_base_url: str
) -> None:
    for patient in (Bedside(client, record_base_url), Bedside(client, record_base_url)):
        (card,) = ehr.call("patient-view", given(patient), fhirServer=ehr.base_url, fhirAuthorization=GRANT)
        ehr.take_up(card["suggestions"][0])
    devices = client.get("/Device", params={"_count": "50"}, headers={"Cache-Control": "no-cache"}).json()["entry"]
    another = Bedside(client, record_base_url)

    outcome = another.recorded(another.asked(), another.nurse)

    assert len(devices) > 1
    assert outcome.state is WriteState.WRITTEN, outcome.sentence


def test_what_was_taken_up_twice_is_marked_together_once_another_answer_takes_its_place(
    ehr: Client, bedside: Bedside
) -> None:
    (card,) = ehr.call("patient-view", given(bedside), fhirServer=ehr.base_url, fhirAuthorization=GRANT)
    for _ in range(2):
        ehr.take_up(card["suggestions"][0])
    first = bedside.asked()

    again = bedside.recorded(first, bedside.nurse)
    later = bedside.recorded(bedside.asked(margin={"valueQuantity": quantity(3.0)}), bedside.nurse)

    assert (again.state, later.state) == (WriteState.ALREADY_THERE, WriteState.WRITTEN), (
        again.sentence,
        later.sentence,
    )
    statuses = [result["status"] for result in bedside.results()]
    assert sorted(statuses) == ["cancelled", "cancelled", "preliminary"]
