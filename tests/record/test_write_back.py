from __future__ import annotations

import json
from decimal import Decimal

import httpx
import pytest
import respx

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.write_back import (
    EntryRequest,
    EntryResult,
    WriteOutcome,
    WriteState,
    entry_requests,
    is_repeat_safe,
    write_back,
)
from record.scripted_record import (
    ALL_NEW,
    ALL_THERE,
    BASE,
    CONDITIONAL,
    PATIENT,
    SAFE,
    Sent,
    refusal,
    response,
    transaction,
)


@pytest.mark.anyio
async def test_all_new_is_written(router: respx.MockRouter) -> None:
    outcome = await Sent(router, ALL_NEW).outcome()

    assert outcome == WriteOutcome(
        state=WriteState.WRITTEN,
        attempts=1,
        sentence="3 resources were written to the record.",
        created=tuple(EntryResult(number, 201, f"Observation/{number}/_history/1") for number in range(3)),
        http_status=200,
    )


@pytest.mark.anyio
async def test_all_known_is_already_there(router: respx.MockRouter) -> None:
    outcome = await Sent(router, ALL_THERE).outcome()

    assert outcome.state is WriteState.ALREADY_THERE
    assert [entry.index for entry in outcome.existing] == [0, 1, 2]
    assert outcome.sentence == "3 resources were already in the record; nothing was added."


@pytest.mark.anyio
async def test_some_new_and_some_known_are_told_apart(router: respx.MockRouter) -> None:
    reply = httpx.Response(200, json=response("200 OK", "201 Created", "200 OK"))

    outcome = await Sent(router, reply).outcome()

    assert outcome.state is WriteState.WRITTEN
    assert [entry.index for entry in outcome.created] == [1]
    assert [entry.index for entry in outcome.existing] == [0, 2]
    assert outcome.sentence == "1 resource was written to the record; 2 resources were already there."


@pytest.mark.anyio
async def test_the_request_is_what_fhir_asks_for(router: respx.MockRouter) -> None:
    sent = Sent(router, ALL_NEW)

    await sent.outcome()

    request = sent.route.calls.last.request
    assert request.method == "POST"
    assert str(request.url) == BASE
    assert request.headers["Content-Type"] == "application/fhir+json; fhirVersion=4.0"
    assert request.headers["Accept"] == "application/fhir+json"
    assert request.headers["Prefer"] == "return=minimal"
    assert json.loads(request.content) == transaction()


@pytest.mark.anyio
async def test_bytes_go_out_as_they_are_at_each_attempt(router: respx.MockRouter) -> None:
    body = json.dumps(transaction(), indent=3).encode()
    sent = Sent(router, httpx.Response(503), httpx.ReadTimeout, ALL_NEW)

    await sent.outcome(body)

    assert [call.request.content for call in sent.route.calls] == [body] * 3


@pytest.mark.anyio
async def test_decimals_go_out_as_numbers(router: respx.MockRouter) -> None:
    bundle = {**transaction(), "total": Decimal("3.10")}
    sent = Sent(router, ALL_NEW)

    await sent.outcome(bundle)

    assert b'"total":3.10' in sent.route.calls.last.request.content


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("status", "codes", "words"),
    [
        (400, ["invalid"], "the record could not read the request (HTTP 400, issue invalid)."),
        (401, ["login"], "the record did not accept our sign-in (HTTP 401, issue login)."),
        (403, ["forbidden"], "our sign-in does not allow this write (HTTP 403, issue forbidden)."),
        (404, [], "there is no FHIR end point that takes transactions at the configured address (HTTP 404)."),
        (405, [], "the record takes no transactions at the configured address (HTTP 405)."),
        (409, ["deleted"], "the write conflicts with something in the record (HTTP 409, issue deleted)."),
        (413, ["too-long"], "the transaction is longer than the record accepts (HTTP 413, issue too-long)."),
        (415, [], "the record does not accept FHIR JSON (HTTP 415)."),
        (418, [], "the record refused (HTTP 418)."),
        (
            422,
            ["required", "business-rule"],
            "the record finds that a resource breaks its profile or rules (HTTP 422, issue business-rule, required).",
        ),
        (501, ["not-supported"], "the record failed (HTTP 501, issue not-supported)."),
    ],
)
async def test_a_refusal_is_not_tried_again_and_says_that_nothing_was_written(
    router: respx.MockRouter, status: int, codes: list[str], words: str
) -> None:
    sent = Sent(router, httpx.Response(status, json=refusal(*codes)))

    outcome = await sent.outcome()

    assert outcome.state is WriteState.FAILED
    told, _, advice = outcome.sentence.partition(" ebbmark check-record")
    assert told == f"Nothing was written: {words}"
    assert bool(advice) is (status in (400, 404, 405, 413, 422))
    assert outcome.http_status == status
    assert outcome.attempts == sent.route.call_count == 1


