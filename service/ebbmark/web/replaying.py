"""The auditor's door: compute a stored answer again and name each difference."""

from __future__ import annotations

import asyncio
import math
import time
from dataclasses import dataclass, replace

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.audit.signature import verify
from ebbmark.audit.stored_answer import Needs, needs_of
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.audit_event import Access, AuditAction
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from ebbmark.fhir.writing.supersession import unmarked
from ebbmark.keys import PublicKey
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch import in_time
from ebbmark.record.search import ReadFailure
from ebbmark.record.stored_answers import Inputs, NotStored, answer_in_record, inputs_in_record
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import ReplayRequest, not_an_answer, read_replay_request, replay_parameters
from ebbmark.views.sheet import report_pdf
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import actor_of
from ebbmark.web.body import FHIR_JSON, read_body, require_acceptable, require_fhir_json
from ebbmark.web.documentation import REPLAY
from ebbmark.web.limits import WorkPool

Json = dict[str, object]


@dataclass(frozen=True, slots=True)
class Auditing:
    """What the auditor's door was configured with.

    Attributes:
        context: what requests are read with; its instant is that of each request.
        record: where answers and inputs are read; None where no record is configured.
        keys: whose signatures are believed: our own published ones.
        trail: where it is noted who did what.
        max_bytes: longest body that is read.
        deadline_s: longest time of a whole request, once its body is there [s].
    """

    context: RequestContext
    record: RecordClient | None
    keys: tuple[PublicKey, ...]
    trail: AuditTrail
    pool: WorkPool
    max_bytes: int
    deadline_s: float = 55.0


def replay_router(auditing: Auditing) -> APIRouter:
    """The route below `/fhir`."""
    router = APIRouter(prefix="/fhir", tags=["fhir"])

    @router.post("/$replay", **REPLAY)
    async def replay_answer(request: Request) -> Response:
        require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        body = await read_body(request.stream(), auditing.max_bytes)
        until_s = asyncio.get_running_loop().time() + auditing.deadline_s
        asked = await auditing.pool.run_until(until_s, read_replay_request, body)
        try:
            told, patient, identity = await _told(asked, auditing, until_s)
        except NotAnAnswer as error:
            raise not_an_answer(error) from error
        await auditing.trail.note(Access(AuditAction.READ, actor_of(request), True, patient, (), identity))
        return Response(msgspec.json.encode(told), media_type=FHIR_JSON)

    return router


async def _told(asked: ReplayRequest, auditing: Auditing, until_s: float) -> tuple[Json, str, str]:
    """What is said, about which patient, and the identity of the answer."""
    stored = asked.answer if asked.answer is not None else await _stored(asked.identity or "", auditing, until_s)
    needs = needs_of(stored)
    inputs, current = asked.inputs, {}
    if inputs is None:
        found = await inputs_of(needs, _record(auditing), until_s)
        inputs, current = found.resources, found.current
    verification = await auditing.pool.run_until(
        until_s, verify, [(url, unmarked(one)) for url, one in stored], auditing.keys
    )
    outcome = await auditing.pool.run_until(
        until_s,
        replay,
        stored,
        inputs,
        replace(auditing.context, at_s=time.time()),
        current=current,
        render=_page,
    )
    return replay_parameters(outcome, verification.verified), needs.patient, outcome.identity


def _page(answer: Answer, recorded_s: float) -> bytes:
    return report_pdf(answer, recorded_s=recorded_s)


async def _stored(identity: str, auditing: Auditing, until_s: float) -> list[tuple[str, Json]]:
    found = await in_time(answer_in_record(identity, record=_record(auditing)), until_s)
    if isinstance(found, ReadFailure):
        raise Rejected((_failed("The answer", found),))
    if isinstance(found, NotStored):
        accepted = "one answer of this identity"
        sentence = f"The record holds {found.found or 'no'} answers of this identity; one is needed."
        where = "Parameters.parameter.where(name='request-identifier')"
        raise Rejected((Problem(ProblemKind.NOT_IN_RECORD, where, f"{found.found} answers", accepted, sentence),))
    return found


async def inputs_of(needs: Needs, record: RecordClient, until_s: float = math.inf) -> Inputs:
    """The inputs that a stored answer names, from the record, read by `until_s` of the event loop's clock [s].

    Raises:
        Rejected: the record cannot be read.
    """
    found = await in_time(inputs_in_record(needs.inputs, needs.patient, record=record), until_s)
    if isinstance(found, ReadFailure):
        raise Rejected((_failed("The inputs", found),))
    return found


def _record(auditing: Auditing) -> RecordClient:
    if auditing.record is None:
        accepted = "a service whose record_base_url is set"
        sentence = "No record system is configured here; send both the answer and its inputs."
        raise Rejected((Problem(ProblemKind.NO_RECORD, "", "no record", accepted, sentence),))
    return auditing.record


def _failed(what: str, failure: ReadFailure) -> Problem:
    sentence = f"{what} could not be read from the record: {failure.sentence}."
    later_s = failure.retry_after_s
    accepted = "a record that answers"
    return Problem(ProblemKind.RECORD_FAILED, "", failure.sentence, accepted, sentence, retry_after_s=later_s)
