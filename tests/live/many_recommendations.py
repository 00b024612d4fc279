"""Many different recommendations, all resting on the same few invented inputs, and these inputs in a record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import httpx

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Source
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle
from live.record_server import FHIR_JSON
from live.written_once import Job, job_of
from recommendations import RECORDED_S, found, retold

AT_A_TIME = 200
PAGE = b"%PDF-1.7 " + bytes(range(256)) * 400


def talking_to(base_url: str) -> httpx.Client:
    """A client of the tests' own, for loading and looking."""
    return httpx.Client(base_url=base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False)


def load_inputs(record: httpx.Client, prefix: str, count: int) -> None:
    """Put what so many recommendations rest on into the record; ids begin with the prefix."""
    entries = [
        {"resource": input_, "request": {"method": "PUT", "url": f"{input_['resourceType']}/{input_['id']}"}}
        for input_ in _inputs(prefix, count)
    ]
    for start in range(0, len(entries), AT_A_TIME):
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries[start : start + AT_A_TIME]}
        reply = record.post("/", json=bundle)
        assert reply.is_success, reply.text


def _inputs(prefix: str, count: int) -> Iterator[dict[str, Any]]:
    for number in range(count):
        yield {"resourceType": "Patient", "id": f"{prefix}-{number}"}
    for number, _ in enumerate(found().request.sources):
        yield {
            "resourceType": "Observation",
            "id": f"{prefix}-{number}",
            "status": "final",
            "code": {"text": "Invented reading"},
            "subject": {"reference": f"Patient/{prefix}-0"},
        }


def jobs(prefix: str, count: int, *, answers: int = 1) -> list[Job]:
    """Different recommendations, each patient with one trial and so many answers for it, side by side.

    Of several answers for a trial each takes the place of those before it, or of those that rest on older inputs. Every
    fifth has a report, with a page of about the length that real ones have.
    """
    return [
        _job(_recommendation(prefix, number // answers, number % answers), PAGE if number % 5 == 4 else None)
        for number in range(count)
    ]


def _job(recommendation: Answer, pdf: bytes | None) -> Job:
    bundle = write_bundle(recommendation, recorded_s=RECORDED_S, report_pdf=pdf)
    return job_of(recommendation.identity, as_transaction(bundle, recommendation.request.subject))


def _recommendation(prefix: str, number: int, answer: int) -> Answer:
    """The answers of one trial: by other margins, and every third from newer inputs."""
    one = found()
    version = 1 + answer // 3
    sources = tuple(
        Source(
            source.path,
            f"Observation/{prefix}-{place}/_history/{version}",
            source.value,
        )
        for place, source in enumerate(one.request.sources)
    )
    request = replace(
        one.request,
        subject=f"Patient/{prefix}-{number}",
        encounter=None,
        sources=sources,
        protocol=replace(one.request.protocol, margin_cmh2o=2.0 + 0.5 * (answer % 3)),
    )
    return retold(replace(one, request=request))
