"""What the published OpenAPI document says of the doors beside the titration; the examples are real requests."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import msgspec
from fastapi import Response

from ebbmark.fhir.operations import Operation
from ebbmark.web.documentation import REFUSALS, RESOURCE
from ebbmark.web.media import FHIR_JSON

__all__ = ["DEFINITION", "PLAN", "documented"]

PLAN = "plan-trial"
"""The one answer that also comes as a page to print."""

_OUTCOME = {**RESOURCE, "properties": {"resourceType": {"type": "string", "enum": ["OperationOutcome"]}}}
_BUNDLE = {**RESOURCE, "properties": {"resourceType": {"type": "string", "enum": ["Bundle"]}}}
_ASKED = {**RESOURCE, "properties": {"resourceType": {"type": "string", "enum": ["Parameters", "Bundle"]}}}

_FORMAT = {
    "name": "_format",
    "in": "query",
    "required": False,
    "description": "Overrides the Accept header.",
    "schema": {"type": "string", "enum": ["json", "application/json", "application/fhir+json"]},
}

_FORMAT_OF_PLAN = {
    **_FORMAT,
    "schema": {"type": "string", "enum": ["json", "application/json", "application/fhir+json", "html", "text/html"]},
}

DEFINITION: dict[str, Any] = {
    "responses": {
        200: {"description": "The definition.", "content": {FHIR_JSON: {"schema": RESOURCE}}},
        404: {"description": "There is none of this id.", "content": {FHIR_JSON: {"schema": _OUTCOME}}},
        406: {"description": REFUSALS[406], "content": {FHIR_JSON: {"schema": _OUTCOME}}},
        # Every path parameter is a string, so the framework's own refusal never happens.
        422: {"description": "Never given.", "content": {FHIR_JSON: {"schema": _OUTCOME}}},
    },
}
"""Of a definition that is read by its id."""


def documented(operation: Operation) -> dict[str, Any]:
    """The entry of one operation."""
    name = operation.slug.split("-")
    return {
        "summary": operation.title,
        "description": f"{operation.description} Takes FHIR R4 Parameters or a bare Bundle; or, where a record is "
        f"configured, Parameters with patient-reference: then {_read(operation)} are read from the record, of the "
        f"{operation.hours_back:g} hours before now where the request names no period.",
        "operation_id": name[0] + "".join(part.capitalize() for part in name[1:]),
        "response_class": Response,
        "responses": {
            200: {
                "description": "The answer, a Bundle of type collection.",
                "content": {
                    FHIR_JSON: {"schema": _BUNDLE, **_example(f"{operation.slug}-answer")},
                    **({"text/html": {"schema": {"type": "string"}}} if operation.slug == PLAN else {}),
                },
            },
            **{
                status: {"description": text, "content": {FHIR_JSON: {"schema": _OUTCOME}}}
                for status, text in REFUSALS.items()
            },
        },
        "openapi_extra": {
            "parameters": [_FORMAT_OF_PLAN if operation.slug == PLAN else _FORMAT],
            "requestBody": {
                "required": True,
                "content": {
                    FHIR_JSON: {"schema": _ASKED, **_example(operation.slug)},
                    "application/json": {"schema": _ASKED},
                },
            },
        },
    }


def _read(operation: Operation) -> str:
    """What the record is asked for."""
    more = ["charted changes of position and mode"] * operation.reads_changes
    more += [
        "Conditions (which needs the scope system/Condition.rs), vasopressors (with system/MedicationAdministration.rs)"
    ] * operation.reads_conditions
    return ", ".join(["the Patient", "heights", "sex", *more]) + " and Observations"


def _example(slug: str) -> dict[str, object]:
    file = files("ebbmark.web") / "examples" / f"{slug}.json"
    return {"example": msgspec.json.decode(file.read_bytes())} if file.is_file() else {}
