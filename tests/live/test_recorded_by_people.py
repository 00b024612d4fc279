"""A person records an answer in a real record: named in its Provenance, once, and found again by a replay."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Coroutine, Iterator
from datetime import UTC, datetime
from typing import Any, TypeVar

import httpx
import pytest

from audit.test_signature import KEY, PUBLISHED
from ebbmark.audit.replay import Replayed, replay
from ebbmark.audit.signature import Verified, verify
from ebbmark.audit.stored_claims import needs_of
from ebbmark.fhir.reading.read import NO_CODE_MAP
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.record.client import RecordClient, RecordSettings
from ebbmark.record.from_record import recommend_from_record
from ebbmark.record.reading import Waiting
from ebbmark.record.stored_answer import Inputs, answer_in_record, inputs_in_record
from ebbmark.record.write_back import WriteState
from ebbmark.web.recording import Outcome, record_answer
from fhir_builders import at, height, patient, to_bytes, trial_observations
from live.record_server import FHIR_JSON, problems, validate_with_server

pytestmark = pytest.mark.live

T = TypeVar("T")
Json = dict[str, Any]
AT_S = datetime.fromisoformat(at(90)).timestamp()
WAITING = Waiting(asyncio.sleep, lambda: datetime.now(UTC))


class Bedside:
    """One invented patient with a trial in the real record, and two people who may record what follows."""

    def __init__(self, client: httpx.Client, base_url: str) -> None:
        self.client = client
        self.settings = RecordSettings(base_url, (base_url,), read_timeout_s=60.0, attempt_timeout_s=120.0)
        self.prefix = f"p{uuid.uuid4().hex[:10]}"
        self.patient = f"Patient/{self.prefix}"
        self.nurse, self.doctor = (f"Practitioner/{self.prefix}-{one}" for one in ("nurse", "doctor"))
        for resource in (patient(), height(), *trial_observations()):
            self.put(resource)
        for person in (self.nurse, self.doctor):
            self.keep({"resourceType": "Practitioner", "id": person.partition("/")[2]})

    def put(self, resource: Json) -> None:
        """Chart a resource of this patient, under an id of the test's own."""
        own = {name: value for name, value in resource.items() if name != "meta"}
        own["id"] = self.prefix if own["resourceType"] == "Patient" else f"{self.prefix}-{own['id']}"
        if "subject" in own:
            own["subject"] = {"reference": self.patient}
        self.keep(own)

    def keep(self, resource: Json) -> None:
        reply = self.client.put(f"/{resource['resourceType']}/{resource['id']}", json=resource)
        assert reply.is_success, reply.text

    def _run(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run(work)

    def asked(self, **parameters: Json) -> Recommendation:
        """The answer for this patient, on the day of the trial."""
        listed = [
            {"name": "patient-reference", "valueReference": {"reference": self.patient}},
            {"name": "as-of", "valueInstant": at(90)},
            *[{"name": name, **value} for name, value in parameters.items()],
        ]
        body = to_bytes({"resourceType": "Parameters", "parameter": listed})

        async def ask() -> Recommendation | None:
            async with RecordClient(self.settings) as record:
                return await recommend_from_record(
                    body, at_s=AT_S, record=record, waiting=WAITING, code_map=NO_CODE_MAP, accept_preliminary=False
                )

        found = self._run(ask())
        assert found is not None
        return found

    def recorded(self, answer: Recommendation, enterer: str | None, at_s: float = AT_S) -> Outcome:
        async def write() -> Outcome:
            async with RecordClient(self.settings) as record:
                return await record_answer(
                    answer, at_s=at_s, record=record, waiting=WAITING, signer=KEY, enterer=enterer
                )

        return self._run(write())

    def stored(self, identity: str) -> list[tuple[str, Json]]:
        async def read() -> object:
            async with RecordClient(self.settings) as record:
                return await answer_in_record(identity, record=record, waiting=WAITING)

        found = self._run(read())
        assert isinstance(found, list), found
        return found

    def replayed(self, stored: list[tuple[str, Json]]) -> Replayed:
        needs = needs_of(stored)

        async def read() -> object:
            async with RecordClient(self.settings) as record:
                return await inputs_in_record(needs.inputs, needs.patient, record=record, waiting=WAITING)

        inputs = self._run(read())
        assert isinstance(inputs, Inputs), inputs
        return replay(stored, inputs.resources, at_s=AT_S, current=inputs.current)


@pytest.fixture(scope="module")
def client(record_base_url: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=record_base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False) as client:
        yield client


@pytest.fixture
def bedside(client: httpx.Client, record_base_url: str) -> Bedside:
    return Bedside(client, record_base_url)


def provenance_of(stored: list[tuple[str, Json]]) -> Json:
    (found,) = [one for _, one in stored if one["resourceType"] == "Provenance"]
    return found


def test_who_records_is_named_and_the_answer_replays_with_a_valid_signature(
    bedside: Bedside, record_base_url: str
) -> None:
    answer = bedside.asked()

    outcome = bedside.recorded(answer, f"{record_base_url}/{bedside.nurse}")

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    stored = bedside.stored(answer.identity)
    assert [one["who"] for one in provenance_of(stored)["agent"]][1] == {"reference": bedside.nurse}
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    assert problems(validate_with_server(record_base_url, provenance_of(stored))) == []


def test_a_person_of_another_system_is_named_without_a_reference_that_leads_nowhere(
    bedside: Bedside, record_base_url: str
) -> None:
    answer = bedside.asked()

    outcome = bedside.recorded(answer, "https://elsewhere.example/fhir/Practitioner/9")

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    stored = bedside.stored(answer.identity)
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    assert problems(validate_with_server(record_base_url, provenance_of(stored))) == []


def test_a_repeat_by_another_person_leaves_the_record_as_it_was(bedside: Bedside) -> None:
    answer = bedside.asked()
    bedside.recorded(answer, bedside.nurse)
    before = bedside.stored(answer.identity)

    outcome = bedside.recorded(answer, bedside.doctor, AT_S + 600.0)

    assert outcome.state is WriteState.ALREADY_THERE
    assert bedside.stored(answer.identity) == before


def test_a_person_whom_the_record_does_not_know_is_refused_by_it_and_the_answer_is_kept(bedside: Bedside) -> None:
    outcome = bedside.recorded(bedside.asked(), f"Practitioner/{bedside.prefix}-nobody")

    assert (outcome.state, outcome.there) == (WriteState.FAILED, False)
    assert "Nothing was written" in outcome.sentence
    assert outcome.answer["entry"]
