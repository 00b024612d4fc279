"""The doors beside the titration: what is asked before, during and after a trial, and the definitions behind it."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.audit.signature import sign
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.bedside.value_sets import sets_beside, value_set
from ebbmark.fhir.operation_definitions import definition_of
from ebbmark.fhir.operations import OPERATIONS
from ebbmark.fhir.plan_definitions import plan_definitions
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.read import CodeMap, Limits
from ebbmark.fhir.writing.audit_event import Access, Deed
from ebbmark.fhir.writing.statements import Answer
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.keys import SigningKey
from ebbmark.physiology.before.risk_concepts import RISK_CONCEPTS
from ebbmark.record.ask_from_record import answer_from_record
from ebbmark.record.asked import asked_of
from ebbmark.record.client import RecordClient
from ebbmark.record.reading import Waiting
from ebbmark.telemetry.current import count
from ebbmark.telemetry.measured import Measured
from ebbmark.use_cases.questions import QUESTIONS, Question, ask
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.bedside_documentation import DEFINITION, PLAN, documented
from ebbmark.web.body import read_body
from ebbmark.web.entrance import actor_of, may, require
from ebbmark.web.media import FHIR_JSON, require_acceptable, require_fhir_json
from ebbmark.web.plan_page import PAGE_HEADERS, plan_page, wants_page
from ebbmark.web.scopes import READ_CONDITIONS, READ_INFUSIONS
from ebbmark.web.work_pool import WorkPool

__all__ = ["BedsideDoor", "bedside_router", "definitions_router"]

_ENCODER = msgspec.json.Encoder()
_WAITING = Waiting(sleep=asyncio.sleep, now=lambda: datetime.now(UTC))


@dataclass(frozen=True, slots=True)
class BedsideDoor:
    """What these doors were configured with.

    Attributes:
        site: the site's codes, protocols and stop limits.
        limits: how large a request may be.
        code_map: the site's own codes of readings.
        accept_preliminary: whether preliminary Observations count where the request does not say.
        trail: where it is noted who did what.
        pool: where answers are computed.
        record: where a patient that the request names is read; None where no record is configured.
        signer: the key that every answer is signed with; None where answers are not signed.
    """

    site: Site
    limits: Limits
    code_map: CodeMap
    accept_preliminary: bool
    trail: AuditTrail
    pool: WorkPool
    record: RecordClient | None = None
    signer: SigningKey | None = None


def bedside_router(door: BedsideDoor) -> APIRouter:
    """The operations, which need a caller who may come in."""
    router = APIRouter(prefix="/fhir", tags=["fhir"])
    for question in QUESTIONS.values():
        _serve_operation(router, door, question)
    return router


def _serve_operation(router: APIRouter, door: BedsideDoor, question: Question) -> None:
    slug = question.operation.slug

    async def operation(request: Request) -> Response:
        require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
        accept, wanted = request.headers.get("accept"), request.query_params.get("_format")
        as_page = slug == PLAN and wants_page(accept, wanted)
        if not as_page:
            require_acceptable(accept, wanted)
        body = await read_body(request.stream(), door.limits.max_bytes)
        at_s = time.time()
        answer = await _from_record(request, door, question, body, at_s)
        if answer is None:
            answer = await door.pool.run(
                ask,
                question,
                body,
                at_s=at_s,
                site=door.site,
                limits=door.limits,
                code_map=door.code_map,
                accept_preliminary=door.accept_preliminary,
            )
        count(Measured.ANSWERS, slug, "answered")
        deed = Access(Deed.EVALUATED, actor_of(request), True, answer.request.subject, (), answer.identity)
        await door.trail.note(deed)
        if as_page:
            return Response(plan_page(answer), media_type="text/html", headers=PAGE_HEADERS)
        written = await door.pool.run(write_bundle_bytes, answer, recorded_s=at_s)
        if door.signer is not None:
            signed = sign(msgspec.json.decode(written, type=dict[str, object]), key=door.signer)
            written = _ENCODER.encode(signed)
        return Response(written, media_type=FHIR_JSON)

    router.add_api_route(f"/${slug}", operation, methods=["POST"], **documented(question.operation))


async def _from_record(
    request: Request, door: BedsideDoor, question: Question, body: bytes, at_s: float
) -> Answer | None:
    """The answer to a request that names a patient of the record; None where it brings its data."""
    asked = asked_of(body, base_url=door.record.settings.base_url if door.record is not None else "", at_s=at_s)
    if asked is None:
        return None
    if question.operation.reads_conditions:
        require(request, READ_CONDITIONS)
    actor = actor_of(request)
    withheld = frozenset() if may(request, READ_INFUSIONS) else frozenset({READ_INFUSIONS.resource_type})
    try:
        answer = await answer_from_record(
            question,
            asked,
            at_s=at_s,
            record=door.record,
            waiting=_WAITING,
            site=door.site,
            code_map=door.code_map,
            accept_preliminary=door.accept_preliminary,
            withheld=withheld,
        )
    except Rejected:
        # What was read before the refusal, if anything, is not known here; that it was tried is.
        await door.trail.note(Access(Deed.READ, actor, succeeded=False))
        raise
    read = tuple(source.reference for source in answer.request.sources if source.reference)
    await door.trail.note(Access(Deed.READ, actor, True, answer.request.subject, read, answer.identity))
    return answer


def definitions_router(site: Site) -> APIRouter:
    """The definitions, open to everybody: a caller must be able to read what is meant before signing in."""
    router = APIRouter(prefix="/fhir", tags=["fhir"])
    by_type = {
        "OperationDefinition": {one.slug: definition_of(one) for one in OPERATIONS},
        "PlanDefinition": plan_definitions(site),
        "ValueSet": {
            **{one.slug: value_set(one, site.condition_codes) for one in RISK_CONCEPTS},
            **sets_beside(site.condition_codes),
        },
    }
    for resource_type, resources in by_type.items():
        _serve_definitions(router, resource_type, {slug: _ENCODER.encode(one) for slug, one in resources.items()})
    return router


def _serve_definitions(router: APIRouter, resource_type: str, bodies: dict[str, bytes]) -> None:
    async def definition(request: Request, slug: str) -> Response:
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        if slug not in bodies:
            accepted = ", ".join(bodies)
            sentence = f"There is no such {resource_type} here; there are: {accepted}."
            raise Rejected((Problem(ProblemKind.NOT_FOUND, "", "another id", accepted, sentence),))
        return Response(bodies[slug], media_type=FHIR_JSON)

    router.add_api_route(
        f"/{resource_type}/{{slug}}",
        definition,
        methods=["GET"],
        summary=f"A {resource_type} of this service, by its id",
        operation_id=f"read{resource_type}ById",
        response_class=Response,
        **DEFINITION,
    )
