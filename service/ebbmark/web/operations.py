"""The FHIR operations: one door for every question, and `$replay`, which computes a stored answer again."""

from __future__ import annotations

import asyncio
import math
import time
from dataclasses import dataclass, replace

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.audit.signature import sign, verify
from ebbmark.audit.stored_answer import Needs, needs_of
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG, PLAN_TRIAL, Operation
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
from ebbmark.fhir.writing.supersession import unmarked
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.keys import PublicKey, SigningKey
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch import in_time
from ebbmark.record.record_query import about_patient, record_query_of
from ebbmark.record.search import ReadFailure
from ebbmark.record.stored_answers import NotStored, StoredInputs, answer_in_record, inputs_in_record
from ebbmark.telemetry.measured import Measured, count
from ebbmark.use_cases.from_record import answer_from_record
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.recording import answer_bundle, record_answer
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import ReplayRequest, not_an_answer, read_replay_request, replay_parameters
from ebbmark.views.sheet import report_pdf
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import actor_of, may, require
from ebbmark.web.body import FHIR_JSON, read_body, require_acceptable, require_fhir_json, unpacked
from ebbmark.web.documentation import REPLAY, documented, documented_of_patient
from ebbmark.web.limits import WorkPool
from ebbmark.web.plan_page import PAGE_HEADERS, plan_page, wants_page
from ebbmark.web.token_check import READ_CONDITIONS, READ_INFUSIONS, READ_PROCEDURES, WRITE_BACK

WRITE_BACK_HEADER = "Ebbmark-Write-Back"
"""What became of a write-back, in one word, for callers that do not read the OperationOutcome."""

_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class OperationsConfig:
    """What the operations were configured with.

    Attributes:
        keys: whose signatures `$replay` believes: our own published ones.
    """

    context: RequestContext
    record: RecordClient | None
    trail: AuditTrail
    pool: WorkPool
    signer: SigningKey | None = None
    keys: tuple[PublicKey, ...] = ()
    deadline_s: float = 55.0


def operations_router(config: OperationsConfig) -> APIRouter:
    """Every operation; all need a caller who may come in."""
    router = APIRouter(prefix="/fhir", tags=["fhir"])
    for operation in BY_SLUG.values():
        _serve(router, config, operation)
    _serve_replay(router, config)
    return router


def _serve(router: APIRouter, config: OperationsConfig, operation: Operation) -> None:
    async def answer_about(request: Request) -> Response:
        return await answer_to(request, f"Patient/{request.path_params['patient_id']}")

    async def answer_any(request: Request) -> Response:
        return await answer_to(request, "")

    async def answer_to(request: Request, patient: str) -> Response:
        encoding = request.headers.get("content-encoding")
        require_fhir_json(request.headers.get("content-type"), encoding, gzip=True)
        accept, wanted = request.headers.get("accept"), request.query_params.get("_format")
        as_page = operation is PLAN_TRIAL and wants_page(accept, wanted)
        if not as_page:
            require_acceptable(accept, wanted)
        longest = config.context.limits.max_bytes
        body = unpacked(await read_body(request.stream(), longest), encoding, longest)
        body = about_patient(body, patient) if patient else body
        at_s, actor = time.time(), actor_of(request)
        until_s = asyncio.get_running_loop().time() + config.deadline_s
        context = replace(config.context, at_s=at_s)
        read = await _from_record(request, config, operation, body, context, until_s=until_s)
        answer, written = (
            (read, None)
            if read is not None
            else await config.pool.run_until(
                until_s, _answer_and_write, operation, body, context, at_s, config.signer, as_page
            )
        )
        verdict = answer.titrated.closing.verdict.value if answer.titrated is not None else "answered"
        count(Measured.ANSWERS, operation.slug, verdict)
        if answer.request.asked.write_back:
            require(request, WRITE_BACK)
            return await _written_back(answer, at_s, config, actor, until_s=until_s)
        await config.trail.note(_access(AuditAction.EVALUATED, actor, answer))
        if as_page:
            return Response(plan_page(answer, body), media_type="text/html", headers=PAGE_HEADERS)
        if written is None:
            written = await config.pool.run_until(until_s, _written, answer, at_s, config.signer)
        return Response(written, media_type=FHIR_JSON)

    router.add_api_route(f"/${operation.slug}", answer_any, methods=["POST"], **documented(operation))
    of_patient = f"/Patient/{{patient_id}}/${operation.slug}"
    router.add_api_route(of_patient, answer_about, methods=["POST"], **documented_of_patient(operation))


def _answer_and_write(
    operation: Operation, body: bytes, context: RequestContext, at_s: float, signer: SigningKey | None, as_page: bool
) -> tuple[Answer, bytes | None]:
    """The answer, and its bytes unless it is shown as a page or written to the record: one visit to the pool."""
    answer = answer_request(operation, body, context)
    if as_page or answer.request.asked.write_back:
        return answer, None
    return answer, _written(answer, at_s, signer)


def _written(answer: Answer, at_s: float, signer: SigningKey | None) -> bytes:
    """The answer as a Bundle, with its report and its signature where wanted."""
    if answer.request.asked.with_report:
        return _ENCODER.encode(answer_bundle(answer, at_s=at_s, signer=signer, with_report=True))
    written = write_bundle_bytes(answer, recorded_s=at_s)
    if signer is None:
        return written
    return _ENCODER.encode(sign(msgspec.json.decode(written, type=dict[str, object]), key=signer))


