"""The FHIR door: the titration operation and the definitions that describe it."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.fhir.bedside.site import NO_SITE, Site
from ebbmark.fhir.codesystem import code_system
from ebbmark.fhir.conformance import capability_statement, operation_definition, replay_definition
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.read import CodeMap, Limits
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.audit_event import Access, Actor, Deed
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.keys import SigningKey
from ebbmark.record.client import RecordClient
from ebbmark.record.from_record import recommend_from_record
from ebbmark.record.reading import Waiting
from ebbmark.telemetry.current import count
from ebbmark.telemetry.measured import Measured
from ebbmark.use_cases.titrate import recommend
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.body import read_body
from ebbmark.web.documentation import TITRATE_PEEP
from ebbmark.web.entrance import actor_of, require
from ebbmark.web.media import FHIR_JSON, require_acceptable, require_fhir_json
from ebbmark.web.recording import answer_bundle, record_answer
from ebbmark.web.scopes import WRITE_BACK
from ebbmark.web.work_pool import WorkPool

__all__ = ["Door", "fhir_router"]

WRITE_BACK_HEADER = "Ebbmark-Write-Back"
"""What became of a write-back, in one word, for callers that do not read the OperationOutcome."""

_ENCODER = msgspec.json.Encoder()
_WAITING = Waiting(sleep=asyncio.sleep, now=lambda: datetime.now(UTC))


@dataclass(frozen=True, slots=True)
class Door:
    """What the FHIR door was configured with.

    Attributes:
        limits: how large a request may be.
        code_map: the site's own codes.
        accept_preliminary: whether preliminary Observations count where the request does not say.
        record: where results may be written; None where no record is configured.
        base_url: FHIR base address as callers see it, for the CapabilityStatement.
        trail: where it is noted who did what.
        pool: where answers are computed.
        signs_in: whether callers must sign in, for the CapabilityStatement.
        signer: the key that every answer is signed with; None where answers are not signed.
        site: the site's codes, protocols and stop limits.
    """

    limits: Limits
    code_map: CodeMap
    accept_preliminary: bool
    record: RecordClient | None
    base_url: str
    trail: AuditTrail
    pool: WorkPool
    signs_in: bool = False
    signer: SigningKey | None = None
    site: Site = NO_SITE


def fhir_router(door: Door) -> APIRouter:
    """The routes below `/fhir`."""
    router = APIRouter(prefix="/fhir", tags=["fhir"])

    @router.post("/$titrate-peep", **TITRATE_PEEP)
    async def titrate_peep(request: Request) -> Response:
        require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        body = await read_body(request.stream(), door.limits.max_bytes)
        at_s = time.time()
        actor = actor_of(request)
        recommendation = await _from_record(door, body, at_s, actor)
        if recommendation is None:
            recommendation = await door.pool.run(
                recommend,
                body,
                at_s=at_s,
                limits=door.limits,
                code_map=door.code_map,
                accept_preliminary=door.accept_preliminary,
                site=door.site,
            )
        count(Measured.ANSWERS, "titrate-peep", recommendation.closing.verdict.value)
        if recommendation.request.asked.write_back:
            require(request, WRITE_BACK)
            return await _written(recommendation, at_s, door, actor)
        await door.trail.note(_access(Deed.EVALUATED, actor, recommendation))
        with_report = recommendation.request.asked.with_report
        if with_report or door.signer is not None:
            answer = await door.pool.run(
                answer_bundle, recommendation, at_s=at_s, signer=door.signer, with_report=with_report
            )
            return Response(_ENCODER.encode(answer), media_type=FHIR_JSON)
        written = await door.pool.run(write_bundle_bytes, recommendation, recorded_s=at_s)
        return Response(written, media_type=FHIR_JSON)

    definitions = {
        "/metadata": ("readCapabilityStatement", capability_statement(base_url=door.base_url, signs_in=door.signs_in)),
        "/OperationDefinition/titrate-peep": ("readOperationDefinition", operation_definition()),
        "/OperationDefinition/replay": ("readReplayDefinition", replay_definition()),
        "/CodeSystem/ebbmark": ("readCodeSystem", code_system()),
    }
    for path, (name, resource) in definitions.items():
        _serve(router, path, name, resource)
    return router


def _serve(router: APIRouter, path: str, name: str, resource: dict[str, object]) -> None:
    """Serve one fixed resource."""
    body, resource_type = _ENCODER.encode(resource), str(resource["resourceType"])

    async def definition(request: Request) -> Response:
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        return Response(body, media_type=FHIR_JSON)

    router.add_api_route(
        path,
        definition,
        methods=["GET"],
        summary=f"{resource_type} of this service",
        operation_id=name,
        response_class=Response,
        responses={200: {"description": resource_type, "content": {FHIR_JSON: {"schema": {"type": "object"}}}}},
    )


async def _from_record(door: Door, body: bytes, at_s: float, actor: Actor) -> Recommendation | None:
    """The answer to a request that names a patient of the record; None where it brings its data."""
    try:
        recommendation = await recommend_from_record(
            body,
            at_s=at_s,
            record=door.record,
            waiting=_WAITING,
            code_map=door.code_map,
            accept_preliminary=door.accept_preliminary,
            site=door.site,
        )
    except Rejected:
        # What was read before the refusal, if anything, is not known here; that it was tried is.
        await door.trail.note(Access(Deed.READ, actor, succeeded=False))
        raise
    if recommendation is not None:
        read = tuple(source.reference for source in recommendation.request.sources if source.reference)
        await door.trail.note(_access(Deed.READ, actor, recommendation, resources=read))
    return recommendation


def _access(
    deed: Deed, actor: Actor, about: Recommendation, *, succeeded: bool = True, resources: tuple[str, ...] = ()
) -> Access:
    return Access(deed, actor, succeeded, about.request.subject, resources, about.identity)


async def _written(recommendation: Recommendation, at_s: float, door: Door, actor: Actor) -> Response:
    """Answer after writing the answer to the record; whatever becomes of the write, the answer is given."""
    done = await record_answer(
        recommendation,
        at_s=at_s,
        record=door.record,
        waiting=_WAITING,
        signer=door.signer,
        with_report=recommendation.request.asked.with_report,
        make_current=recommendation.request.asked.make_current,
    )
    access = _access(Deed.WRITTEN, actor, recommendation, succeeded=done.there, resources=done.places)
    await door.trail.note(access)
    headers = {WRITE_BACK_HEADER: done.state.value}
    return Response(_ENCODER.encode(done.answer), media_type=FHIR_JSON, headers=headers)
