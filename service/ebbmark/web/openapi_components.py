"""The OpenAPI document with what repeats in components, with its server, and with how callers sign in.

FastAPI writes each response out where it occurs. Generators of clients make one type of each component instead.
Source: OpenAPI Specification 3.1.0, https://spec.openapis.org/oas/v3.1.0 (Components Object, Security Scheme Object).
"""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

from fastapi import FastAPI

__all__ = ["Documented"]

_BEARER = {
    "type": "http",
    "scheme": "bearer",
    "bearerFormat": "JWT",
    "description": "An access token of an issuer in EBBMARK_ISSUERS; for cards a JWT of a CDS client. Not asked for "
    "where the service serves its own machine only.",
}
_SIGNED_IN = ("/fhir/$", "/fhir/Patient/", "/cds-services/")


class Documented(FastAPI):
    """The application, with an OpenAPI document that repeats nothing."""

    def openapi(self) -> dict[str, Any]:
        """The document, made once."""
        if self.openapi_schema is None:
            self.openapi_schema = _with_components(super().openapi())
        return self.openapi_schema


def _with_components(document: dict[str, Any]) -> dict[str, Any]:
    schemas: dict[str, Any] = {}
    paths = _schemas_named(document["paths"], schemas)
    operations = [one for methods in paths.values() for one in methods.values()]
    counted = Counter((status, _text(response)) for one in operations for status, response in one["responses"].items())
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
    """The same with FHIR resources as named schemas; examples stay as they are."""
    if isinstance(value, list):
        return [_schemas_named(one, schemas) for one in value]
    if not isinstance(value, dict):
        return value
    found = {
        name: one if name in ("example", "examples") else _schemas_named(one, schemas) for name, one in value.items()
    }
    schema = found.get("schema")
    if isinstance(schema, dict) and "resourceType" in schema.get("properties", {}):
        name = "Or".join(schema["properties"]["resourceType"].get("enum", ["Resource"]))
        if schemas.setdefault(name, schema) == schema:
            found["schema"] = {"$ref": f"#/components/schemas/{name}"}
    return found


def _text(value: object) -> str:
    return json.dumps(value, sort_keys=True)
