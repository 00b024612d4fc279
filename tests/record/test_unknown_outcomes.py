from __future__ import annotations

import httpx
import pytest
import respx

from ebbmark.record.write_back import WriteState
from record.scripted_record import (
    ALL_NEW,
    ALL_THERE,
    SAFE,
    Sent,
    refusal,
    response,
)


@pytest.mark.anyio
@pytest.mark.parametrize("status", [500, 502, 503, 504])
async def test_a_server_error_leaves_it_unknown_even_in_the_words_of_fhir(
    router: respx.MockRouter, status: int
) -> None:
    outcome = await Sent(router, httpx.Response(status, json=refusal("exception"))).outcome()

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.attempts == 3
    assert f"(HTTP {status}, issue exception)" in outcome.sentence
    assert SAFE in outcome.sentence


@pytest.mark.anyio
async def test_a_record_that_says_it_cannot_do_this_wrote_nothing(router: respx.MockRouter) -> None:
    outcome = await Sent(router, httpx.Response(501, json=refusal("not-supported"))).outcome()

    assert outcome.state is WriteState.FAILED


@pytest.mark.anyio
@pytest.mark.parametrize("status", [500, 502, 503, 504])
async def test_a_server_error_in_a_gateways_words_leaves_it_unknown(router: respx.MockRouter, status: int) -> None:
    outcome = await Sent(router, httpx.Response(status, html="<h1>Sorry</h1>")).outcome()

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.attempts == 3
    assert SAFE in outcome.sentence


@pytest.mark.anyio
@pytest.mark.parametrize("error", [httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout])
async def test_a_record_that_cannot_be_reached_was_not_written_to(
    router: respx.MockRouter, error: type[httpx.TransportError]
) -> None:
    sent = Sent(router, error)

    outcome = await sent.outcome()

    assert outcome.state is WriteState.FAILED
    assert outcome.http_status is None
    assert outcome.sentence.startswith("Nothing was written: ")
    assert sent.waits.asked_s == [0.5, 1.0]


@pytest.mark.anyio
@pytest.mark.parametrize(
    "error", [httpx.ReadTimeout, httpx.WriteTimeout, httpx.ReadError, httpx.WriteError, httpx.RemoteProtocolError]
)
async def test_a_reply_that_never_comes_leaves_it_unknown_and_a_repeat_safe(
    router: respx.MockRouter, error: type[httpx.TransportError]
) -> None:
    sent = Sent(router, error)

    outcome = await sent.outcome()

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.attempts == 3
    assert outcome.repeat_safe
    assert SAFE in outcome.sentence
    assert sent.waits.asked_s == [5.0, 5.0]  # time for the first to end, so that two never run at once


@pytest.mark.anyio
async def test_a_lost_reply_is_settled_by_the_repeat(router: respx.MockRouter) -> None:
    outcome = await Sent(router, httpx.ReadTimeout, ALL_THERE).outcome()

    assert outcome.state is WriteState.ALREADY_THERE
    assert outcome.attempts == 2
    assert outcome.sentence.endswith("An earlier attempt of this call, whose reply was lost, may have written them.")


@pytest.mark.anyio
@pytest.mark.parametrize("later", [httpx.ConnectError, httpx.Response(401), httpx.Response(422), httpx.Response(429)])
async def test_a_refused_repeat_does_not_settle_a_lost_reply(
    router: respx.MockRouter, later: httpx.Response | type[httpx.TransportError]
) -> None:
    outcome = await Sent(router, httpx.ReadTimeout, later).outcome()

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.sentence.startswith("It is not known whether the results were written: ")


UNREADABLE: list[tuple[str, httpx.Response]] = [
    ("cut json", httpx.Response(200, content=ALL_NEW.content[:60], headers={"Content-Type": "application/fhir+json"})),
    ("no body", httpx.Response(200)),
    ("no content", httpx.Response(204)),
    ("taken for later", httpx.Response(202)),
    ("html", httpx.Response(200, html="<h1>Sign in</h1>")),
    ("json called html", httpx.Response(200, content=ALL_NEW.content, headers={"Content-Type": "text/html"})),
    ("another resource", httpx.Response(200, json={"resourceType": "Patient", "type": "x", "entry": []})),
    ("another bundle", httpx.Response(200, json=response("201", "201", "201", kind="batch-response"))),
    ("an outcome", httpx.Response(200, json=refusal("informational"))),
    ("a list", httpx.Response(200, json=[])),
    ("too few entries", httpx.Response(200, json=response("201", "201"))),
    ("too many entries", httpx.Response(200, json=response("201", "201", "201", "201"))),
    ("no entries", httpx.Response(200, json={"resourceType": "Bundle", "type": "transaction-response"})),
    ("an entry without response", httpx.Response(200, json={**response(), "entry": [{}, {}, {}]})),
    ("a status in words", httpx.Response(200, json=response("201", "Created", "201"))),
    ("a status too long", httpx.Response(200, json=response("201", "2010", "201"))),
    ("a status in other digits", httpx.Response(200, json=response("201", "\u0662\u0660\u0661", "201"))),
]


@pytest.mark.anyio
@pytest.mark.parametrize("reply", [reply for _, reply in UNREADABLE], ids=[name for name, _ in UNREADABLE])
async def test_a_reply_that_proves_nothing_is_asked_for_again(router: respx.MockRouter, reply: httpx.Response) -> None:
    outcome = await Sent(router, reply, ALL_THERE).outcome()

    assert outcome.state is WriteState.ALREADY_THERE
    assert outcome.attempts == 2


@pytest.mark.anyio
@pytest.mark.parametrize("reply", [reply for _, reply in UNREADABLE], ids=[name for name, _ in UNREADABLE])
async def test_a_reply_that_never_proves_anything_leaves_it_unknown(
    router: respx.MockRouter, reply: httpx.Response
) -> None:
    outcome = await Sent(router, reply).outcome()

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.created == ()
    assert outcome.attempts == 3
    assert "not a transaction-response with one entry per request" in outcome.sentence


@pytest.mark.anyio
async def test_a_reply_that_is_too_long_leaves_it_unknown_and_is_not_asked_for_again(router: respx.MockRouter) -> None:
    outcome = await Sent(router, httpx.Response(200, content=b" " * 10_001)).outcome()

    assert outcome.state is WriteState.UNKNOWN
    assert outcome.attempts == 1
    assert "longer than allowed" in outcome.sentence
