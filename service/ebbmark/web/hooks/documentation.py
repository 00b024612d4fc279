"""What the OpenAPI document says of the CDS Hooks door; the examples are real.

Source: CDS Hooks 2.0; the schemas are transcribed from its tables.
"""

from __future__ import annotations

from typing import Any

from fastapi import Response

from ebbmark.web.documentation import REFUSALS, RESOURCE, example_of, path_parameter, refused
from ebbmark.web.hooks.call import HOOKS

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
