"""An operation at the address of a patient is the same as one that names the patient of the record in its body."""

from __future__ import annotations

import pytest
import respx

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from fhir_builders import Json, height, parameters, patient, to_bytes, trial_observations
from record.searchable_record import BASE, SearchableRecord
from web.asking import OPERATION, Reply, ask, plain_app

ADDRESS = "/fhir/Patient/p1/$titrate-peep"
NAMED: Json = {"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}
AS_OF: Json = {"name": "as-of", "valueInstant": "2026-03-01T12:00:00Z"}


def asked(path: str, *given: Json, body: bytes | None = None) -> Reply:
    sent = to_bytes({"resourceType": "Parameters", "parameter": [*given]}) if body is None else body
    with respx.mock(assert_all_called=False) as router:
        SearchableRecord([patient(), height(), *trial_observations()]).attach(router)
        return ask(create_app(Settings(record_base_url=BASE)), sent, path=path)


def test_the_patient_of_the_address_is_the_one_that_is_read() -> None:
    by_address, by_name = asked(ADDRESS, AS_OF), asked(OPERATION, NAMED, AS_OF)

    assert by_address.status == by_name.status == 200
    # Every fullUrl is made of the identity of the answer, and that of its inputs.
    assert [one["fullUrl"] for one in by_address.json["entry"]] == [one["fullUrl"] for one in by_name.json["entry"]]


def test_an_empty_body_asks_about_now() -> None:
    reply = asked(ADDRESS, body=b"")

    assert reply.status == 422
    assert b"must be Parameters" not in reply.body


@pytest.mark.parametrize(
    "body",
    [
        to_bytes({"resourceType": "Parameters", "parameter": [NAMED]}),
        to_bytes(parameters(patient=patient())),
        to_bytes({"resourceType": "Bundle", "type": "collection"}),
        b"[]",
    ],
    ids=["named twice", "brought", "a Bundle", "no Parameters"],
)
def test_another_patient_beside_the_address_is_refused(body: bytes) -> None:
    reply = asked(ADDRESS, body=body)

    assert reply.status == 422
    assert "Parameters that name no patient" in reply.json["issue"][0]["details"]["text"]


def test_without_a_record_the_address_of_a_patient_leads_nowhere() -> None:
    reply = ask(plain_app(), to_bytes({"resourceType": "Parameters", "parameter": [AS_OF]}), path=ADDRESS)

    assert reply.status == 422
    assert "no record system is configured" in reply.json["issue"][0]["details"]["text"]