@pytest.mark.anyio
@pytest.mark.parametrize("codes", [[], ["multiple-matches"], ["not-supported"], ["processing"]])
async def test_an_unmet_condition_is_given_both_readings(router: respx.MockRouter, codes: list[str]) -> None:
    sent = Sent(router, httpx.Response(412, json=refusal(*codes)))

    outcome = await sent.outcome()

    assert outcome.state is WriteState.FAILED
    assert sent.route.call_count == 1
    assert "several resources there already carry one of our identifiers" in outcome.sentence
    assert "does not support conditional create" in outcome.sentence
    assert all(code in outcome.sentence for code in codes)


@pytest.mark.anyio
@pytest.mark.parametrize("code", ["conflict", "duplicate", "lock-error", "transient", "processing"])
async def test_a_race_with_another_writer_is_run_again(router: respx.MockRouter, code: str) -> None:
    outcome = await Sent(router, httpx.Response(409, json=refusal(code)), ALL_THERE).outcome()

    assert outcome.state is WriteState.ALREADY_THERE
    assert outcome.attempts == 2
    assert "earlier attempt" not in outcome.sentence


@pytest.mark.anyio
async def test_a_race_that_is_always_lost_ends_as_a_conflict(router: respx.MockRouter) -> None:
    outcome = await Sent(router, httpx.Response(409, json=refusal("conflict"))).outcome()

    assert outcome.state is WriteState.FAILED
    assert outcome.attempts == 3
    assert outcome.sentence == (
        "Nothing was written: the write conflicts with something in the record (HTTP 409, issue conflict). "
        "3 attempts were made."
    )


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("headers", "waits_s"),
    [
        ({}, [0.5, 1.0]),
        ({"Retry-After": "4"}, [4.0, 4.0]),
        ({"Retry-After": "Mon, 02 Mar 2026 12:00:09 GMT"}, [9.0, 9.0]),
        ({"Retry-After": "Mon, 02 Mar 2020 12:00:09 GMT"}, [0.5, 1.0]),
        ({"Retry-After": "after lunch"}, [0.5, 1.0]),
    ],
)
async def test_turned_away_it_comes_back_when_asked_to(
    router: respx.MockRouter, headers: dict[str, str], waits_s: list[float]
) -> None:
    sent = Sent(router, *[httpx.Response(429, headers=headers)] * 2, ALL_NEW)

    outcome = await sent.outcome()

    assert outcome.state is WriteState.WRITTEN
    assert outcome.attempts == 3
    assert sent.waits.asked_s == waits_s


@pytest.mark.anyio
@pytest.mark.parametrize("header", ["3600", "9" * 400, "Tue, 03 Mar 2026 12:00:00 GMT"])
async def test_asked_to_wait_too_long_it_gives_the_answer_back(router: respx.MockRouter, header: str) -> None:
    sent = Sent(router, httpx.Response(429, headers={"Retry-After": header}))

    outcome = await sent.outcome()

    assert outcome.state is WriteState.FAILED
    assert sent.waits.asked_s == []
    assert outcome.sentence == (
        "Nothing was written: the record is turning requests away because there are too many (HTTP 429). "
        "The next attempt would have come later than this service may wait."
    )


@pytest.mark.anyio
async def test_turned_away_each_time_nothing_was_written(router: respx.MockRouter) -> None:
    outcome = await Sent(router, httpx.Response(429)).outcome()

    assert outcome.state is WriteState.FAILED
    assert outcome.attempts == 3


@pytest.mark.anyio
@pytest.mark.parametrize("status", [500, 502, 503, 504])
async def test_a_server_that_recovers_is_written_to(router: respx.MockRouter, status: int) -> None:
    outcome = await Sent(router, httpx.Response(status, json=refusal("exception")), ALL_NEW).outcome()

    assert outcome.state is WriteState.WRITTEN
    assert outcome.attempts == 2


@pytest.mark.anyio
async def test_a_half_failed_transaction_names_each_refused_entry(router: respx.MockRouter) -> None:
    bundle = response("201 Created", "422 Unprocessable Entity", "500")
    bundle["entry"][1]["response"]["outcome"] = refusal("required", PATIENT)  # type: ignore[index]
    sent = Sent(router, httpx.Response(200, json=bundle))

    outcome = await sent.outcome()

    assert outcome.state is WriteState.FAILED
    assert [entry.index for entry in outcome.created] == [0]
    assert [(entry.index, entry.status) for entry in outcome.refused] == [(1, 422), (2, 500)]
    assert outcome.expression == "Bundle.entry[1]"
    assert outcome.sentence == (
        "The record accepted the transaction but refused 2 of its 3 entries, which FHIR does not allow: "
        "entry 1 answered 422, issue required, entry 2 answered 500. "
        "1 resource was written, 0 resources were already there."
    )
    assert sent.route.call_count == 1


