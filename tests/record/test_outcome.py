from __future__ import annotations

import json
import logging
import re
from collections.abc import Sequence
from pathlib import Path

import httpx
import pytest
import respx
from hypothesis import given, settings
from hypothesis import strategies as st

import ebbmark.record
from ebbmark.record.retry import CallFailure, Repeated, Reply, StopReason
from ebbmark.record.write_back import EntryRequest, WriteOutcome, WriteState, attempt_of, outcome_of
from record.scripted_record import (
    ALL_NEW,
    CONDITIONAL,
    PATIENT,
    Sent,
    refusal,
    response,
)


def every_answer() -> st.SearchStrategy[Reply | CallFailure]:
    bodies = st.sampled_from(
        [
            b"",
            PATIENT.encode(),
            json.dumps(refusal("conflict", PATIENT)).encode(),
            json.dumps(response("201", "200", "201")).encode(),
            json.dumps(response("201", "422 " + PATIENT, "500")).encode(),
            json.dumps(response("201", PATIENT, "500")).encode(),
        ]
    )
    statuses = st.sampled_from([200, 201, 204, 302, 400, 401, 403, 404, 409, 412, 422, 429, 500, 502, 503, 504])
    media_types = st.sampled_from(["application/fhir+json", "text/html", PATIENT.lower()])
    replies = st.builds(Reply, statuses, media_types, st.none() | st.just(PATIENT), bodies)
    spoken = [trouble for trouble in CallFailure if trouble is not CallFailure.LOST_RACE]
    lost = st.builds(Reply, statuses, media_types, lost=st.sampled_from([CallFailure.CUT, CallFailure.TOO_LARGE]))
    return replies | lost | st.sampled_from(spoken)


def judged(answers: Sequence[Reply | CallFailure], requests: Sequence[EntryRequest]) -> WriteOutcome:
    attempts = tuple(attempt_of(answer, requests) for answer in answers)
    return outcome_of(Repeated(attempts, StopReason.ATTEMPTS_USED), requests)


@settings(deadline=None)
@given(st.lists(every_answer(), min_size=1, max_size=4))
def test_no_sentence_quotes_the_record(answers: list[Reply | CallFailure]) -> None:
    outcome = judged(answers, [CONDITIONAL] * 3)

    assert not any(word.lower() in repr(outcome).lower() for word in PATIENT.split())
    assert outcome.sentence.endswith(".")


@settings(deadline=None)
@given(st.lists(every_answer(), min_size=1, max_size=4))
def test_nothing_written_is_never_said_after_an_attempt_that_may_have_written(
    answers: list[Reply | CallFailure],
) -> None:
    outcome = judged(answers, [CONDITIONAL] * 3)

    if outcome.sentence.startswith("Nothing was written"):
        assert not any(_may_have_written(answer) for answer in answers)


def _may_have_written(answer: Reply | CallFailure) -> bool:
    if isinstance(answer, CallFailure):
        return answer.may_have_arrived
    return answer.status < 300 or answer.status >= 500


@settings(deadline=None)
@given(st.lists(every_answer(), min_size=1, max_size=4))
def test_written_is_never_said_without_a_reply_for_every_entry(answers: list[Reply | CallFailure]) -> None:
    outcome = judged(answers, [CONDITIONAL] * 3)

    if outcome.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE):
        assert len(outcome.created) + len(outcome.existing) == 3


@pytest.mark.parametrize("trouble", [trouble for trouble in CallFailure if trouble is not CallFailure.LOST_RACE])
def test_each_trouble_has_words(trouble: CallFailure) -> None:
    outcome = judged([trouble], [CONDITIONAL])

    assert outcome.http_status is None
    assert outcome.state is (WriteState.UNKNOWN if trouble.may_have_arrived else WriteState.FAILED)


def test_no_module_of_this_room_writes_a_log_or_prints() -> None:
    sources = [path.read_text() for path in Path(next(iter(ebbmark.record.__path__))).glob("*.py")]

    assert len(sources) >= 5
    assert not any(re.search(r"import logging|from logging|structlog|print\(", source) for source in sources)


@pytest.mark.anyio
@pytest.mark.parametrize("reply", [ALL_NEW, httpx.Response(422, json=refusal("value", PATIENT)), httpx.ReadTimeout])
async def test_no_value_of_a_patient_reaches_a_log_or_the_outcome(
    router: respx.MockRouter,
    caplog: pytest.LogCaptureFixture,
    reply: httpx.Response | type[httpx.TransportError],
) -> None:
    caplog.set_level(logging.DEBUG)

    outcome = await Sent(router, reply).outcome()

    logged = "".join(f"{record.getMessage()} {record.args!r} {record.exc_info!r}" for record in caplog.records)
    assert not any(word in logged + repr(outcome) for word in PATIENT.split())
