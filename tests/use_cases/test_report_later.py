"""A report that joins its answer later: by then the record holds our own results, and they are read along."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

import pytest
import respx

from audit.test_signature import KEY, PUBLISHED
from ebbmark.audit.signature import Verified, verify
from ebbmark.audit.stored_answer import needs_of
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.stored_answers import StoredInputs, answer_in_record, inputs_in_record
from ebbmark.record.write_back import WriteState
from ebbmark.use_cases.recording import Recorded, record_answer
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed
from ebbmark.views.sheet import report_pdf
from fhir_builders import at, height, observation, patient, to_bytes, trial_observations
from record.keeping_record import BASE, KeepingRecord
from record.searchable_record import answered_from_record
from record.waits import Waits, noon

Json = dict[str, Any]

AT_S = datetime.fromisoformat(at(90)).timestamp()
LATER_S = AT_S + 600.0
QUESTION = to_bytes(
    {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}},
            {"name": "as-of", "valueInstant": at(90)},
        ],
    }
)
WITHDRAWN = {**observation("peep-set", 30.0, when=at(1), identity="withdrawn"), "status": "entered-in-error"}


@pytest.fixture
def record() -> Iterator[KeepingRecord]:
    held = KeepingRecord()
    for resource in (patient(), height(), *trial_observations()):
        held.put(f"{resource['resourceType']}/{resource['id']}", resource)
    with respx.mock() as router:
        held.attach(router)
        yield held


async def _asked(client: RecordClient) -> Answer:
    return await answered_from_record(TITRATE_PEEP, QUESTION, client, AT_S)


def recorded(at_s: float, *, with_report: bool) -> tuple[Answer, Recorded]:
    """Read from the record as it is now, and recorded."""

    async def write() -> tuple[Answer, Recorded]:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            answer = await _asked(client)
            outcome = await record_answer(
                answer,
                at_s=at_s,
                record=client,
                signer=KEY,
                with_report=with_report,
            )
            return answer, outcome

    return asyncio.run(write())


def stored(identity: str) -> list[tuple[str, Json]]:
    async def read() -> object:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            return await answer_in_record(identity, record=client)

    found = asyncio.run(read())
    assert isinstance(found, list), found
    return found


def replayed(answer: Sequence[tuple[str, Mapping[str, object]]]) -> Replayed:
    needs = needs_of(answer)

    async def read() -> object:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            return await inputs_in_record(needs.inputs, needs.patient, record=client)

    inputs = asyncio.run(read())
    assert isinstance(inputs, StoredInputs), inputs
    return replay(
        answer,
        inputs.resources,
        RequestContext(LATER_S),
        current=inputs.current,
        render=lambda one, at_s: report_pdf(one, recorded_s=at_s),
    )


@pytest.mark.parametrize("charted", [(), (WITHDRAWN,)], ids=["our own results", "what was charted since"])
def test_a_report_that_joins_after_the_record_has_changed_raises_no_alarm(
    record: KeepingRecord, charted: tuple[Json, ...]
) -> None:
    first, _ = recorded(AT_S, with_report=False)
    for resource in charted:
        record.put(f"Observation/{resource['id']}", resource)

    second, outcome = recorded(LATER_S, with_report=True)

    assert (second.identity, outcome.state) == (first.identity, WriteState.WRITTEN)
    assert len(second.ignored) > len(first.ignored)
    found = stored(first.identity)
    assert [one["resourceType"] for _, one in found].count("DiagnosticReport") == 1
    assert replayed(found).findings == ()
    assert verify(found, PUBLISHED).verified is Verified.VALID


def test_the_answer_that_is_handed_back_with_a_later_report_holds_together_too(record: KeepingRecord) -> None:
    recorded(AT_S, with_report=False)

    _, outcome = recorded(LATER_S, with_report=True)

    handed_back = resources_of(outcome.answer)
    assert replayed(handed_back).findings == ()
    assert verify(handed_back, PUBLISHED).verified is Verified.VALID


def test_an_exchanged_page_of_a_later_report_is_still_found(record: KeepingRecord) -> None:
    first, _ = recorded(AT_S, with_report=False)
    recorded(LATER_S, with_report=True)
    (place,) = [one for one in record.held if one.startswith("DiagnosticReport/")]
    record.held[place]["presentedForm"][0]["data"] = "JVBERi0="

    assert [finding.path for finding in replayed(stored(first.identity)).findings] == ["report.presentedForm[0].data"]
