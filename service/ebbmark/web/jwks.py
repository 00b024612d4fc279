"""With which keys does this service sign? Published for those who check.

Source: RFC 7517 section 5; SMART App Launch 2.2, client-confidential-asymmetric (a JWKS URL lets keys rotate).
"""

from __future__ import annotations

import msgspec
from fastapi import APIRouter, Response

from ebbmark.keys import KeyRing, public_key_set

__all__ = ["jwks_router"]

JWKS = "application/json"


def jwks_router(keys: KeyRing) -> APIRouter:
    """The route of the published keys.

    Args:
        keys: their public parts are served; an empty set where there are none.
    """
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
