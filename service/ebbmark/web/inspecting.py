"""The administrator's page of `ebbmark inspect`: what of charted data is read, unread, and missing for a trial.

For callers who hold the administrator's scope of the site (or a role that stands for it): with an access token, which
a sign-in proxy of the site may send along, or in a SMART launch that granted the scope, about its patient. The page is
one file without script, and tells counts and ranges only.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final

import msgspec
from fastapi import APIRouter, Request, Response
from markupsafe import escape

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch import in_time
from ebbmark.record.search import ReadFailure, no_record
from ebbmark.use_cases.from_record import titration_reads
from ebbmark.use_cases.inspection import Inspection, charted_in_record, inspect
from ebbmark.web.authentication import actor_of, require_scope
from ebbmark.web.body import read_body
from ebbmark.web.operations import OperationsConfig
from ebbmark.web.page.record_source import RecordSource
from ebbmark.web.theme import STYLE, PageRefused, printed_headers
from ebbmark.words.messages import say

_STYLE: Final = STYLE.body.decode()
_MOST_HOURS: Final = 24.0 * 31
_FORMS: Final = ("html", "text", "json", "concept-map")


def inspection_router(config: OperationsConfig, *, scope: str | None) -> APIRouter:
    """The page about a patient of the record, and about data that are sent.

    Args:
        scope: that opens it; None for nobody who signs in.
    """
    router = APIRouter(prefix="/inspect", include_in_schema=False)

    @router.get("/Patient/{patient_id}")
    async def of_patient(request: Request) -> Response:
        require_scope(request, scope)
        until_s = asyncio.get_running_loop().time() + config.deadline_s
        patient = f"Patient/{request.path_params['patient_id']}"
        return await _of_record(request, config, patient, config.record, actor_of(request), until_s)

    @router.post("")
    async def of_data(request: Request) -> Response:
        require_scope(request, scope)
        form, context = _form_of(request), _context_of(request, config.context)
        body = await read_body(request.stream(), context.limits.max_bytes)
        until_s = asyncio.get_running_loop().time() + config.deadline_s
        found = await config.pool.run_until(until_s, inspect, body, context)
        await config.trail.note(Access(AuditAction.EVALUATED, actor_of(request), succeeded=True))
        return form(found, "")

    return router


def launched_inspection_router(
    config: OperationsConfig, of_launch: Callable[[Request], Awaitable[RecordSource]], *, scope: str | None
) -> APIRouter:
    """The page about the patient of a SMART launch.

    Args:
        scope: that the launch must have granted; None for nobody.
    """
    router = APIRouter(prefix="/app/{tab}", include_in_schema=False)

    @router.get("/inspect")
    async def of_patient(request: Request) -> Response:
        source = await of_launch(request)
        if scope is None or scope not in source.session.scope.split():
            needed = scope or say("page-refused.a-scope")
            sentence = say("page-refused.not-granted", needed=needed)
            raise PageRefused(403, say("page-refused.administrators"), sentence)
        patient = f"Patient/{source.session.patient}"
        return await _of_record(request, config, patient, source.reading, source.actor, source.until_s)

    return router


async def _of_record(
    request: Request, config: OperationsConfig, patient: str, record: RecordClient | None, actor: Actor, until_s: float
) -> Response:
    """What a record charted of one patient, and that it was looked at."""
    form, hours, context = _form_of(request), _hours_of(request), _context_of(request, config.context)
    if record is None:
        raise Rejected((no_record(),))
    try:
        reading = charted_in_record(patient, hours=hours, at_s=context.at_s, record=record)
        read = await in_time(reading, until_s)
        met = read.sentence if isinstance(read, ReadFailure) else read
    except Rejected:
        await config.trail.note(Access(AuditAction.READ, actor, succeeded=False))
        raise
    await config.trail.note(Access(AuditAction.READ, actor, not isinstance(met, str), patient))
    if isinstance(met, str):
        sentence = f"The Observations could not be read from the record: {met}."
        raise Rejected((Problem(ProblemKind.RECORD_FAILED, "", met, "a record that answers", sentence),))
    trial = await titration_reads(patient, context, record=record, until_s=until_s)
    found = await config.pool.run_until(until_s, inspect, met, context, trial)
    return form(found, f"Searched: Observation by patient and date, of the last {hours:g} hours.")


def _context_of(request: Request, context: RequestContext) -> RequestContext:
    """As of now; `accept-preliminary=true` tells what would be read if preliminary Observations counted."""
    accept = context.accept_preliminary or request.query_params.get("accept-preliminary") == "true"
    return replace(context, at_s=time.time(), accept_preliminary=accept)


def _hours_of(request: Request) -> float:
    text = request.query_params.get("hours", "24")
    try:
        hours = float(text)
    except ValueError:
        hours = 0.0
    if 0 < hours <= _MOST_HOURS:
        return hours
    accepted = f"more than 0 and at most {_MOST_HOURS:g} hours"
    raise Rejected(
        (Problem(ProblemKind.BAD_SEARCH, "", "another value of hours", accepted, f"hours takes {accepted}."),)
    )


def _form_of(request: Request) -> Callable[[Inspection, str], Response]:
    wanted = request.query_params.get("_format", "")
    if not wanted:
        accept = request.headers.get("accept", "")
        wanted = next((one for one in ("html", "json") if one in accept), "text")
    if wanted not in _FORMS:
        accepted = ", ".join(_FORMS)
        sentence = f"_format takes {accepted} here."
        raise Rejected((Problem(ProblemKind.NOT_ACCEPTABLE, "", "another _format", accepted, sentence),))

    def formed(found: Inspection, searched: str) -> Response:
        told = f"{searched}\n{found.text}" if searched else found.text
        if wanted == "html":
            return Response(_page(told), media_type="text/html", headers=printed_headers(_STYLE))
        if wanted == "text":
            return Response(told, media_type="text/plain")
        return Response(
            msgspec.json.encode(found.values if wanted == "json" else found.draft), media_type="application/json"
        )

    return formed


def _page(told: str) -> str:
    title = "What is read of charted data"
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head>'
        f"<body><main><h1>{title}</h1><p>Counts and ranges only. A proposal is for a person to correct; nothing is "
        f"answered here.</p><pre>{escape(told)}</pre></main></body></html>"
    )