async def _from_record(
    request: Request,
    config: OperationsConfig,
    operation: Operation,
    body: bytes,
    context: RequestContext,
    *,
    until_s: float,
) -> Answer | None:
    """The answer to a request that names a patient of the record; None where it brings its data."""
    actor = actor_of(request)
    base_url = config.record.settings.base_url if config.record is not None else ""
    try:
        asked = record_query_of(body, base_url=base_url, at_s=context.at_s)
        if asked is None:
            return None
        if operation.needs_conditions:
            require(request, READ_CONDITIONS)
        answer = await answer_from_record(
            operation, asked, context, record=config.record, withheld=_withheld(request), until_s=until_s
        )
    except Rejected:
        # What was read before the refusal, if anything, is not known here; that it was tried is.
        await config.trail.note(Access(AuditAction.READ, actor, succeeded=False))
        raise
    read = tuple(source.reference for source in answer.request.sources if source.reference)
    await config.trail.note(_access(AuditAction.READ, actor, answer, resources=read))
    return answer


def _withheld(request: Request) -> frozenset[str]:
    """Resource types beside Observations that this caller may not have read from the record."""
    beside = (READ_CONDITIONS, READ_PROCEDURES, READ_INFUSIONS)
    return frozenset(one.resource_type for one in beside if not may(request, one))


def _access(
    deed: AuditAction,
    actor: Actor,
    about: Answer,
    *,
    succeeded: bool = True,
    resources: tuple[str, ...] = (),
) -> Access:
    return Access(deed, actor, succeeded, about.request.subject, resources, about.identity)


async def _written_back(
    answer: Answer, at_s: float, config: OperationsConfig, actor: Actor, *, until_s: float
) -> Response:
    """Answer after writing the answer to the record; whatever becomes of the write, the answer is given."""
    done = await record_answer(
        answer,
        at_s=at_s,
        record=config.record,
        signer=config.signer,
        with_report=answer.request.asked.with_report,
        make_current=answer.request.asked.make_current,
        until_s=until_s,
    )
    access = _access(AuditAction.WRITTEN, actor, answer, succeeded=done.there, resources=done.places)
    await config.trail.note(access)
    headers = {WRITE_BACK_HEADER: done.state.value}
    return Response(_ENCODER.encode(done.answer), media_type=FHIR_JSON, headers=headers)


Json = dict[str, object]


def _serve_replay(router: APIRouter, config: OperationsConfig) -> None:
    @router.post("/$replay", **REPLAY)
    async def replay_answer(request: Request) -> Response:
        require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        body = await read_body(request.stream(), config.context.limits.max_bytes)
        until_s = asyncio.get_running_loop().time() + config.deadline_s
        asked = await config.pool.run_until(until_s, read_replay_request, body)
        try:
            told, patient, identity = await _told(asked, config, until_s)
        except NotAnAnswer as error:
            raise not_an_answer(error) from error
        await config.trail.note(Access(AuditAction.READ, actor_of(request), True, patient, (), identity))
        return Response(_ENCODER.encode(told), media_type=FHIR_JSON)


async def _told(asked: ReplayRequest, config: OperationsConfig, until_s: float) -> tuple[Json, str, str]:
    """What is said, about which patient, and the identity of the answer."""
    stored = asked.answer if asked.answer is not None else await _stored(asked.identity or "", config, until_s)
    needs = needs_of(stored)
    inputs, current = asked.inputs, {}
    if inputs is None:
        found = await inputs_of(needs, _record(config), until_s)
        inputs, current = found.resources, found.current
    verification = await config.pool.run_until(
        until_s, verify, [(url, unmarked(one)) for url, one in stored], config.keys
    )
    outcome = await config.pool.run_until(
        until_s,
        replay,
        stored,
        inputs,
        replace(config.context, at_s=time.time()),
        current=current,
        render=_page,
    )
    return replay_parameters(outcome, verification.verified), needs.patient, outcome.identity


def _page(answer: Answer, recorded_s: float) -> bytes:
    return report_pdf(answer, recorded_s=recorded_s)


async def _stored(identity: str, config: OperationsConfig, until_s: float) -> list[tuple[str, Json]]:
    found = await in_time(answer_in_record(identity, record=_record(config)), until_s)
    if isinstance(found, ReadFailure):
        raise Rejected((_failed("The answer", found),))
    if isinstance(found, NotStored):
        accepted = "one answer of this identity"
        sentence = f"The record holds {found.found or 'no'} answers of this identity; one is needed."
        where = "Parameters.parameter.where(name='request-identifier')"
        raise Rejected((Problem(ProblemKind.NOT_IN_RECORD, where, f"{found.found} answers", accepted, sentence),))
    return found


async def inputs_of(needs: Needs, record: RecordClient, until_s: float = math.inf) -> StoredInputs:
    """The inputs that a stored answer names, from the record, read by `until_s` of the event loop's clock [s].

    Raises:
        Rejected: the record cannot be read.
    """
    found = await in_time(inputs_in_record(needs.inputs, needs.patient, record=record), until_s)
    if isinstance(found, ReadFailure):
        raise Rejected((_failed("The inputs", found),))
    return found


def _record(config: OperationsConfig) -> RecordClient:
    if config.record is None:
        accepted = "a service whose record_base_url is set"
        sentence = "No record system is configured here; send both the answer and its inputs."
        raise Rejected((Problem(ProblemKind.NO_RECORD, "", "no record", accepted, sentence),))
    return config.record


def _failed(what: str, failure: ReadFailure) -> Problem:
    sentence = f"{what} could not be read from the record: {failure.sentence}."
    later_s = failure.retry_after_s
    accepted = "a record that answers"
    return Problem(ProblemKind.RECORD_FAILED, "", failure.sentence, accepted, sentence, retry_after_s=later_s)
