"""What one click of a person does: actions that a record can carry out as the standard says, nothing final in them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest

from ebbmark.audit.signature import Verified, verify
from ebbmark.fhir.writing.transaction import as_transaction as as_transaction_of_answer
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.keys import KeyRing, new_key_set, public_key_set, read_key_ring, read_public_keys
from ebbmark.web.hooks.card import settable
from ebbmark.web.hooks.orders import record_results
from fhir_builders import patient, to_bytes, trial_observations
from recommendations import RECORDED_S, found
from web.hooks.calling import RECORD, call, called, card, context, hooks_app, prefetch

Json = dict[str, Any]


@pytest.fixture(scope="module")
def suggestions() -> list[Json]:
    found: list[Json] = card(call(hooks_app(), called(context=context(encounterId="e1"))))["suggestions"]
    return found


@pytest.fixture(scope="module")
def resources(suggestions: list[Json]) -> list[Json]:
    return [action["resource"] for action in suggestions[0]["actions"]]


def as_transaction(resources: list[Json]) -> Json:
    """As the standard has the client carry actions out: the full URL is the record's base with type and id."""
    entries = []
    for resource in resources:
        kind = resource["resourceType"]
        bare = {name: value for name, value in resource.items() if name != "id"}
        entries.append(
            {
                **({"fullUrl": f"{RECORD}/{kind}/{resource['id']}"} if "id" in resource else {}),
                "resource": bare,
                "request": {"method": "POST", "url": kind},
            }
        )
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def references(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for item in value.values():
            yield from references(item)
    elif isinstance(value, list):
        for item in value:
            yield from references(item)


def test_any_number_of_suggestions_may_be_taken() -> None:
    assert card(call(hooks_app(), called()))["selectionBehavior"] == "any"


def test_the_results_can_be_recorded_and_an_order_drafted(suggestions: list[Json]) -> None:
    assert [suggestion["label"] for suggestion in suggestions] == [
        "Record these results as preliminary",
        "Draft an order of PEEP 14 cmH2O, to be signed",
    ]


def test_nothing_is_pushed(suggestions: list[Json]) -> None:
    assert not any("isRecommended" in suggestion for suggestion in suggestions)


def test_every_action_says_what_it_does(suggestions: list[Json]) -> None:
    actions = [action for suggestion in suggestions for action in suggestion["actions"]]

    assert all(action["description"] and action["type"] == "create" for action in actions)


def test_every_result_is_preliminary(resources: list[Json]) -> None:
    statuses = {
        resource["status"] for resource in resources if resource["resourceType"] in ("Observation", "DetectedIssue")
    }

    assert statuses == {"preliminary"}


def test_who_takes_the_suggestion_is_named_as_the_person_who_enters(resources: list[Json]) -> None:
    (provenance,) = [resource for resource in resources if resource["resourceType"] == "Provenance"]

    assert provenance["agent"][1]["who"] == {"reference": "Practitioner/abc"}
    assert provenance["agent"][1]["type"]["coding"][0]["code"] == "enterer"


def test_each_resource_has_a_name_of_its_own_within_the_transaction(resources: list[Json]) -> None:
    names = [f"{resource['resourceType']}/{resource['id']}" for resource in resources]

    assert len(set(names)) == len(names)


def test_every_reference_leads_to_another_action_or_to_the_record(resources: list[Json]) -> None:
    names = {f"{resource['resourceType']}/{resource['id']}" for resource in resources}
    found = list(references(resources))

    inside = [one for one in found if one in names]
    outside = {one for one in found if one not in names}
    assert len(inside) > 50
    assert all(one.startswith(("#", "Patient/p1", "Observation/", "Practitioner/abc")) for one in outside)
    assert not any(one.startswith("urn:") for one in found)


def test_the_actions_are_sound_fhir(resources: list[Json]) -> None:
    text = json.dumps(as_transaction(resources))
    for resource in resources:
        local = f"{resource['resourceType']}/{resource['id']}"
        text = text.replace(f'"{local}"', f'"urn:uuid:{resource["id"]}"').replace(
            f'"{RECORD}/{local}"', f'"urn:uuid:{resource["id"]}"'
        )
    transaction = json.loads(text)
    for entry in transaction["entry"]:
        entry["request"]["ifNoneExist"] = "identifier=x"

    assert validate(transaction) == ()


def test_the_drafted_order_is_a_draft_and_a_proposal(suggestions: list[Json]) -> None:
    (action,) = suggestions[1]["actions"]
    drafted = action["resource"]

    assert (drafted["status"], drafted["intent"]) == ("draft", "proposal")
    assert drafted["code"]["coding"][0]["code"] == "20077-4"
    assert drafted["quantityQuantity"]["value"] == 14.0
    assert drafted["quantityQuantity"]["code"] == "cm[H2O]"
    assert drafted["subject"] == {"reference": "Patient/p1"}
    assert drafted["encounter"] == {"reference": "Encounter/e1"}
    assert "requester" not in drafted


def test_a_signature_of_the_answer_holds_for_what_is_recorded() -> None:
    ring = read_key_ring([to_bytes(new_key_set("ES384"))])
    assert isinstance(ring, KeyRing)
    suggestion = card(call(hooks_app(signer=ring.keys[0]), called()))["suggestions"][0]

    stored = [
        (f"{RECORD}/{action['resource']['resourceType']}/{action['resource']['id']}", action["resource"])
        for action in suggestion["actions"]
    ]

    published = read_public_keys(to_bytes(public_key_set(ring))) or ()
    assert verify(stored, published).verified is Verified.VALID


def test_results_are_recorded_alike_by_the_short_way_and_the_long() -> None:
    recommendation = found()
    person = recommendation.request.subject
    quick = record_results(recommendation, patient=person, user="Practitioner/abc", recorded_s=RECORDED_S, signer=None)
    transaction = as_transaction_of_answer(
        write_bundle(recommendation, recorded_s=RECORDED_S, enterer="Practitioner/abc"), person
    )

    plain = [msgspec.json.decode(msgspec.json.encode(action["resource"])) for action in quick]

    entries: Any = transaction["entry"]
    names = {entry["fullUrl"]: f"{entry['resource']['resourceType']}/{entry['fullUrl'][9:]}" for entry in entries}
    expected = json.dumps([{**entry["resource"], "id": entry["fullUrl"][9:]} for entry in entries])
    for url, name in names.items():
        expected = expected.replace(f'"{url}"', f'"{name}"')
    assert plain == json.loads(expected)


def test_inputs_that_have_no_address_in_the_record_are_named_without_one() -> None:
    nameless = [{**trial_observation, "id": None} for trial_observation in trial_observations()]
    entries = [
        {"fullUrl": f"urn:uuid:00000000-0000-4000-8000-{number:012d}", "resource": {k: v for k, v in one.items() if v}}
        for number, one in enumerate(nameless)
    ]
    brought: Any = {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}

    actions = card(call(hooks_app(), called(prefetch=prefetch(mechanics=brought))))["suggestions"][0]["actions"]

    resources = [action["resource"] for action in actions]
    assert not any(reference.startswith("urn:") for reference in references(resources))
    assert "urn:ietf:rfc:3986" in json.dumps(resources)


def test_nothing_is_offered_for_a_patient_record_that_is_no_longer_used() -> None:
    told = card(call(hooks_app(), called(prefetch=prefetch(patient={**patient(), "active": False}))))

    assert "suggestions" not in told
    assert "selectionBehavior" not in told
    assert "record is inactive" in told["detail"]


def test_a_patient_record_that_was_replaced_is_refused_and_its_successor_is_not_quoted() -> None:
    link = {"type": "replaced-by", "other": {"reference": "Patient/other-77"}}

    reply = call(hooks_app(), called(prefetch=prefetch(patient={**patient(), "link": [link]})))

    assert reply.status == 422
    assert b"Patient.link of type replaced-by" in reply.body
    assert b"other-77" not in reply.body


@pytest.mark.parametrize(("peep_cmh2o", "taken"), [(12.0, True), (12.5, True), (12.2, False), (12.24, False)])
def test_an_order_is_drafted_only_of_a_peep_that_a_ventilator_takes(peep_cmh2o: float, taken: bool) -> None:
    assert settable(peep_cmh2o) is taken
