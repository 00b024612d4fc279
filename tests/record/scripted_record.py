"""A record that answers from a script, and the bundles that go to it and come back."""

from __future__ import annotations

import itertools

import httpx
import respx

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.write_back import EntryRequest, WriteOutcome, write_back
from record.waits import Waits, noon

BASE = "https://record.example/fhir"
SAFE = "Sending the same again is safe"
PATIENT = "Ottilie Beispiel MRN-4711"
CONDITIONAL = EntryRequest("POST", True)


def transaction(size: int = 3) -> dict[str, object]:
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": f"urn:uuid:00000000-0000-4000-8000-{number:012d}",
                "resource": {"resourceType": "Observation", "note": [{"text": PATIENT}]},
                "request": {
                    "method": "POST",
                    "url": "Observation",
                    "ifNoneExist": f"identifier=https://ebbmark.example/id|{number}",
                },
            }
            for number in range(size)
        ],
    }


def response(*statuses: str, kind: str = "transaction-response") -> dict[str, object]:
    return {
        "resourceType": "Bundle",
        "type": kind,
        "entry": [
            {"response": {"status": status, "location": f"Observation/{number}/_history/1"}}
            for number, status in enumerate(statuses)
        ],
    }


def refusal(*codes: str) -> dict[str, object]:
    return {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": code, "diagnostics": PATIENT} for code in codes],
    }


ALL_NEW = httpx.Response(200, json=response("201 Created", "201 Created", "201"))
ALL_THERE = httpx.Response(200, json=response("200 OK", "200 OK", "200"))


class Sent:
    """A write-back against scripted replies; the last one is given again to any further attempt."""

    def __init__(self, router: respx.MockRouter, *replies: httpx.Response | type[httpx.TransportError]) -> None:
        script = itertools.chain(replies, itertools.repeat(replies[-1]))
        self.route = router.post(BASE).mock(side_effect=lambda request: _play(next(script)))
        self.waits = Waits()

    async def outcome(self, bundle: dict[str, object] | bytes | None = None, **limits: float) -> WriteOutcome:
        settings = RecordSettings(
            BASE,
            (BASE,),
            max_attempts=int(limits.get("max_attempts", 3)),
            max_total_wait_s=limits.get("max_total_wait_s", 30.0),
            max_response_bytes=10_000,
        )
        async with RecordClient(settings, waiting=Waiting(self.waits, noon)) as record:
            given_bundle = transaction() if bundle is None else bundle
            return await write_back(given_bundle, record=record)


def _play(reply: httpx.Response | type[httpx.TransportError]) -> httpx.Response:
    if isinstance(reply, httpx.Response):
        return httpx.Response(reply.status_code, headers=reply.headers, content=reply.content)
    raise reply(PATIENT)
