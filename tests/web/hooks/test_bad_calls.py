"""Every call that is not as the standard has it gets a clear refusal, never a fault and never a guess."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from starlette.types import ASGIApp

from fhir_builders import Json, height, patient, trial_observations
from web.asking import Reply, ask
from web.hooks.calling import CALL, JSON, RECORD, call, called, cards, context, hooks_app, order, prefetch, searchset

GRANT: dict[str, object] = {
    "access_token": "opaque",
    "token_type": "Bearer",
    "expires_in": 300,
    "scope": "user/Patient.read user/Observation.read",
    "subject": "cds-service4",
}
OTHERS = [{**trial_observation, "subject": {"reference": "Patient/p2"}} for trial_observation in trial_observations()]


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return hooks_app()


def places(reply: Reply) -> list[str]:
    return [place for issue in reply.errors for place in issue.get("expression", [""])]


@pytest.mark.parametrize(
    ("changes", "status", "place"),
    [
        ({"hook": ...}, 400, "hook"),
        ({"hook": None}, 400, "hook"),
        ({"hook": 7}, 400, "hook"),
        ({"hook": "medication-refill"}, 422, "hook"),
        ({"hookInstance": ...}, 400, "hookInstance"),
        ({"hookInstance": ""}, 400, "hookInstance"),
        ({"hookInstance": "42"}, 400, "hookInstance"),
        ({"context": ...}, 400, "context"),
        ({"context": {}}, 400, "context"),
        ({"context": "p1"}, 400, "context"),
        ({"context": context(patientId=None)}, 400, "context.patientId"),
        ({"context": context(patientId="Patient/p1")}, 400, "context.patientId"),
        ({"context": context(patientId=["p1"])}, 400, "context.patientId"),
        ({"context": context(userId=None)}, 400, "context.userId"),
        ({"context": context(userId="abc")}, 400, "context.userId"),
        ({"context": context(encounterId="e 1")}, 400, "context.encounterId"),
        ({"prefetch": []}, 400, "prefetch"),
        ({"prefetch": "none"}, 400, "prefetch"),
        ({"fhirServer": "record.example"}, 400, "fhirServer"),
        ({"fhirServer": 5}, 400, "fhirServer"),
        ({"fhirAuthorization": GRANT}, 400, "fhirServer"),
        ({"fhirServer": RECORD, "fhirAuthorization": {"access_token": "x"}}, 400, "fhirAuthorization"),
        ({"fhirServer": RECORD, "fhirAuthorization": {**GRANT, "token_type": "MAC"}}, 400, "fhirAuthorization"),
        ({"fhirServer": RECORD, "fhirAuthorization": {**GRANT, "access_token": "a b"}}, 400, "fhirAuthorization"),
        (
            {"fhirServer": RECORD, "fhirAuthorization": {**GRANT, "patient": "p2"}},
            422,
            "fhirAuthorization.patient",
        ),
        ({"fhirVersion": "3.0.2"}, 422, "fhirVersion"),
        ({"prefetch": prefetch(patient=patient("p2"))}, 422, "prefetch.patient"),
        ({"prefetch": prefetch(patient=height())}, 400, "prefetch.patient"),
        ({"prefetch": prefetch(patient="p1")}, 400, "prefetch.patient"),
        ({"prefetch": prefetch(mechanics=searchset(*OTHERS))}, 422, "prefetch.mechanics"),
        ({"prefetch": prefetch(mechanics=trial_observations())}, 400, "prefetch.mechanics"),
        ({"prefetch": prefetch(mechanics=trial_observations()[0])}, 400, "prefetch.mechanics"),
        ({"prefetch": prefetch(mechanics=searchset(type="batch"))}, 400, "prefetch.mechanics"),
        (
            {"prefetch": prefetch(mechanics={"resourceType": "Bundle", "type": "searchset", "entry": "none"})},
            400,
            "prefetch.mechanics",
        ),
        (
            {
                "prefetch": prefetch(
                    mechanics={"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": 3}]}
                )
            },
            400,
            "prefetch.mechanics",
        ),
    ],
    ids=lambda value: str(value)[:60],
)
def test_what_is_wrong_is_named(app: ASGIApp, changes: Mapping[str, object], status: int, place: str) -> None:
    reply = call(app, called(**changes))  # type: ignore[arg-type]

    assert reply.status == status, reply.body
    assert place in places(reply)


def test_the_encounter_is_needed_where_one_starts(app: ASGIApp) -> None:
    reply = call(app, called("encounter-start", context=context()))

    assert (reply.status, places(reply)) == (400, ["context.encounterId"])


@pytest.mark.parametrize(
    ("hook", "more", "place"),
    [
        ("order-sign", {}, "context.draftOrders"),
        ("order-sign", {"draftOrders": []}, "context.draftOrders"),
        ("order-sign", {"draftOrders": "orders"}, "context.draftOrders"),
        ("order-sign", {"draftOrders": order()}, "context.draftOrders"),
        ("order-select", {"draftOrders": searchset(order())}, "context.selections"),
        ("order-select", {"draftOrders": searchset(order()), "selections": "o1"}, "context.selections"),
    ],
)
def test_the_orders_are_needed_where_orders_are_signed(
    app: ASGIApp, hook: str, more: dict[str, object], place: str
) -> None:
    reply = call(app, called(hook, context=context(hook, **more)))

    assert (reply.status, places(reply)) == (400, [place])


def test_every_fault_is_named_at_once(app: ASGIApp) -> None:
    reply = call(app, {"hook": "patient-view"})

    assert {"hookInstance", "context", "context.patientId", "context.userId"} <= set(places(reply))


def test_another_service_is_not_there(app: ASGIApp) -> None:
    reply = call(app, called(), path="/cds-services/another")

    assert reply.status == 404
    assert "there is peep-trial" in reply.errors[0]["details"]["text"]


def test_feedback_of_another_service_is_not_taken(app: ASGIApp) -> None:
    assert call(app, {"feedback": []}, path="/cds-services/another/feedback").status == 404


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"[]", 400),
        (b'"text"', 400),
        (b"<xml/>", 400),
        (b'{"hook": "\xff"}', 400),
        (b'{"context":' + b"[" * 3000 + b"]" * 3000 + b"}", 400),
        (b'{"prefetch":{"mechanics":' + b'{"a":' * 3000 + b"1" + b"}" * 3000 + b"}}", 400),
        (b'{"hook":"' + b"x" * 2_000_001 + b'"}', 413),
    ],
    ids=["nothing", "half", "array", "text", "XML", "not UTF-8", "deep", "deep prefetch", "long"],
)
def test_what_is_no_json_object_of_sensible_size_is_refused(app: ASGIApp, body: bytes, status: int) -> None:
    assert call(app, body).status == status


@pytest.mark.parametrize(
    "headers",
    [{}, {"content-type": "text/plain"}, {"content-type": "application/json; fhirVersion=3.0"}],
    ids=["none", "text", "STU3"],
)
def test_what_does_not_claim_to_be_json_is_refused(app: ASGIApp, headers: dict[str, str]) -> None:
    assert call(app, called(), headers=headers).status == 415


def test_a_packed_body_is_refused(app: ASGIApp) -> None:
    assert call(app, called(), headers={**JSON, "content-encoding": "gzip"}).status == 415


def test_a_call_by_get_is_refused(app: ASGIApp) -> None:
    assert ask(app, method="GET", path=CALL, headers=JSON).status == 405


def test_optional_elements_that_are_null_count_as_absent(app: ASGIApp) -> None:
    asked = called(fhirServer=None, fhirAuthorization=None, context=context() | {"encounterId": None})

    assert len(cards(call(app, asked))) == 1


def test_an_extension_is_passed_over(app: ASGIApp) -> None:
    assert len(cards(call(app, called(extension={"com.example": {"a": 1}})))) == 1


def test_a_version_of_fhir_that_is_read_is_fine(app: ASGIApp) -> None:
    assert len(cards(call(app, called(fhirVersion="4.0.1")))) == 1


@pytest.mark.parametrize("part", ["patient", "heights", "mechanics"])
def test_a_part_that_was_not_brought_and_cannot_be_fetched_is_named(app: ASGIApp, part: str) -> None:
    reply = call(app, called(prefetch=prefetch(**{part: ...})))

    assert (reply.status, places(reply)) == (412, [f"prefetch.{part}"])
    assert (
        "the key was not sent, and it cannot be fetched: no fhirServer was sent" in (reply.errors[0]["details"]["text"])
    )


def test_every_part_that_is_missing_is_named_at_once(app: ASGIApp) -> None:
    reply = call(app, called(prefetch=...))

    assert (reply.status, places(reply)) == (412, ["prefetch.patient", "prefetch.heights", "prefetch.mechanics"])


@pytest.mark.parametrize("part", ["patient", "heights", "mechanics"])
def test_an_operation_outcome_is_no_data(app: ASGIApp, part: str) -> None:
    failed: Json = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "exception", "diagnostics": "Ottilie Beispiel"}],
    }

    reply = call(app, called(prefetch=prefetch(**{part: failed})))

    assert (reply.status, places(reply)) == (412, [f"prefetch.{part}"])
    assert "Ottilie" not in reply.body.decode()


def test_a_search_that_failed_in_part_is_no_data(app: ASGIApp) -> None:
    failed: Json = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "exception"}]}
    mixed = searchset(*trial_observations(), failed)

    assert call(app, called(prefetch=prefetch(mechanics=mixed))).status == 412


def test_null_says_that_there_is_no_data(app: ASGIApp) -> None:
    assert cards(call(app, called(prefetch=prefetch(mechanics=None)))) == []


def test_a_patient_that_is_null_is_missing(app: ASGIApp) -> None:
    reply = call(app, called(prefetch=prefetch(patient=None)))

    assert (reply.status, places(reply)) == (412, ["prefetch.patient"])


@pytest.mark.parametrize("sent", [..., None, {"resourceType": "OperationOutcome", "issue": []}])
def test_without_circulation_a_trial_is_read_all_the_same(app: ASGIApp, sent: object) -> None:
    assert len(cards(call(app, called(prefetch=prefetch(circulation=sent))))) == 1


def test_a_refusal_holds_nothing_of_the_patient(app: ASGIApp) -> None:
    named = {**patient("p2"), "name": [{"family": "Beispiel", "given": ["Ottilie"]}]}

    reply = call(app, called(prefetch=prefetch(patient=named)))

    assert reply.status == 422
    assert b"Beispiel" not in reply.body
    assert b"p2" not in reply.body


def test_a_refusal_does_not_repeat_the_type_of_a_bundle_that_may_be_a_name(app: ASGIApp) -> None:
    reply = call(app, called(prefetch=prefetch(mechanics=searchset(type="Ottilie Beispiel"))))

    assert reply.status == 400
    assert b"Beispiel" not in reply.body


def test_readings_that_cannot_be_used_are_refused_by_name(app: ASGIApp) -> None:
    trial = trial_observations()
    trial[4] = {
        **trial[4],
        "valueQuantity": {"value": 20, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"},
    }

    reply = call(app, called(prefetch=prefetch(*trial)))

    assert reply.status == 422
    assert "The unit kg cannot be converted to cm[H2O]" in reply.errors[0]["details"]["text"]
    assert places(reply) == ["prefetch.mechanics.entry[4].resource.valueQuantity"]
