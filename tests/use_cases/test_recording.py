"""Recording is a human act: who chose it stands in the Provenance, and a preview shows what would be written."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from datetime import datetime
from typing import Any

import httpx
import pytest
import respx

from audit.test_signature import KEY, PUBLISHED
from ebbmark.audit.signature import Verified, verify
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import WRITTEN_TYPES, AcceptedWrites
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.fhir.writing.validate import validate
from ebbmark.keys import SigningKey
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.write_back import WriteState
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.recording import Recorded, record_answer, to_be_written
from ebbmark.use_cases.replay import replay
from fhir_builders import at, bundle, height, parameters, patient, to_bytes, trial_observations
from record.keeping_record import BASE, KeepingRecord
from record.waits import Waits, noon

Json = dict[str, Any]

NURSE, DOCTOR = "Practitioner/nurse-7", "PractitionerRole/doctor-3"
AT_S = datetime.fromisoformat(at(90)).timestamp()
INPUTS: list[Json] = [patient(), height(), *trial_observations()]
ANSWER = answer_request(TITRATE_PEEP, to_bytes(parameters(bundle=bundle(*INPUTS))), RequestContext(AT_S))
SETTINGS = RecordSettings(BASE, (BASE,))


async def _recorded(
    recommendation: Answer,
    enterer: str | None,
    at_s: float,
    signer: SigningKey | None = KEY,
    settings: RecordSettings = SETTINGS,
) -> Recorded:
    async with RecordClient(settings, waiting=Waiting(Waits(), noon)) as client:
        return await record_answer(recommendation, at_s=at_s, record=client, signer=signer, enterer=enterer)


def recorded(record: KeepingRecord, enterer: str | None = NURSE, at_s: float = AT_S) -> Recorded:
    with respx.mock() as router:
        record.attach(router)
        return asyncio.run(_recorded(ANSWER, enterer, at_s))


def test_a_request_whose_time_is_over_writes_nothing_and_says_so() -> None:
    record = KeepingRecord()

    async def late() -> Recorded:
        until_s = asyncio.get_running_loop().time() - 1.0
        async with RecordClient(SETTINGS, waiting=Waiting(Waits(), noon)) as client:
            return await record_answer(ANSWER, at_s=AT_S, record=client, with_report=True, until_s=until_s)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        outcome = asyncio.run(late())

    assert outcome.state is WriteState.FAILED
    assert outcome.sentence.startswith("Nothing was written")
    assert record.posts == 0


def previewed(enterer: str | None = NURSE, recommendation: Answer = ANSWER) -> Json:
    return to_be_written(
        recommendation, at_s=AT_S, record=RecordClient(SETTINGS, waiting=Waiting(Waits(), noon)), enterer=enterer
    )


def agents(record: KeepingRecord) -> list[tuple[str, Json]]:
    (provenance,) = [one for one in record.held.values() if one["resourceType"] == "Provenance"]
    return [(one["type"]["coding"][0]["code"], one["who"]) for one in provenance["agent"]]


def test_who_chose_to_record_stands_beside_the_software() -> None:
    record = KeepingRecord()

    outcome = recorded(record)

    assert (outcome.state, outcome.there) == (WriteState.WRITTEN, True)
    (software, device), (role, person) = agents(record)
    assert (software, device["reference"].partition("/")[0]) == ("assembler", "Device")
    assert (role, person) == ("enterer", {"reference": NURSE})


def test_what_no_person_chose_to_record_names_none() -> None:
    record = KeepingRecord()
    recorded(record, None)

    assert [role for role, _ in agents(record)] == ["assembler"]


def test_a_repeat_by_another_person_creates_nothing_and_the_first_stays_named() -> None:
    record = KeepingRecord()
    recorded(record, NURSE)
    before = dict(record.held)

    outcome = recorded(record, DOCTOR, AT_S + 600.0)

    assert outcome.state is WriteState.ALREADY_THERE
    assert record.held == before


def test_the_person_does_not_enter_the_identity() -> None:
    named, nameless = previewed(NURSE), previewed(None)

    assert [one["fullUrl"] for one in named["entry"]] == [one["fullUrl"] for one in nameless["entry"]]


@pytest.mark.parametrize("enterer", [NURSE, DOCTOR, "https://elsewhere.example/fhir/Practitioner/9"])
def test_an_answer_that_a_person_recorded_replays_and_its_signature_is_valid(enterer: str) -> None:
    record = KeepingRecord()
    recorded(record, enterer)
    stored = [("", result) for result in record.results().values()]

    assert replay(stored, [("", one) for one in INPUTS], RequestContext(AT_S)).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID


def test_the_answer_that_comes_back_is_as_it_was_signed_though_it_says_what_became_of_it() -> None:
    outcome = recorded(KeepingRecord())

    assert verify(resources_of(outcome.answer), PUBLISHED).verified is Verified.VALID
    assert replay(resources_of(outcome.answer), [("", one) for one in INPUTS], RequestContext(AT_S)).not_checked == 0


def test_another_person_put_in_afterwards_breaks_the_signature() -> None:
    record = KeepingRecord()
    recorded(record)
    stored = [("", load) for load in json.loads(json.dumps(list(record.results().values())).replace(NURSE, DOCTOR))]

    assert verify(stored, PUBLISHED).verified is Verified.BROKEN


@pytest.mark.parametrize(
    ("fhir_user", "who"),
    [
        (f"{BASE}/{NURSE}", {"reference": NURSE}),
        (f"{NURSE}/_history/4", {"reference": NURSE}),
        (
            "https://elsewhere.example/fhir/Practitioner/9",
            {
                "identifier": {
                    "system": "urn:ietf:rfc:3986",
                    "value": "https://elsewhere.example/fhir/Practitioner/9",
                }
            },
        ),
    ],
)
def test_a_person_of_the_record_is_a_reference_and_one_from_elsewhere_a_name(fhir_user: str, who: Json) -> None:
    record = KeepingRecord()
    recorded(record, fhir_user)

    assert agents(record)[1] == ("enterer", who)


@pytest.mark.parametrize("fhir_user", ["", "nurse", "Group/1", "Practitioner/", "javascript:1", "https://x y"])
def test_a_person_named_in_no_way_that_fhir_knows_is_refused(fhir_user: str) -> None:
    with pytest.raises(Rejected, match="Who records this must be named as"):
        previewed(fhir_user)


@pytest.mark.parametrize("enterer", [NURSE, "https://elsewhere.example/fhir/Practitioner/9", None])
def test_the_preview_is_what_is_sent(enterer: str | None) -> None:
    with respx.mock() as router:
        KeepingRecord().attach(router)
        asyncio.run(_recorded(ANSWER, enterer, AT_S, signer=None))
        created, sent = [json.loads(call.request.content) for call in router.calls if call.request.method == "POST"]

    preview = previewed(enterer)

    *shown, current = sent["entry"]
    assert {**sent, "entry": shown} == preview
    assert [one["resource"]["resourceType"] for one in (*created["entry"], current)] == ["List", "List"]
    assert validate(preview) == ()


def test_without_a_record_there_is_nothing_to_preview() -> None:
    with pytest.raises(Rejected, match="no record system is configured here"):
        to_be_written(ANSWER, at_s=AT_S, record=None)


def test_the_outcome_carries_the_answer_led_by_what_became_of_it() -> None:
    outcome = recorded(KeepingRecord(search_status=403))

    assert (outcome.state, outcome.there, outcome.places) == (WriteState.FAILED, False, ())
    (told,) = [one for _, one in resources_of(outcome.answer) if one["resourceType"] == "OperationOutcome"]
    assert isinstance(told["issue"], list)
    assert told["issue"][0]["details"]["text"] == outcome.sentence


@pytest.mark.parametrize(
    ("slow", "state"),
    [(b"/List?", WriteState.FAILED), (b"GuidanceResponse", WriteState.UNKNOWN)],
    ids=["before anything was sent", "while the answer is written"],
)
def test_a_record_that_takes_too_long_ends_the_write_and_what_may_have_been_written_is_said(
    slow: bytes, state: WriteState
) -> None:
    record = KeepingRecord()

    async def answer(request: httpx.Request) -> httpx.Response:
        if slow in request.url.raw_path + request.content:
            await asyncio.sleep(30.0)
        return record.answer(request)

    with respx.mock(assert_all_called=False) as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        outcome = asyncio.run(_recorded(ANSWER, NURSE, AT_S, settings=replace(SETTINGS, write_timeout_s=1.0)))

    assert outcome.state is state
    assert ("Nothing was written" in outcome.sentence) is (state is WriteState.FAILED)


def test_the_outcome_says_where_everything_is() -> None:
    record = KeepingRecord()

    outcome = recorded(record)

    assert {place.partition("/_history/")[0] for place in outcome.places} == set(record.results())


def test_a_patient_whom_the_record_does_not_know_is_refused() -> None:
    request = replace(ANSWER.request, subject="urn:uuid:0b1c8a52-95a3-4d0c-9c4e-3f5f2c7a9d11")

    with pytest.raises(Rejected, match="known to the record"):
        previewed(NURSE, replace(ANSWER, request=request))


def test_nothing_is_written_for_a_patient_that_the_record_no_longer_uses() -> None:
    inputs = [{**patient(), "active": False}, height(), *trial_observations()]
    answer = answer_request(TITRATE_PEEP, to_bytes(parameters(bundle=bundle(*inputs))), RequestContext(AT_S))

    with pytest.raises(Rejected) as refusal:
        previewed(recommendation=answer)

    assert "marked inactive" in refusal.value.problems[0].sentence


def test_a_patient_who_replaced_another_record_is_written_for() -> None:
    inputs = [{**patient(), "active": True, "link": [{"type": "replaces"}]}, height(), *trial_observations()]
    answer = answer_request(TITRATE_PEEP, to_bytes(parameters(bundle=bundle(*inputs))), RequestContext(AT_S))

    assert previewed(recommendation=answer)["entry"]


def test_the_answer_to_another_question_is_not_doubled_in_a_record_that_ignores_conditional_create() -> None:
    record = KeepingRecord(heeds_conditions=False)
    asked = [*parameters(bundle=bundle(*INPUTS))["parameter"], {"name": "titrated-at", "valueInstant": at(50)}]  # type: ignore[misc]
    request = {"resourceType": "Parameters", "parameter": asked}
    answer = answer_request(BY_SLUG["check-validity"], to_bytes(request), RequestContext(AT_S))

    async def twice() -> list[Recorded]:
        async with RecordClient(SETTINGS, waiting=Waiting(Waits(), noon)) as client:
            return [await record_answer(answer, at_s=AT_S, record=client) for _ in range(2)]

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        first, second = asyncio.run(twice())

    assert first.state is WriteState.WRITTEN
    assert second.state is WriteState.ALREADY_THERE
    assert second.places[0] in first.places
    assert len(record.held) == len(first.places)


def test_a_report_that_the_record_does_not_take_is_said_not_to_be_there() -> None:
    record = KeepingRecord(refused_types=frozenset({"DiagnosticReport"}))
    settings = RecordSettings(BASE, (BASE,), accepts=AcceptedWrites(frozenset(WRITTEN_TYPES) - {"DiagnosticReport"}))

    async def work() -> Recorded:
        async with RecordClient(settings, waiting=Waiting(Waits(), noon)) as client:
            return await record_answer(ANSWER, at_s=AT_S, record=client, with_report=True)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        outcome = asyncio.run(work())

    assert outcome.state is WriteState.WRITTEN
    assert outcome.sentence.endswith("takes no DiagnosticReport (EBBMARK_RECORD_WRITES).")
