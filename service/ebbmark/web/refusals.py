"""The handler of refusals: counts each, and notes callers who were not let in, before it becomes a response.

Callers who were not let in are noted in the log stream even where AuditEvents go into the record: nobody without access
may cause writes there. Their number is bounded by the limit of failed tries of one address.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable

from fastapi import Request, Response

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.writing.audit_event import Access, Actor, Deed
from ebbmark.telemetry.current import count
from ebbmark.telemetry.measured import Measured
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.entrance import Refused
from ebbmark.web.responses import rejected

__all__ = ["refusals"]

_LOG = logging.getLogger("ebbmark")


def refusals(trail: AuditTrail) -> Callable[[Request, Exception], Awaitable[Response]]:
    """The exception handler for `Rejected`."""

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, Rejected)  # noqa: S101 - registered for this class only
        for problem in error.problems:
            count(Measured.REFUSALS, problem.kind.slug)
        if isinstance(error, Refused) and error.not_admitted:
            why = error.not_admitted
            count(Measured.SIGN_IN_REFUSALS, why)
            _LOG.warning("a caller was not let in: %s", why)
            actor = Actor(address=request.client.host if request.client else "")
            trail.note_in_log(Access(Deed.SIGNED_IN, actor, succeeded=False, why_not=why), trail.wall_s())
        return await rejected(request, error)

    return refused
