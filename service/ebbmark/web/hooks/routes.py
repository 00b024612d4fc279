"""The CDS Hooks door: discovery, call and feedback, and what the OpenAPI document says of them; the examples are real.

Source: CDS Hooks 2.0; the schemas are transcribed from its tables.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Limits
from ebbmark.fhir.writing.audit_event import Access as Accessed
from ebbmark.fhir.writing.audit_event import AuditAction
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import HooksAuthentication
from ebbmark.web.body import read_body, require_fhir_json
from ebbmark.web.documentation import REFUSALS, RESOURCE, example_of, path_parameter, refused
from ebbmark.web.hooks.answering import CallContext, answer_call, log_feedback, read_feedback
from ebbmark.web.hooks.call import HOOKS, SERVICE_ID, discovery, read_call

JSON = "application/json"
Schema = dict[str, Any]

_TEXT: Schema = {"type": "string", "minLength": 1}
_UUID: Schema = {"type": "string", "format": "uuid"}
_URL: Schema = {"type": "string", "format": "uri"}


def _object(required: tuple[str, ...], **properties: Schema) -> Schema:
    return {"type": "object", "required": list(required), "properties": properties}


def _some(items: Schema) -> Schema:
    return {"type": "array", "minItems": 1, "items": items}


_CODING = _object(("code", "system"), code=_TEXT, system=_URL, display=_TEXT)
_SERVICE = _object(
    ("hook", "id", "title", "description"),
    hook={"type": "string", "enum": list(HOOKS)},
    id=_TEXT,
    title=_TEXT,
    description=_TEXT,
    usageRequirements=_TEXT,
    prefetch={"type": "object", "additionalProperties": _TEXT},
)
_ACTION = _object(
    ("type", "description", "resource"),
    type={"type": "string", "enum": ["create", "update"]},
    description=_TEXT,
    resource=RESOURCE,
)
_SUGGESTION = _object(("label", "uuid", "actions"), label=_TEXT, uuid=_UUID, actions=_some(_ACTION))
_LINK = _object(("label", "url", "type"), label=_TEXT, url=_URL, type={"type": "string", "enum": ["absolute", "smart"]})
_CARD = _object(
    ("uuid", "summary", "indicator", "detail", "source"),
    uuid=_UUID,
    summary={"type": "string", "minLength": 1, "maxLength": 139},
    indicator={"type": "string", "enum": ["info", "warning", "critical"]},
    detail={"type": "string", "minLength": 1, "description": "GitHub Flavored Markdown."},
    source=_object(("label",), label=_TEXT, url=_URL, topic=_CODING),
    suggestions=_some(_SUGGESTION),
    selectionBehavior={"type": "string", "enum": ["any"]},
    overrideReasons=_some(_CODING),
    links=_some(_LINK),
)
_AUTHORIZATION = _object(
    ("access_token", "token_type", "expires_in"),
    access_token=_TEXT,
    token_type={"type": "string", "enum": ["Bearer"]},
    expires_in={"type": "integer"},
    scope=_TEXT,
    subject=_TEXT,
    patient=_TEXT,
)
_CONTEXT = {
    **_object(
        ("userId", "patientId"),
        userId=_TEXT,
        patientId=_TEXT,
        encounterId=_TEXT,
        selections=_some(_TEXT),
        draftOrders=RESOURCE,
    ),
    "description": "encounterId is needed for encounter-start, draftOrders for order-select and order-sign, selections "
    "for order-select.",
}
_CALL = _object(
    ("hook", "hookInstance", "context"),
    hook={"type": "string", "enum": list(HOOKS)},
    hookInstance=_UUID,
    fhirServer=_URL,
    fhirAuthorization=_AUTHORIZATION,
    context=_CONTEXT,
    prefetch={"type": "object"},
)
_FEEDBACK = _object(
    ("feedback",),
    feedback=_some(
        _object(
            ("card", "outcome", "outcomeTimestamp"),
            card=_UUID,
            outcome={"type": "string", "enum": ["accepted", "overridden"]},
            acceptedSuggestions=_some(_object(("id",), id=_UUID)),
            overrideReason={"type": "object", "properties": {"reason": _CODING, "userComment": {"type": "string"}}},
            outcomeTimestamp={"type": "string", "format": "date-time"},
        )
    ),
)

_OWN = {
    401: "No JWT of a known CDS client was sent, or it is not accepted; WWW-Authenticate says why.",
    403: "The caller may not come in: no CDS clients are configured, and this is no caller on this machine.",
    404: "There is no service of this id.",
    412: "What is needed was not brought and cannot be fetched from fhirServer; each missing prefetch key is named.",
    415: "The body does not claim to be JSON.",
    422: "The call can be read but not used: another hook, another patient, readings that cannot be used.",
}
_WITHOUT_BODY = (401, 403, 429, 500, 503)
_WITH_BODY = (400, 401, 403, 404, 408, 412, 413, 415, 422, 429, 500, 503)


def _refusals(statuses: tuple[int, ...]) -> dict[int, dict[str, Any]]:
    late = "The body did not arrive in time."
    return refused({status: _OWN.get(status) or REFUSALS.get(status) or late for status in statuses})


def _documented_body(schema: Schema, name: str) -> dict[str, Any]:
    return {
        "parameters": [path_parameter("service_id")],
        "requestBody": {"required": True, "content": {JSON: {"schema": schema, **example_of(name)}}},
    }


DISCOVERY: dict[str, Any] = {
    "summary": "CDS Hooks: the services, and what each is to be brought",
    "description": "CDS Hooks 2.0 discovery. With CDS clients configured, needs `Authorization: Bearer` with a JWT of "
    "one of them, `aud` this very address.",
    "operation_id": "discoverServices",
    "response_class": Response,
    "responses": {
        200: {
            "description": "The services.",
            "content": {JSON: {"schema": _object(("services",), services=_some(_SERVICE))}},
        },
        **_refusals(_WITHOUT_BODY),
    },
}

CALL: dict[str, Any] = {
    "summary": "CDS Hooks: ask for a card",
    "description": "CDS Hooks 2.0 call. Answers with one card where there is something worth saying, else with none; "
    "never with system actions. What was not brought as prefetch is fetched from `fhirServer` with the token sent "
    "along, if that address is allowed here; else 412.",
    "operation_id": "callService",
    "response_class": Response,
    "responses": {
        200: {
            "description": "No card, or one. In the example two actions stand for all of the first suggestion's.",
            "content": {
                JSON: {
                    "schema": _object(("cards",), cards={"type": "array", "maxItems": 1, "items": _CARD}),
                    **example_of("cds-cards"),
                }
            },
        },
        **_refusals(_WITH_BODY),
    },
    "openapi_extra": _documented_body(_CALL, "cds-call"),
}

FEEDBACK: dict[str, Any] = {
    "summary": "CDS Hooks: tell what became of a card",
    "description": "CDS Hooks 2.0 feedback. Each entry becomes one line in the log stream, without anything of the "
    "patient; what a person wrote is not kept.",
    "operation_id": "giveFeedback",
    "response_class": Response,
    "responses": {
        200: {
            "description": "How many were received.",
            "content": {JSON: {"schema": _object(("received",), received={"type": "integer"})}},
        },
        **_refusals(_WITH_BODY),
    },
    "openapi_extra": _documented_body(_FEEDBACK, "cds-feedback"),
}


_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class HooksConfig:
    """What this door was configured with.

    Attributes:
        calls: what answering a call needs.
        limits: how large a request may be.
        trail: where it is noted who did what.
        wall_s: seconds since 1970-01-01T00:00:00Z.
    """

    entrance: HooksAuthentication
    calls: CallContext
    limits: Limits
    trail: AuditTrail
    wall_s: Callable[[], float]


def hooks_router(config: HooksConfig) -> APIRouter:
    """The routes below `/cds-services`."""
    router = APIRouter(prefix="/cds-services", tags=["cds-hooks"])
    context = config.calls.context
    services = _ENCODER.encode(discovery(context.code_map.table, context.site.condition_codes.procedures))

    @router.get("/", include_in_schema=False)
    @router.get("", **DISCOVERY)
    async def discover(request: Request) -> Response:
        await config.entrance.admit(request)
        return Response(services, media_type=JSON)

    @router.post("/{service_id}/", include_in_schema=False)
    @router.post("/{service_id}", **CALL)
    async def call(request: Request) -> Response:
        actor = await config.entrance.admit(request)
        body = await _body(request, config)
        at_s = config.wall_s()
        called = read_call(body)
        try:
            answered = await answer_call(called, at_s=at_s, call_context=config.calls)
        except Rejected:
            await config.trail.note(Accessed(AuditAction.EVALUATED, actor, succeeded=False))
            raise
        patient = f"Patient/{called.patient_id}"
        if answered.read:
            await config.trail.note(Accessed(AuditAction.READ, actor, True, patient, answered.read, answered.identity))
        await config.trail.note(Accessed(AuditAction.EVALUATED, actor, True, patient, (), answered.identity))
        cards = [] if answered.card is None else [answered.card]
        return Response(_ENCODER.encode({"cards": cards}), media_type=JSON)

    @router.post("/{service_id}/feedback/", include_in_schema=False)
    @router.post("/{service_id}/feedback", **FEEDBACK)
    async def feedback(request: Request) -> Response:
        actor = await config.entrance.admit(request)
        told = read_feedback(await _body(request, config))
        log_feedback(told, client=actor.issuer, recorded_s=config.wall_s())
        return Response(_ENCODER.encode({"received": len(told)}), media_type=JSON)

    return router


async def _body(request: Request, config: HooksConfig) -> bytes:
    if request.path_params["service_id"] != SERVICE_ID:
        sentence = f"There is no such service here; there is {SERVICE_ID}."
        raise Rejected((Problem(ProblemKind.NOT_FOUND, "", "another id", SERVICE_ID, sentence),))
    require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
    return await read_body(request.stream(), config.limits.max_bytes)
