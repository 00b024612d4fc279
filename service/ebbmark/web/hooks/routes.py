"""The CDS Hooks door: discovery, call and feedback.

Source: CDS Hooks 2.0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.body import Limits
from ebbmark.fhir.writing.audit_event import Access as Accessed
from ebbmark.fhir.writing.audit_event import AuditAction
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.body import read_body, require_fhir_json
from ebbmark.web.hooks.answering import Answering, answer_call
from ebbmark.web.hooks.authentication import HooksAuthMiddleware
from ebbmark.web.hooks.call import read_call
from ebbmark.web.hooks.catalog import SERVICE_ID, discovery
from ebbmark.web.hooks.documentation import CALL, DISCOVERY, FEEDBACK
from ebbmark.web.hooks.feedback import note, read_feedback

__all__ = ["HooksDoor", "hooks_router"]

JSON = "application/json"
_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class HooksDoor:
    """What this door was configured with.

    Attributes:
        entrance: who may come in.
        answering: what answering a call needs.
        limits: how large a request may be.
        trail: where it is noted who did what.
        wall_s: seconds since 1970-01-01T00:00:00Z.
    """

    entrance: HooksAuthMiddleware
    answering: Answering
    limits: Limits
    trail: AuditTrail
    wall_s: Callable[[], float]


def hooks_router(door: HooksDoor) -> APIRouter:
    """The routes below `/cds-services`."""
    router = APIRouter(prefix="/cds-services", tags=["cds-hooks"])
    context = door.answering.context
    services = _ENCODER.encode(discovery(context.code_map.table, context.site.condition_codes.procedures))

    @router.get("/", include_in_schema=False)
    @router.get("", **DISCOVERY)
    async def discover(request: Request) -> Response:
        await door.entrance.admit(request)
        return Response(services, media_type=JSON)

    @router.post("/{service_id}/", include_in_schema=False)
    @router.post("/{service_id}", **CALL)
    async def call(request: Request, service_id: str) -> Response:
        actor = await door.entrance.admit(request)
        body = await _body(request, service_id, door)
        at_s = door.wall_s()
        called = read_call(body)
        try:
            answered = await answer_call(called, at_s=at_s, answering=door.answering)
        except Rejected:
            await door.trail.note(Accessed(AuditAction.EVALUATED, actor, succeeded=False))
            raise
        patient = f"Patient/{called.patient_id}"
        if answered.read:
            await door.trail.note(Accessed(AuditAction.READ, actor, True, patient, answered.read, answered.identity))
        await door.trail.note(Accessed(AuditAction.EVALUATED, actor, True, patient, (), answered.identity))
        cards = [] if answered.card is None else [answered.card]
        return Response(_ENCODER.encode({"cards": cards}), media_type=JSON)

    @router.post("/{service_id}/feedback/", include_in_schema=False)
    @router.post("/{service_id}/feedback", **FEEDBACK)
    async def feedback(request: Request, service_id: str) -> Response:
        actor = await door.entrance.admit(request)
        told = read_feedback(await _body(request, service_id, door))
        note(told, client=actor.issuer, recorded_s=door.wall_s())
        return Response(_ENCODER.encode({"received": len(told)}), media_type=JSON)

    return router


async def _body(request: Request, service_id: str, door: HooksDoor) -> bytes:
    if service_id != SERVICE_ID:
        sentence = f"There is no such service here; there is {SERVICE_ID}."
        raise Rejected((Problem(ProblemKind.NOT_FOUND, "", "another id", SERVICE_ID, sentence),))
    require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
    return await read_body(request.stream(), door.limits.max_bytes)
