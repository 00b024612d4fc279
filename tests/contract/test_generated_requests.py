"""Requests that schemathesis makes from the published document: none of them is answered with a fault of ours."""

from __future__ import annotations

import json
from typing import Any

import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

from ebbmark.settings import Settings
from ebbmark.web.app import create_app

schema = schemathesis.openapi.from_asgi("/openapi.json", create_app(Settings()))

TRANSPORT_STATUS = frozenset({404, 405})
"""What any address may answer; OpenAPI documents list what an operation answers."""


@schema.parametrize()
@settings(max_examples=40, suppress_health_check=list(HealthCheck), deadline=None)
def test_no_generated_request_meets_a_fault(case: schemathesis.Case[Any]) -> None:
    response = case.call()

    case.validate_response(
        response,
        checks=[not_a_server_error, status_code_conformance, response_schema_conformance]
        if response.status_code not in TRANSPORT_STATUS
        else [not_a_server_error],
    )
    # Nothing is kept but the stylesheet and the script, which are about nobody.
    kept = str(case.operation.path).startswith("/page/") and response.status_code in (200, 304)
    assert kept or response.headers["cache-control"] == ["no-store"]
    # Where no record opens pages, those of a record answer as pages that there is none.
    if response.status_code >= 400 and response.headers["content-type"][0].startswith("text/html"):
        assert str(case.operation.path).startswith("/app/")
        assert "<h1" in response.text
    elif response.status_code >= 400:
        assert json.loads(response.content)["resourceType"] == "OperationOutcome"
