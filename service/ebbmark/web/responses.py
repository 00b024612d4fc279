"""How a refusal becomes a response: an OperationOutcome with its status and headers, counted and noted.

Callers who were not let in are noted in the log stream even where AuditEvents go into the record: nobody without access
may cause writes there. Their number is bounded by the limit of failed tries of one address.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Awaitable, Callable

import msgspec
from fastapi import Request, Response
from starlette.exceptions import HTTPException

from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected, operation_outcome, status_of
from ebbmark.fhir.writing.audit_event import Access, Actor, AuditAction
from ebbmark.telemetry.current import count
from ebbmark.telemetry.measured import Measured
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import Refused
from ebbmark.web.body import FHIR_JSON
from ebbmark.web.theme.pages import is_of_a_page, refusal_page

__all__ = ["SAFE_HEADERS", "not_routed", "outcome_response", "place_of", "refusals", "rejected"]

SAFE_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)
"""On every response."""


def outcome_response(problems: tuple[Problem, ...], status: int, headers: dict[str, str] | None = None) -> Response:
    """A response that carries nothing but these problems."""
    return Response(
        msgspec.json.encode(operation_outcome(problems)), status_code=status, media_type=FHIR_JSON, headers=headers
    )


async def rejected(_: Request, error: Exception) -> Response:
    """Every refusal of ours, with all its problems and all that was ignored."""
    assert isinstance(error, Rejected)  # noqa: S101 - registered for this class only
    return Response(
        msgspec.json.encode(operation_outcome(error.problems, error.ignored)),
        status_code=status_of(error.problems),
        media_type=FHIR_JSON,
        headers=error.headers if isinstance(error, Refused) else _retry_after(error.problems),
    )


def _retry_after(problems: tuple[Problem, ...]) -> dict[str, str] | None:
    """What the record asks of us, handed on to our caller (RFC 9110 section 10.2.3)."""
    waits_s = [one.retry_after_s for one in problems if one.retry_after_s is not None]
    wait_s = max(waits_s, default=math.inf)
    return {"Retry-After": str(math.ceil(wait_s))} if math.isfinite(wait_s) else None


async def not_routed(request: Request, error: Exception) -> Response:
    """What the framework refuses before any door is reached: unknown path or method."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    if is_of_a_page(request.url.path):
        sentence = "There is no such page, or it takes no request of this kind."
        todo = ("Open Ebbmark from the patient's record.",)
        return refusal_page("No such page", sentence, error.status_code, todo=todo, headers=error.headers)
    kind = ProblemKind.METHOD_NOT_ALLOWED if error.status_code == 405 else ProblemKind.NOT_FOUND
    operations = ", ".join(f"POST /fhir/${slug}" for slug in BY_SLUG)
    accepted = f"{operations}, GET /fhir/metadata, GET /health/live, GET /health/ready"
    problem = Problem(
        kind, "", "an address or method that is not served", accepted, f"Not served here. Served: {accepted}."
    )
    return outcome_response((problem,), error.status_code, dict(error.headers or {}))


def place_of(error: BaseException) -> str:
    """File and line in which the error arose; the message is left out, since it may quote data."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "unknown place"
    return f"{trace.tb_frame.f_code.co_filename.rsplit('/', 1)[-1]}:{trace.tb_lineno}"


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
            trail.note_in_log(Access(AuditAction.SIGNED_IN, actor, succeeded=False, why_not=why), trail.wall_s())
        return await rejected(request, error)

    return refused
