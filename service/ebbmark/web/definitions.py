"""The definitions behind the operations, open to everybody: a caller must be able to read them before signing in."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.fhir.codesystem import code_system, quantities, readable_codes, standard_codes
from ebbmark.fhir.definitions import (
    SEARCH_PARAMETERS,
    SignInInfo,
    capability_statement,
    definition_of,
    matches,
    plan_definitions,
    replay_definition,
    searchset,
    smart_configuration,
)
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Site
from ebbmark.fhir.reading.terminology import sets_beside, value_set
from ebbmark.keys import KeyRing, public_key_set
from ebbmark.physiology.before.risks import RISK_CONCEPTS
from ebbmark.web.body import FHIR_JSON, require_acceptable
from ebbmark.web.documentation import DEFINITION, SEARCH, reply

_ENCODER = msgspec.json.Encoder()
_JSON = "application/json"


def definitions_router(site: Site, *, base_url: str, sign_in: SignInInfo | None) -> APIRouter:
    """The CapabilityStatement, and every definition by its type and id.

    Args:
        base_url: FHIR base address as callers see it.
    """
    router = APIRouter(prefix="/fhir", tags=["fhir"])
    statement = _ENCODER.encode(capability_statement(base_url=base_url, sign_in=sign_in))

    @router.get(
        "/metadata",
        summary="CapabilityStatement of this service",
        operation_id="readCapabilityStatement",
        response_class=Response,
        responses={200: reply("CapabilityStatement")},
    )
    async def metadata(request: Request) -> Response:
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        return Response(statement, media_type=FHIR_JSON)

    @router.get(
        "/.well-known/smart-configuration",
        summary="Where clients get tokens for this service, and with which scopes",
        operation_id="readSmartConfiguration",
        response_class=Response,
        responses={
            200: {"description": "smart-configuration", "content": {_JSON: {"schema": {"type": "object"}}}},
            404: reply("Nobody signs in here, or the site does not say where."),
        },
    )
    async def configuration() -> Response:
        if sign_in is None or not sign_in.token_url:
            raise Rejected((_untold(sign_in),))
        return Response(_ENCODER.encode(smart_configuration(sign_in)), media_type=_JSON)

    by_type = {
        "OperationDefinition": {
            **{slug: definition_of(one) for slug, one in BY_SLUG.items()},
            "replay": replay_definition(),
        },
        "CodeSystem": {"ebbmark": code_system(), "quantities": quantities()},
        "ConceptMap": {"standard-codes": standard_codes()},
        "PlanDefinition": plan_definitions(site),
        "ValueSet": {
            **{one.slug: value_set(one, site.condition_codes) for one in RISK_CONCEPTS},
            **sets_beside(site.condition_codes),
            "readable-codes": readable_codes(),
        },
    }
    for resource_type, resources in by_type.items():
        _serve(router, resource_type, {slug: _ENCODER.encode(one) for slug, one in resources.items()})
        _serve_search(router, resource_type, list(resources.values()), base_url)
    return router


def _untold(sign_in: SignInInfo | None) -> Problem:
    if sign_in is None:
        sentence = "Nobody signs in to this service, so it has no smart-configuration; EBBMARK_ISSUERS turns it on."
    else:
        sentence = (
            "This service was not told where its tokens are given; token_url of an issuer in EBBMARK_ISSUERS says so. "
            f"Tokens of these issuers are accepted: {', '.join(sign_in.issuers) or 'none'}."
        )
    return Problem(ProblemKind.NOT_FOUND, "", "no token endpoint", "token_url of an issuer", sentence)


def _serve_search(router: APIRouter, resource_type: str, resources: list[Mapping[str, object]], base_url: str) -> None:
    async def found(request: Request) -> Response:
        require_acceptable(request.headers.get("accept"), request.query_params.get("_format"))
        asked = [(name, text) for name, text in request.query_params.multi_items() if name != "_format"]
        unknown = next((name for name, _ in asked if name not in SEARCH_PARAMETERS), None)
        if unknown is not None:
            accepted = ", ".join(SEARCH_PARAMETERS)
            sentence = f"Definitions are searched by {accepted}; another search parameter was found."
            raise Rejected((Problem(ProblemKind.BAD_SEARCH, "", "another search parameter", accepted, sentence),))
        matching = [resource for resource in resources if all(matches(resource, name, text) for name, text in asked)]
        return Response(_ENCODER.encode(searchset(resource_type, matching, base_url, asked)), media_type=FHIR_JSON)

    router.add_api_route(
        f"/{resource_type}",
        found,
        methods=["GET"],
        summary=f"Search the {resource_type}s of this service",
        operation_id=f"search{resource_type}",
        response_class=Response,
        **SEARCH,
    )


def _serve(router: APIRouter, resource_type: str, bodies: dict[str, bytes]) -> None:
    async def definition(request: Request) -> Response:
        slug = request.path_params["slug"]
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
        summary=f"One {resource_type} of this service, by its id",
        operation_id=f"read{resource_type}ById",
        response_class=Response,
        **DEFINITION,
    )


JWKS = "application/json"


def jwks_router(keys: KeyRing) -> APIRouter:
    """The route of the published keys."""
    router = APIRouter(tags=["keys"])
    body = msgspec.json.encode(public_key_set(keys))

    @router.get(
        "/.well-known/jwks.json",
        summary="Public keys of this service",
        operation_id="readKeys",
        response_class=Response,
        responses={
            200: {
                "description": "A JSON Web Key Set without private parts.",
                "content": {JWKS: {"schema": {"type": "object", "required": ["keys"]}}},
            }
        },
    )
    async def jwks() -> Response:
        return Response(body, media_type=JWKS)

    return router
