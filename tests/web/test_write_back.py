"""Write-back from the outside: whatever becomes of the write, the answer comes back and says what happened."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from typing import Any, cast

import httpx
import pytest
import respx
from starlette.types import ASGIApp

from ebbmark.fhir.writing.validate import validate
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from fhir_builders import Json, bundle, height, parameters, patient, to_bytes, trial_bundle, trial_observations
from web.asking import Reply, ask

BASE = "https://record.example/fhir"
LEAK = "Ottilie Beispiel MRN-4711"
ASKED = to_bytes(parameters(bundle=trial_bundle(), write_back=True))


def recorded_app(longest_wait_s: float = 0) -> ASGIApp:
    """An application with a record, which does not wait between attempts unless told to."""
    record = {
        "record_base_url": BASE,
        "record_token": "token-of-the-record",
        "record_longest_wait_s": longest_wait_s,
    }
    return create_app(Settings.model_validate(record))


def accepts_all(request: httpx.Request, status: str = "201 Created") -> httpx.Response:
    """A record that does what it is asked to."""
    entries = [
        {"response": {"status": status, "location": f"{entry['resource']['resourceType']}/{number}/_history/1"}}
        for number, entry in enumerate(json.loads(request.content)["entry"])
    ]
    return httpx.Response(200, json={"resourceType": "Bundle", "type": "transaction-response", "entry": entries})


def has_all(request: httpx.Request) -> httpx.Response:
    """A record that was asked before."""
    return accepts_all(request, "200 OK")


def does_half(request: httpx.Request) -> httpx.Response:
    """A record that breaks its word: a transaction is all or nothing."""
    reply = json.loads(accepts_all(request).content)
    for entry in reply["entry"][::2]:
        entry["response"] = {"status": "422 Unprocessable Entity"}
    return httpx.Response(200, json=reply)


def is_cut_off(request: httpx.Request) -> httpx.Response:
    """Valid up to where it ends."""
    return httpx.Response(200, content=accepts_all(request).content[:200])


def refuses(status: int, **headers: str) -> Callable[[httpx.Request], httpx.Response]:
    """A record that says no, and says more than it should."""
    issue = {"severity": "error", "code": "processing", "diagnostics": LEAK}
    return lambda _: httpx.Response(
        status, headers=headers, json={"resourceType": "OperationOutcome", "issue": [issue]}
    )


def fails(kind: type[httpx.TransportError]) -> Callable[[httpx.Request], httpx.Response]:
    """A network that fails, with a message that tells more than it should."""

    def failure(_: httpx.Request) -> httpx.Response:
        raise kind(LEAK)

    return failure


def holds_nothing(router: respx.MockRouter) -> None:
    """Whatever is searched for before and after the write, there is none; Lists are not kept."""
    router.get(url__startswith=f"{BASE}/List").respond(404)
    router.get(url__startswith=BASE).mock(
        return_value=httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset"})
    )


def keeps_no_lists(record: Callable[[httpx.Request], httpx.Response]) -> Callable[[httpx.Request], httpx.Response]:
    """The same record, which takes no List of current answers: these tests are of what becomes of the answer itself."""

    def answer(request: httpx.Request) -> httpx.Response:
        kinds = {entry["resource"]["resourceType"] for entry in json.loads(request.content)["entry"]}
        return refuses(422)(request) if kinds == {"List"} else record(request)

    return answer


def asked_to_write(record: Callable[[httpx.Request], httpx.Response], body: bytes = ASKED) -> Reply:
    with respx.mock() as router:
        holds_nothing(router)
        router.post(BASE).mock(side_effect=keeps_no_lists(record))
        return ask(recorded_app(), body)


def told_of(answer: dict[str, Any]) -> dict[str, Any]:
    """The OperationOutcome within the answer."""
    (outcome,) = [
        entry["resource"] for entry in answer["entry"] if entry["resource"]["resourceType"] == "OperationOutcome"
    ]
    found: dict[str, Any] = outcome
    return found


def told(reply: Reply) -> dict[str, Any]:
    """What the answer says first about how it was dealt with."""
    first: dict[str, Any] = told_of(reply.json)["issue"][0]
    return first


def text_of(issue: dict[str, Any]) -> str:
    return str(issue["details"]["text"])


def test_a_written_answer_says_so() -> None:
    reply = asked_to_write(accepts_all)

    assert (reply.status, reply.headers["ebbmark-write-back"]) == (200, "written")
    assert told(reply)["severity"] == "information"
    assert "written to the record" in text_of(told(reply))


def test_an_answer_that_was_written_before_says_so() -> None:
    reply = asked_to_write(has_all)

    assert (reply.status, reply.headers["ebbmark-write-back"]) == (200, "already-there")
    assert told(reply)["severity"] == "information"
    assert "already in the record" in text_of(told(reply))


def test_what_is_written_is_the_answer_as_one_transaction_of_conditional_creates() -> None:
    sent: list[httpx.Request] = []

    reply = asked_to_write(lambda request: sent.append(request) or accepts_all(request))  # type: ignore[func-returns-value]

    (request,) = sent
    written = json.loads(request.content)
    assert validate(written) == ()
    assert all(entry["request"]["ifNoneExist"] for entry in written["entry"])
    stored = [entry["resource"]["resourceType"] for entry in reply.json["entry"]]
    stored.remove("OperationOutcome")
    assert sorted(entry["resource"]["resourceType"] for entry in written["entry"]) == sorted(stored)


def test_asking_twice_sends_the_same_conditions() -> None:
    sent: list[httpx.Request] = []

    for _ in range(2):
        asked_to_write(lambda request: sent.append(request) or accepts_all(request))  # type: ignore[func-returns-value]

    first, second = ([entry["request"] for entry in json.loads(request.content)["entry"]] for request in sent)
    assert first == second


FAILURES = {
    "401": (refuses(401), "failed"),
    "403": (refuses(403), "failed"),
    "404": (refuses(404), "failed"),
    "409": (refuses(409), "failed"),
    "412": (refuses(412), "failed"),
    "422": (refuses(422), "failed"),
    "429": (refuses(429, **{"Retry-After": "120"}), "failed"),
    "503 of the record itself": (refuses(503, **{"Retry-After": "120"}), "unknown"),
    "503 of a gateway": (lambda _: httpx.Response(503, html="<html>Busy</html>"), "unknown"),
    "redirect": (lambda _: httpx.Response(302, headers={"Location": "https://elsewhere.example"}), "failed"),
    "no connection": (fails(httpx.ConnectError), "failed"),
    "connection too slow": (fails(httpx.ConnectTimeout), "failed"),
    "reply too slow": (fails(httpx.ReadTimeout), "unknown"),
    "cut": (fails(httpx.RemoteProtocolError), "unknown"),
    "truncated reply": (is_cut_off, "unknown"),
    "a page instead of FHIR": (lambda _: httpx.Response(200, html=f"<html>{LEAK}</html>"), "unknown"),
    "half of a transaction": (does_half, "failed"),
}


@pytest.mark.parametrize(("record", "state"), FAILURES.values(), ids=FAILURES)
def test_a_failed_write_leaves_the_answer_in_the_callers_hands(
    record: Callable[[httpx.Request], httpx.Response], state: str
) -> None:
    reply = asked_to_write(record)

    assert (reply.status, reply.headers["ebbmark-write-back"]) == (200, state)
    assert any(entry["resource"]["resourceType"] == "GuidanceResponse" for entry in reply.json["entry"])
    assert validate(reply.json) == ()


@pytest.mark.parametrize(("record", "state"), FAILURES.values(), ids=FAILURES)
def test_a_failed_write_is_the_first_thing_that_the_answer_says(
    record: Callable[[httpx.Request], httpx.Response], state: str
) -> None:
    issue = told(asked_to_write(record))

    assert issue["severity"] == "error"
    # A look after a lasting conflict shows that nothing is there: it is named.
    codes = {"incomplete"} if state == "unknown" else {"processing", "conflict"}
    assert issue["code"] in codes
    assert text_of(issue)


@pytest.mark.parametrize(("record", "state"), FAILURES.values(), ids=FAILURES)
def test_what_a_record_says_of_a_patient_goes_neither_to_the_caller_nor_to_a_log(
    record: Callable[[httpx.Request], httpx.Response], state: str, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        reply = asked_to_write(record)

    assert LEAK not in reply.body.decode() + caplog.text
    assert "token-of-the-record" not in reply.body.decode() + str(reply.headers) + caplog.text
    assert {record.name for record in caplog.records} <= {"asyncio", "ebbmark", "ebbmark.audit"}
    assert [word for word in (LEAK, "Patient/") if word in caplog.text] == []


def test_half_of_a_transaction_is_told_entry_by_entry() -> None:
    text = text_of(told(asked_to_write(does_half)))

    assert "entry 0 answered 422, entry 2 answered 422" in text
    assert "resources were written" in text


def test_a_record_that_is_busy_for_a_moment_is_asked_again() -> None:
    replies = iter([httpx.Response(429, headers={"Retry-After": "0"})])

    with respx.mock() as router:
        holds_nothing(router)
        busy_once = keeps_no_lists(lambda request: next(replies, None) or accepts_all(request))
        router.post(BASE).mock(side_effect=busy_once)
        reply = ask(recorded_app(longest_wait_s=1), ASKED)
        posts = [
            call for call in router.calls if call.request.method == "POST" and b'"List"' not in call.request.content
        ]

    assert reply.headers["ebbmark-write-back"] == "written"
    assert len(posts) == 2


def test_the_answer_is_the_same_with_and_without_write_back_but_for_what_became_of_it() -> None:
    plain = ask(recorded_app(), to_bytes(parameters(bundle=trial_bundle()))).json
    written = asked_to_write(accepts_all).json

    assert told_of(written)["issue"].pop(0)
    for answer in (plain, written):
        for entry in answer["entry"]:
            entry["resource"].pop("recorded", None)
    assert plain == written


def test_write_back_without_a_record_is_refused_before_anything_is_sent() -> None:
    with respx.mock() as router:
        reply = ask(create_app(Settings()), ASKED)
        calls = len(router.calls)

    assert reply.status == 422
    assert reply.errors[0]["expression"] == ["Parameters.parameter.where(name='write-back')"]
    assert "no record system is configured" in reply.errors[0]["details"]["text"]
    assert calls == 0


def test_write_back_for_a_patient_whom_the_record_does_not_know_is_refused() -> None:
    unknown = "urn:uuid:0b1c8a52-95a3-4d0c-9c4e-3f5f2c7a9d11"
    who = {name: value for name, value in patient().items() if name != "id"}
    trial = bundle(*[{**one, "subject": {"reference": unknown}} for one in (height(), *trial_observations())])
    trial = {**trial, "entry": [{"fullUrl": unknown, "resource": who}, *cast("list[Json]", trial["entry"])]}

    with respx.mock() as router:
        reply = ask(recorded_app(), to_bytes(parameters(bundle=trial, write_back=True)))
        calls = len(router.calls)

    assert reply.status == 422
    assert "as Patient/[id]" in reply.errors[0]["details"]["text"]
    assert calls == 0


def test_a_request_that_is_refused_is_not_written() -> None:
    with respx.mock() as router:
        reply = ask(recorded_app(), to_bytes(parameters(bundle=bundle(patient(), height()), write_back=True)))
        calls = len(router.calls)

    assert reply.status == 422
    assert calls == 0


def test_write_back_false_touches_no_network() -> None:
    with respx.mock() as router:
        reply = ask(recorded_app(), to_bytes(parameters(bundle=trial_bundle(), write_back=False)))
        calls = len(router.calls)

    assert (reply.status, "ebbmark-write-back" in reply.headers) == (200, False)
    assert calls == 0


def test_a_token_that_cannot_be_sent_stops_the_start_and_is_not_shown() -> None:
    with pytest.raises(ValueError, match="bearer token") as stop:
        create_app(Settings.model_validate({"record_base_url": BASE, "record_token": "two words"}))

    assert "two words" not in str(stop.value)
