"""The published OpenAPI document: what it says of the FHIR operations, and what repeats as components.

The examples are real requests and answers. FastAPI writes each response out where it occurs; generators of clients make
one type of each component instead.
Source: OpenAPI Specification 3.1.0, https://spec.openapis.org/oas/v3.1.0 (Components Object, Security Scheme Object).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from types import MappingProxyType
from typing import Any

import msgspec
from fastapi import FastAPI, Response

from ebbmark.fhir.operations import PLAN_TRIAL, Operation
from ebbmark.record.write_back import WriteState
from ebbmark.web.body import FHIR_JSON

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
    "additionalProperties": True,
    "required": ["resourceType"],
    "properties": {"resourceType": {"type": "string"}},
}


def path_parameter(name: str) -> dict[str, Any]:
    """A part of an address, documented here and read from the request: so that the framework makes no model of it."""
    schema = {"type": "string", "title": name.replace("_", " ").title()}
    return {"name": name, "in": "path", "required": True, "schema": schema}


def query_parameter(name: str, description: str = "", accepted: tuple[str, ...] = ()) -> dict[str, Any]:
    """A parameter after the `?`, with what is accepted where that is a list."""
    described = {"description": description} if description else {}
    schema = {"type": "string", **({"enum": list(accepted)} if accepted else {})}
    return {"name": name, "in": "query", "required": False, **described, "schema": schema}


def reply(description: str, *kinds: str, **more: object) -> dict[str, Any]:
    """A reply that is a FHIR resource of one of these kinds.

    Args:
        kinds: resource types; none for any.
    """
    schema = (
        {**RESOURCE, "properties": {"resourceType": {"type": "string", "enum": list(kinds)}}} if kinds else RESOURCE
    )
    headers = {"headers": more.pop("headers")} if "headers" in more else {}
    return {"description": description, **headers, "content": {FHIR_JSON: {"schema": schema, **more}}}


def refused(texts: Mapping[int, str], example: Mapping[str, str] = MappingProxyType({})) -> dict[int, dict[str, Any]]:
    """Refusals by status; the example is of 422."""
    return {
        status: reply(text, "OperationOutcome", **(example if status == 422 else {})) for status, text in texts.items()
    }


_JSON = ("json", "application/json", "application/fhir+json")

DEFINITION: dict[str, Any] = {
    "responses": {
        200: reply("The definition."),
        **refused({404: "There is none of this id.", 406: REFUSALS[406]}),
    },
    "openapi_extra": {"parameters": [path_parameter("slug")]},
}
"""Of a definition that is read by its id."""

SEARCH: dict[str, Any] = {
    "responses": {
        200: reply("Those that match.", "Bundle"),
        **refused({400: "Another search parameter.", 406: REFUSALS[406]}),
    },
    "openapi_extra": {
        "parameters": [
            query_parameter("_id", "Logical id."),
            query_parameter("url", "Canonical address."),
            query_parameter("name", "Beginning of the name, whatever its case."),
            query_parameter("version", "Version."),
            query_parameter("status", "Status, as active."),
        ]
    },
}
"""Of a search for definitions."""


def documented(operation: Operation) -> dict[str, Any]:
    """The entry of one operation."""
    answer = reply(_ANSWER, "Bundle", headers=_WRITE_BACK, **example_of(f"{operation.slug}-answer"))
    page: tuple[str, ...] = ()
    if operation is PLAN_TRIAL:
        answer["content"]["text/html"], page = {"schema": {"type": "string"}}, ("html", "text/html")
    return {
        "summary": operation.title,
        "description": _description(operation),
        "operation_id": _id_of(operation),
        "response_class": Response,
        "responses": {200: answer, **refused(REFUSALS, example_of(f"{operation.slug}-refusal"))},
        "openapi_extra": {
            "parameters": [_format((*_JSON, *page))],
            "requestBody": _body(("Parameters", "Bundle"), example_of(operation.slug)),
        },
    }


def documented_of_patient(operation: Operation) -> dict[str, Any]:
    """The entry of one operation at the address of a patient of the record; its examples stand with the operation."""
    return {
        "summary": f"{operation.title}, about the patient in the address",
        "operation_id": f"{_id_of(operation)}OfPatient",
        "response_class": Response,
        "responses": {200: reply(_ANSWER, "Bundle", headers=_WRITE_BACK), **refused(REFUSALS)},
        "openapi_extra": {
            "parameters": [path_parameter("patient_id")],
            "requestBody": reply(
                "Parameters that name no patient, or nothing; the record is read.",
                "Parameters",
                **example_of("of-patient"),
            ),
        },
    }


_ANSWER = "The answer, a Bundle of type collection."
_WRITE_BACK = {
    "Ebbmark-Write-Back": {
        "description": "Only where write-back was asked for.",
        "schema": {"type": "string", "enum": [state.value for state in WriteState]},
    }
}


def _description(operation: Operation) -> str:
    return (
        f"{operation.description} Takes FHIR R4 Parameters or a bare Bundle; or, where a record is configured, "
        f"Parameters with patient-reference: then {_read(operation)} are read from the record, of the "
        f"{operation.hours_back:g} hours before now where the request names no period."
        " With `with-report` the answer holds a DiagnosticReport with a PDF of it. With `write-back` the same "
        "results are put into the configured record as one transaction of conditional creates, and the header "
        "Ebbmark-Write-Back says what became of it."
    )


def _read(operation: Operation) -> str:
    """What the record is asked for."""
    more = ["charted changes of position and mode"] * operation.reads_changes
    more += [
        "Conditions (which needs the scope system/Condition.rs), Procedures such as extracorporeal support (with "
        "system/Procedure.rs), vasopressors (with system/MedicationAdministration.rs)"
    ] * operation.reads_conditions
    return ", ".join(["the Patient", "heights", "sex", *more]) + " and Observations"


def _id_of(operation: Operation) -> str:
    name, *more = operation.slug.split("-")
    return name + "".join(part.capitalize() for part in more)


def _format(accepted: tuple[str, ...]) -> dict[str, Any]:
    return query_parameter("_format", "Overrides the Accept header.", accepted)


def _body(kinds: tuple[str, ...], example: Mapping[str, str] = MappingProxyType({})) -> dict[str, Any]:
    content = reply("", *kinds, **example)["content"]
    return {"required": True, "content": {**content, "application/json": {"schema": content[FHIR_JSON]["schema"]}}}


def example_of(name: str) -> dict[str, str]:
    """A real request or answer, where there is one of this name: its file, read when the document is made."""
    return {"example": name} if _file_of(name).is_file() else {}


def _file_of(name: str) -> Traversable:
    return files("ebbmark.web") / "examples" / f"{name}.json"


REPLAY: dict[str, Any] = {
    "summary": "Compute a stored answer again",
    "description": "Takes FHIR R4 Parameters: `request-identifier` of an answer in the configured record, or the "
    "`answer` itself as a Bundle, with or without its `inputs`. Computes it again from the inputs in the versions that "
    "it names, and returns Parameters: whether both are the same, what the signature says, and each difference.",
    "operation_id": "replay",
    "response_class": Response,
    "responses": {200: reply("What was found.", "Parameters", **example_of("replay-answer")), **refused(REFUSALS)},
    "openapi_extra": {
        "parameters": [_format(_JSON)],
        "requestBody": _body(("Parameters",), example_of("replay")),
    },
}


_BEARER = {
    "type": "http",
    "scheme": "bearer",
    "bearerFormat": "JWT",
    "description": "An access token of an issuer in EBBMARK_ISSUERS; for cards a JWT of a CDS client. Not asked for "
    "where the service serves its own machine only.",
}
_SIGNED_IN = ("/fhir/$", "/fhir/Patient/", "/cds-services/")


class DocumentedApp(FastAPI):
    """The application, with an OpenAPI document that repeats nothing."""

    def openapi(self) -> dict[str, Any]:
        """The document, made once."""
        if self.openapi_schema is None:
            self.openapi_schema = _with_components(super().openapi())
        return self.openapi_schema


def _with_components(document: dict[str, Any]) -> dict[str, Any]:
    schemas: dict[str, Any] = {}
    paths = _schemas_named(document["paths"], schemas)
    operations = [method for methods in paths.values() for method in methods.values()]
    counted = Counter(
        (status, _text(response)) for operation in operations for status, response in operation["responses"].items()
    )
    names: dict[tuple[str, str], str] = {}
    responses: dict[str, Any] = {}
    for one in operations:
        for status, response in one["responses"].items():
            key = (status, _text(response))
            if counted[key] > 1:
                if key not in names:
                    names[key] = f"Status{status}{chr(ord('A') + sum(known == status for known, _ in names))}"
                    responses[names[key]] = response
                one["responses"][status] = {"$ref": f"#/components/responses/{names[key]}"}
    for path, methods in paths.items():
        for method, one in methods.items():
            if path.startswith(_SIGNED_IN) and method == "post":
                one["security"] = [{"bearer": []}, {}]
    components = {"schemas": schemas, "responses": responses, "securitySchemes": {"bearer": _BEARER}}
    return {**document, "paths": paths, "components": components}


def _schemas_named(value: Any, schemas: dict[str, Any]) -> Any:  # noqa: ANN401 - any JSON
    """The same with FHIR resources as named schemas, and with the examples as they are in their files."""
    if isinstance(value, list):
        return [_schemas_named(one, schemas) for one in value]
    if not isinstance(value, dict):
        return value
    found = {
        name: msgspec.json.decode(_file_of(one).read_bytes()) if name == "example" else _schemas_named(one, schemas)
        for name, one in value.items()
    }
    schema = found.get("schema")
    if isinstance(schema, dict) and "resourceType" in schema.get("properties", {}):
        name = "Or".join(schema["properties"]["resourceType"].get("enum", ["Resource"]))
        if schemas.setdefault(name, schema) == schema:
            found["schema"] = {"$ref": f"#/components/schemas/{name}"}
    return found


def _text(value: object) -> str:
    return json.dumps(value, sort_keys=True)
