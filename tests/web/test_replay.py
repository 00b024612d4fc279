"""The auditor's door: what it takes, and what it says."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx
from starlette.types import ASGIApp

from ebbmark.keys import new_key_set
from ebbmark.settings import Misconfigured, Settings
from ebbmark.web.app import create_app
from fhir_builders import bundle, height, parameters, patient, to_bytes, trial_observations
from record.keeping_record import BASE
from web.asking import Reply, ask

Json = dict[str, Any]
REPLAY = "/fhir/$replay"
INPUTS = bundle(patient(), height(), *trial_observations())
IDENTITY = {"valueIdentifier": {"system": "https://ebbmark.example/fhir/sid/request", "value": "0" * 64}}


@pytest.fixture(scope="module")
def answer(app: ASGIApp) -> Json:
    return ask(app, to_bytes(INPUTS)).json


def replayed(app: ASGIApp, **given: object) -> Reply:
    return ask(app, to_bytes(parameters(**given)), path=REPLAY)


def replayed_by_name(app: ASGIApp) -> Reply:
    named = {"resourceType": "Parameters", "parameter": [{"name": "request-identifier", **IDENTITY}]}
    return ask(app, to_bytes(named), path=REPLAY)


def told(reply: Reply) -> dict[str, Any]:
    assert reply.status == 200, reply.body
    return {one["name"]: next(v for n, v in one.items() if n != "name") for one in reply.json["parameter"]}


def test_an_answer_and_its_inputs_are_the_same(app: ASGIApp, answer: Json) -> None:
    said = told(replayed(app, answer=answer, inputs=INPUTS))

    assert (said["same"], said["signature"], said["not-checked"]) == (True, "absent", 0)
    assert "difference" not in said


def test_a_difference_is_named_in_parts(app: ASGIApp, answer: Json) -> None:
    tampered = json.loads(json.dumps(answer).replace('"value": 59.7', '"value": 69.7'))

    said = told(replayed(app, answer=tampered, inputs=INPUTS))

    parts = {part["name"]: next(v for n, v in part.items() if n != "name") for part in said["difference"]}
    assert said["same"] is False
    assert (parts["kind"], parts["path"]) == ("value", "predicted-body-weight.valueQuantity.value")
    assert (parts["expected"], parts["found"]) == ("59.7", "69.7")


def test_a_replay_that_takes_longer_than_a_request_may_is_refused_and_may_be_asked_again(answer: Json) -> None:
    hurried = create_app(Settings.model_validate({"request_deadline_s": 1e-6, "max_body_bytes": 8_000_000}))
    large = {**height(), "note": [{"text": "x" * 5_000_000}]}

    reply = replayed(hurried, answer=answer, inputs=bundle(patient(), large, *trial_observations()))

    assert (reply.status, reply.headers["retry-after"]) == (503, "2")


def test_a_replay_from_a_record_that_does_not_answer_in_time_says_so(answer: Json) -> None:
    async def slowly(_: httpx.Request) -> httpx.Response:
        await asyncio.sleep(60)
        raise AssertionError("nobody waits that long")

    hurried = create_app(Settings.model_validate({"request_deadline_s": 0.2, "record_base_url": BASE}))
    with respx.mock(assert_all_called=False) as router:
        router.route(url__startswith=BASE).mock(side_effect=slowly)
        replies = [replayed(hurried, answer=answer), replayed_by_name(hurried)]

    assert [reply.status for reply in replies] == [502, 502]
    assert all("did not answer within the time of the request" in reply.body.decode() for reply in replies)


def test_a_record_that_asks_to_come_back_later_is_handed_on(answer: Json) -> None:
    app = create_app(Settings.model_validate({"record_base_url": BASE, "record_attempts": 1}))
    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(return_value=httpx.Response(503, headers={"Retry-After": "7"}))
        reply = replayed(app, answer=answer)

    assert (reply.status, reply.headers["retry-after"]) == (502, "7")


def signing_app(folder: Path) -> ASGIApp:
    file = folder / "keys.json"
    file.write_bytes(to_bytes(new_key_set("ES384")))
    return create_app(Settings.model_validate({"signing_keys": [str(file)], "sign_results": True}))


def test_a_service_that_signs_finds_its_own_signature_valid(tmp_path: Path) -> None:
    app = signing_app(tmp_path)
    signed = ask(app, to_bytes(INPUTS)).json

    assert told(replayed(app, answer=signed, inputs=INPUTS))["signature"] == "valid"


def test_what_was_tampered_with_has_a_broken_signature(tmp_path: Path) -> None:
    app = signing_app(tmp_path)
    signed = ask(app, to_bytes(INPUTS)).json
    tampered = json.loads(json.dumps(signed).replace('"value": 59.7', '"value": 69.7'))

    assert told(replayed(app, answer=tampered, inputs=INPUTS))["signature"] == "broken"


def test_a_service_that_shall_sign_without_a_key_does_not_start() -> None:
    with pytest.raises(Misconfigured, match="EBBMARK_SIGN_RESULTS"):
        create_app(Settings.model_validate({"sign_results": True}))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ([], "either request-identifier or answer"),
        ([{"name": "request-identifier", **IDENTITY}, {"name": "answer", "resource": INPUTS}], "either"),
        ([{"name": "request-identifier", "valueIdentifier": {"value": "x"}}], "64 hexadecimal digits"),
        ([{"name": "request-identifier", **IDENTITY}], "No record system is configured"),
        ([{"name": "answer", "resource": INPUTS}], "not the resources of one answer"),
        ([{"name": "answer", "resource": patient()}], "needs resource: a Bundle"),
        ([{"name": "other", "valueString": "x"}], "There is no such parameter"),
        ([{"name": "inputs", "resource": INPUTS}] * 2, "may be given once"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused(app: ASGIApp, given: list[Json], words: str) -> None:
    reply = ask(app, to_bytes({"resourceType": "Parameters", "parameter": given}), path=REPLAY)

    assert reply.status == 422
    assert any(words in issue["details"]["text"] for issue in reply.errors), reply.body


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"resourceType":"Bundle"}', b"\xff"])
def test_what_is_no_parameters_resource_is_refused(app: ASGIApp, body: bytes) -> None:
    assert ask(app, body, path=REPLAY).status == 400


def test_its_definition_names_what_it_takes_and_gives(app: ASGIApp, answer: Json) -> None:
    definition = ask(app, method="GET", path="/fhir/OperationDefinition/replay").json
    named = {(one["name"], one["use"]) for one in definition["parameter"]}
    said = told(replayed(app, answer=answer, inputs=INPUTS))

    assert {name for name, use in named if use == "in"} == {"request-identifier", "answer", "inputs"}
    assert set(said) <= {name for name, use in named if use == "out"}
