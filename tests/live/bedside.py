"""One invented patient with a trial in a real record: asked about, recorded, read back and replayed."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Coroutine
from datetime import datetime
from typing import Any, TypeVar

import httpx

from audit.test_signature import KEY
from ebbmark.audit.stored_answer import needs_of
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.stored_answers import StoredInputs, answer_in_record, inputs_in_record
from ebbmark.use_cases.recording import Recorded, record_answer
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed
from ebbmark.views.sheet import report_pdf
from fhir_builders import at, height, patient, to_bytes, trial_observations
from record.searchable_record import answered_from_record

T = TypeVar("T")
Json = dict[str, Any]
Stored = list[tuple[str, Json]]
AT_S = datetime.fromisoformat(at(90)).timestamp()


def _page(answer: Answer, recorded_s: float) -> bytes:
    return report_pdf(answer, recorded_s=recorded_s)


class Bedside:
    """One invented patient with a trial in the real record, and two people who may record what follows."""

    def __init__(self, client: httpx.Client, base_url: str) -> None:
        self.client = client
        self.settings = RecordSettings(base_url, (base_url,), read_timeout_s=60.0, attempt_timeout_s=120.0)
        self.prefix = f"p{uuid.uuid4().hex[:10]}"
        self.patient = f"Patient/{self.prefix}"
        self.nurse, self.doctor = (f"Practitioner/{self.prefix}-{one}" for one in ("nurse", "doctor"))
        self.trial = trial_observations()
        for resource in (patient(), height(), *self.trial):
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

    def asked(self, **parameters: Json) -> Answer:
        """The answer for this patient, on the day of the trial."""
        listed = [
            {"name": "patient-reference", "valueReference": {"reference": self.patient}},
            {"name": "as-of", "valueInstant": at(90)},
            *[{"name": name, **value} for name, value in parameters.items()],
        ]
        body = to_bytes({"resourceType": "Parameters", "parameter": listed})

        async def ask() -> Answer:
            async with RecordClient(self.settings) as record:
                return await answered_from_record(TITRATE_PEEP, body, record, AT_S)

        return self._run(ask())

    def recorded(
        self,
        answer: Answer,
        enterer: str | None,
        at_s: float = AT_S,
        *,
        with_report: bool = False,
        make_current: bool = False,
    ) -> Recorded:
        async def write() -> Recorded:
            async with RecordClient(self.settings) as record:
                return await record_answer(
                    answer,
                    at_s=at_s,
                    record=record,
                    signer=KEY,
                    enterer=enterer,
                    with_report=with_report,
                    make_current=make_current,
                )

        return self._run(write())

    def stored(self, identity: str) -> Stored:
        async def read() -> object:
            async with RecordClient(self.settings) as record:
                return await answer_in_record(identity, record=record)

        found = self._run(read())
        assert isinstance(found, list), found
        return found

    def results(self, code: str = "suggested-peep") -> list[Json]:
        """Our Observations of this kind for this patient, in the order in which they were first written."""
        query: dict[str, str | int] = {"patient": self.patient, "code": code, "_count": 50, "_sort": "_id"}
        page = self.client.get("/Observation", params=query, headers={"Cache-Control": "no-cache"}).json()
        return [entry["resource"] for entry in page.get("entry", ())]

    def replayed(self, stored: Stored) -> Replayed:
        needs = needs_of(stored)

        async def read() -> object:
            async with RecordClient(self.settings) as record:
                return await inputs_in_record(needs.inputs, needs.patient, record=record)

        inputs = self._run(read())
        assert isinstance(inputs, StoredInputs), inputs
        return replay(stored, inputs.resources, RequestContext(AT_S), current=inputs.current, render=_page)
