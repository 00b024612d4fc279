"""What the published OpenAPI document says of the FHIR door; the examples are real requests and answers."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import msgspec
from fastapi import Response

from ebbmark.record.write_back import WriteState
from ebbmark.web.media import FHIR_JSON

__all__ = ["DESCRIPTION", "REPLAY", "TITRATE_PEEP", "example"]

DESCRIPTION = (
    "Reads a decremental PEEP trial of a ventilated adult with ARDS from FHIR R4 and answers with the closing pressure "
    "and its uncertainty, a suggested PEEP with its rationale, what each margin would mean, and the cautions. Decision "
    "support: every result is preliminary, local protocol and a licensed clinician decide.\n\n"
    "Operations need `Authorization: Bearer` with an access token of a trusted issuer (JWT, `aud` the FHIR base URL) "
    "that grants `system/Observation.rs`, `system/Observation.c` for write-back, and `system/Condition.rs` to have "
    "Conditions read from the record; SMART scopes of version 1 count as version 2 translates them. Definitions, keys "
    "and health are open. A service to which no issuer is configured lets in callers on its own machine only."
)

REFUSALS = {
    400: "The body cannot be read.",
    401: "No access token was sent, or it is not accepted; WWW-Authenticate says why.",
    403: "The access token does not grant the scope that is needed.",
    406: "The caller takes no FHIR JSON.",
    413: "The body is larger than is read.",
    415: "The body does not claim to be FHIR R4 JSON.",
    422: "The body can be read but not used; every problem is named with its FHIRPath.",
    429: "Too many requests from this client; Retry-After says when to ask again.",
    500: "A fault of the service.",
    502: "The record that the request names a patient of did not give what was asked for.",
    503: "Too many requests are in progress, no answer within the time allowed, or the keys of the token's issuer "
    "cannot be had just now; Retry-After says when to ask again.",
}

RESOURCE: dict[str, Any] = {
    "type": "object",
    "required": ["resourceType"],
    "properties": {"resourceType": {"type": "string"}},
}


def _schema(*names: str) -> dict[str, Any]:
    return {**RESOURCE, "properties": {"resourceType": {"type": "string", "enum": list(names)}}}


def example(name: str) -> object:
    """One of the real examples that the document carries.

    Args:
        name: request, answer or refusal.
    """
    return msgspec.json.decode((files("ebbmark.web") / "examples" / f"{name}.json").read_bytes())


TITRATE_PEEP: dict[str, Any] = {
    "summary": "Read a decremental PEEP trial",
    "description": "Takes FHIR R4 Parameters or a bare Bundle; returns a Bundle of preliminary results with their "
    "Provenance, and with `with-report` a DiagnosticReport with one page (PDF). With `write-back` the same results are "
    "put into the configured record as one transaction of conditional creates, and the header Ebbmark-Write-Back says "
    "what became of it.",
    "operation_id": "titratePeep",
    "response_class": Response,
    "responses": {
        200: {
            "description": "The answer, a Bundle of type collection.",
            "headers": {
                "Ebbmark-Write-Back": {
                    "description": "Only where write-back was asked for.",
                    "schema": {
                        "type": "string",
                        "enum": [state.value for state in WriteState],
                    },
                }
            },
            "content": {FHIR_JSON: {"schema": _schema("Bundle"), "example": example("answer")}},
        },
        **{
            status: {
                "description": text,
                "content": {
                    FHIR_JSON: {
                        "schema": _schema("OperationOutcome"),
                        **({"example": example("refusal")} if status == 422 else {}),
                    }
                },
            }
            for status, text in REFUSALS.items()
        },
    },
    "openapi_extra": {
        "parameters": [
            {
                "name": "_format",
                "in": "query",
                "required": False,
                "description": "Overrides the Accept header; only JSON is given.",
                "schema": {"type": "string", "enum": ["json", "application/json", "application/fhir+json"]},
            }
        ],
        "requestBody": {
            "required": True,
            "content": {
                FHIR_JSON: {"schema": _schema("Parameters", "Bundle"), "example": example("request")},
                "application/json": {"schema": _schema("Parameters", "Bundle")},
            },
        },
    },
}

REPLAY: dict[str, Any] = {
    "summary": "Compute a stored answer again",
    "description": "Takes FHIR R4 Parameters: `request-identifier` of an answer in the configured record, or the "
    "`answer` itself as a Bundle, with or without its `inputs`. Computes it again from the inputs in the versions that "
    "it names, and returns Parameters: whether both are the same, what the signature says, and each difference.",
    "operation_id": "replay",
    "response_class": Response,
    "responses": {
        200: {
            "description": "What was found.",
            "content": {FHIR_JSON: {"schema": _schema("Parameters")}},
        },
        **{
            status: {"description": text, "content": {FHIR_JSON: {"schema": _schema("OperationOutcome")}}}
            for status, text in REFUSALS.items()
        },
    },
    "openapi_extra": {
        "parameters": TITRATE_PEEP["openapi_extra"]["parameters"],
        "requestBody": {
            "required": True,
            "content": {
                FHIR_JSON: {"schema": _schema("Parameters")},
                "application/json": {"schema": _schema("Parameters")},
            },
        },
    },
}