@pytest.mark.anyio
@pytest.mark.parametrize("status", [301, 302, 307, 308])
async def test_a_redirect_is_not_followed(status: int) -> None:
    with respx.mock(assert_all_called=False) as router:
        elsewhere = router.route(host="elsewhere.example").respond(200)
        sent = Sent(router, httpx.Response(status, headers={"Location": "https://elsewhere.example/fhir"}))

        outcome = await sent.outcome()

        assert outcome.state is WriteState.FAILED
        assert outcome.sentence == (
            f"Nothing was written: the record points to another address, which is not followed (HTTP {status})."
        )
        assert elsewhere.call_count == 0


@pytest.mark.anyio
async def test_a_record_that_is_not_allowed_is_not_called() -> None:
    settings = RecordSettings(BASE, ("https://other.example/fhir",))
    with respx.mock(assert_all_called=False) as router:
        everything = router.route().respond(200)
        async with RecordClient(settings) as record:
            outcome = await write_back(transaction(), record=record)

        assert everything.call_count == 0
    assert outcome.state is WriteState.FAILED
    assert "not on the list of allowed record systems" in outcome.sentence


@pytest.mark.anyio
@pytest.mark.parametrize(
    "bundle",
    [
        b"",
        b"[]",
        b'{"resourceType":"Bundle","type":"transac',
        b'{"resourceType":"Bundle","type":"\xff","entry":[]}',
        {"resourceType": "Bundle", "type": "transaction"},
        {"resourceType": "Bundle", "type": "transaction", "entry": []},
        {"resourceType": "Bundle", "type": "collection", "entry": transaction()["entry"]},
        {"resourceType": "Parameters", "type": "transaction", "entry": transaction()["entry"]},
        {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": {}}]},
    ],
)
async def test_what_is_no_transaction_is_not_sent(bundle: dict[str, object] | bytes) -> None:
    with respx.mock(assert_all_called=False) as router:
        sent = Sent(router, ALL_NEW)

        outcome = await sent.outcome(bundle)

        assert sent.route.call_count == 0
    assert outcome.state is WriteState.FAILED
    assert outcome.attempts == 0
    assert outcome.sentence.startswith("Nothing was sent")


def unconditional() -> dict[str, object]:
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": {}, "request": {"method": "POST", "url": "Observation"}}],
    }


@pytest.mark.anyio
async def test_a_plain_create_is_not_sent_twice(router: respx.MockRouter) -> None:
    sent = Sent(router, httpx.ReadTimeout)

    outcome = await sent.outcome(unconditional())

    assert outcome.state is WriteState.UNKNOWN
    assert not outcome.repeat_safe
    assert sent.route.call_count == 1
    assert SAFE not in outcome.sentence
    assert "Look in the record before sending it again" in outcome.sentence


@pytest.mark.anyio
async def test_a_plain_create_that_never_arrived_is_tried_again(router: respx.MockRouter) -> None:
    outcome = await Sent(router, httpx.ConnectError, httpx.Response(200, json=response("201"))).outcome(unconditional())

    assert outcome.state is WriteState.WRITTEN
    assert outcome.attempts == 2


@pytest.mark.anyio
async def test_an_update_is_counted_as_written(router: respx.MockRouter) -> None:
    bundle: dict[str, object] = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": {}, "request": {"method": "PUT", "url": "Observation/1", "ifMatch": 'W/"1"'}}],
    }

    outcome = await Sent(router, httpx.Response(200, json=response("200 OK"))).outcome(bundle)

    assert outcome.state is WriteState.WRITTEN
    assert len(outcome.created) == 1


@pytest.mark.parametrize(
    ("requests", "safe"),
    [
        ([EntryRequest("POST", True)], True),
        ([EntryRequest("PUT", False), EntryRequest("DELETE", False), EntryRequest("GET", False)], True),
        ([EntryRequest("POST", True), EntryRequest("POST", False)], False),
        ([EntryRequest("PATCH", False)], False),
    ],
)
def test_only_what_changes_nothing_twice_is_safe_to_repeat(requests: list[EntryRequest], safe: bool) -> None:
    assert is_repeat_safe(requests) is safe


def test_the_requests_of_a_transaction_are_read_in_order() -> None:
    assert entry_requests(json.dumps(transaction(2)).encode()) == (CONDITIONAL, CONDITIONAL)


@pytest.mark.anyio
async def test_a_refusal_names_the_types_of_ours_that_it_names_and_quotes_nothing_else(
    router: respx.MockRouter,
) -> None:
    told = {
        "severity": "error",
        "code": "not-supported",
        "diagnostics": "Observation of Mrs. Hazel Example is not taken",
    }
    refused = httpx.Response(422, json={"resourceType": "OperationOutcome", "issue": [told]})

    outcome = await Sent(router, refused).outcome()

    assert "(HTTP 422, issue not-supported, naming Observation)." in outcome.sentence
    assert "Hazel" not in outcome.sentence
