"""The CDS Hooks door: discovery, feedback, and from one call to at most one card (gather what is needed, judge, tell).

Source: CDS Hooks 2.0, "Providing FHIR Resources to a CDS Service" (412 where what is needed cannot be had).
"""

from __future__ import annotations

import asyncio
import contextlib
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import msgspec
from fastapi import APIRouter, Request, Response

from ebbmark.fhir.naming import reference_to
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.provenance import Access as Accessed
from ebbmark.fhir.writing.provenance import AuditAction
from ebbmark.keys import SigningKey
from ebbmark.record.client import CallerRecords, RecordClient
from ebbmark.record.clinical_resources import RecordSearch
from ebbmark.record.fetch import Fetched
from ebbmark.record.prefetch import Part, gather, prefetched
from ebbmark.record.record_query import WINDOW_S, RecordQuery
from ebbmark.record.search import Budget, FoundEntry, Page
from ebbmark.telemetry.measured import Measured, count
from ebbmark.use_cases.from_record import ReadLimits
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import HooksAuthentication
from ebbmark.web.body import read_body, require_fhir_json
from ebbmark.web.hooks.call import SERVICE_ID, HookCall, discovery, read_call
from ebbmark.web.hooks.card import Where, card_of, identity_of
from ebbmark.web.hooks.card_rules import (
    OrderBesidePneumothorax,
    OrderDiffers,
    StopMet,
    TrialRead,
    TrialUnreadable,
    judge,
)
from ebbmark.web.hooks.documentation import CALL, DISCOVERY, FEEDBACK, JSON
from ebbmark.web.hooks.feedback import log_feedback, read_feedback
from ebbmark.web.hooks.orders import PeepOrder, peep_orders
from ebbmark.web.limits import WorkPool

FETCH_LIMITS = ReadLimits(requests=40, total_s=4.0)
"""How much is fetched for one call, and for how long: whoever opened a chart waits for it. Our choice."""

_CLINICIANS = frozenset({"Practitioner", "PractitionerRole"})
"""A patient, or somebody close to them, may look at the record too; what a card suggests is for those who treat."""

_FINDINGS: dict[type, str] = {
    type(None): "none",
    StopMet: "stop-criterion",
    TrialRead: "trial",
    OrderDiffers: "order-differs",
    TrialUnreadable: "obstacle",
    OrderBesidePneumothorax: "order-beside-pneumothorax",
}
"""What a card is about, as it is counted."""


@dataclass(frozen=True, slots=True)
class CallContext:
    """What answering a call needs.

    Attributes:
        context: what is read with which codes and rules; its instant is that of each call.
    """

    context: RequestContext
    caller_records: CallerRecords
    where: Where
    pool: WorkPool
    signer: SigningKey | None = None
    fetching: ReadLimits = FETCH_LIMITS
    deadline_s: float = 55.0


@dataclass(frozen=True, slots=True)
class CallResult:
    """The answer to one call.

    Attributes:
        identity: of the answer behind the card; empty where there is none.
        read: references of what was read from the caller's record.
    """

    card: dict[str, Any] | None = None
    identity: str = ""
    read: tuple[str, ...] = ()


async def answer_call(called: HookCall, *, at_s: float, call_context: CallContext) -> CallResult:
    """Answer one call.

    Raises:
        Rejected: what is needed cannot be had, or cannot be read.
    """
    if called.user.partition("/")[0] not in _CLINICIANS:
        return CallResult()
    until_s = asyncio.get_running_loop().time() + call_context.deadline_s
    table = call_context.context.code_map.table
    patient = f"Patient/{called.patient_id}"
    orders: tuple[PeepOrder, ...] | None = None
    if called.draft_orders is not None:
        orders = peep_orders(called.draft_orders, patient=patient, selections=called.selections, table=table)
        if not orders:
            return CallResult()
    asked = RecordQuery(patient, None, at_s - WINDOW_S, at_s, period_given=False, rest=())
    entries: list[FoundEntry] = []
    fetched = await _gathered(called, asked, call_context, entries)
    read = tuple(dict.fromkeys(_reference(entry) for entry in entries))
    if fetched is None:
        return CallResult(read=read)
    context = replace(call_context.context, at_s=at_s, limits=call_context.fetching.of_request)
    try:
        finding = await call_context.pool.run_until(until_s, judge, fetched, orders, context)
    except Rejected as rejected:
        raise _as_sent(rejected, fetched, called) from None
    count(Measured.CARDS, _FINDINGS[type(finding)])
    if finding is None:
        return CallResult(read=read)
    card = card_of(finding, called, at_s=at_s, where=call_context.where, signer=call_context.signer)
    return CallResult(card, identity_of(finding), read)


def _reference(entry: FoundEntry) -> str:
    head = entry.head
    return reference_to(head.resource_type, head.id, head.meta.version_id, entry.full_url)


async def _gathered(
    called: HookCall, asked: RecordQuery, call_context: CallContext, read: list[FoundEntry]
) -> Fetched | None:
    """What the answer needs; None where two trials lie among one another, so that there is none to speak of."""
    base_url = called.access.base_url
    parts = {part: prefetched(part, _sent(called, part), asked, base_url) for part in Part}
    record, closed = _opened(called, call_context)
    limits, table = call_context.fetching, call_context.context.code_map.table
    most_s = min(limits.total_s, call_context.deadline_s)
    budget = Budget(limits.requests, limits.resources, limits.size_bytes)
    procedures = call_context.context.site.condition_codes.procedures
    reading = None if record is None else RecordSearch(asked, record, budget, table, procedures=procedures)
    try:
        async with asyncio.timeout(most_s):
            return await gather(reading, asked, parts, closed=closed, table=table, read=read)
    except TimeoutError:
        found, accepted = f"no reply within {most_s:g} s", "a record that answers in time"
        sentence = f"What is needed could not be fetched from fhirServer within {most_s:g} seconds."
        raise Rejected((Problem(ProblemKind.PREFETCH_MISSING, "prefetch", found, accepted, sentence),)) from None
    except Rejected as rejected:
        if all(problem.kind is ProblemKind.AMBIGUOUS_TRIAL for problem in rejected.problems):
            return None
        raise


def _sent(called: HookCall, part: Part) -> bytes | None:
    raw = called.prefetch.get(part.key)
    return None if raw is None else bytes(raw)


_ENTRY = re.compile(r"(?:Parameters\.parameter\[0\]\.resource|Bundle)\.entry\[(\d+)\]\.resource")


def _as_sent(rejected: Rejected, fetched: Fetched, called: HookCall) -> Rejected:
    """The same refusal, naming resources where the caller sent them, or by reference where they were fetched."""
    entries = (*fetched.fixed, *fetched.filtered.kept, *fetched.infusions)
    sent = {bytes(raw): f"prefetch.{key}" for key, raw in called.prefetch.items()}
    for part in Part:
        with contextlib.suppress(msgspec.DecodeError):
            page = msgspec.json.decode(_sent(called, part) or b"", type=Page)
            for number, entry in enumerate(page.entry):
                sent.setdefault(bytes(entry.resource), f"prefetch.{part.key}.entry[{number}].resource")

    def named(found: re.Match[str]) -> str:
        number = int(found[1])
        if number >= len(entries):
            return "prefetch"
        return sent.get(entries[number].resource) or _reference(entries[number])

    def told(text: str) -> str:
        return _ENTRY.sub(named, text)

    problems = [
        replace(problem, expression=told(problem.expression), sentence=told(problem.sentence))
        for problem in rejected.problems
    ]
    ignored = [msgspec.structs.replace(one, path=told(one.path)) for one in rejected.ignored]
    return Rejected(tuple(problems), tuple(ignored))


def _opened(called: HookCall, call_context: CallContext) -> tuple[RecordClient | None, str]:
    """The caller's record for this one call, or why it may not be asked."""
    access = called.access
    closed = access.closed or call_context.caller_records.refusal(access.base_url)
    return (None, closed) if closed else (call_context.caller_records.record(access.base_url, access.token), "")


_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class HooksConfig:
    """What this door was configured with."""

    entrance: HooksAuthentication
    calls: CallContext
    trail: AuditTrail
    wall_s: Callable[[], float]


def hooks_router(config: HooksConfig) -> APIRouter:
    """The routes below `/cds-services`."""
    router = APIRouter(prefix="/cds-services", tags=["cds-hooks"])
    context = config.calls.context
    services = _ENCODER.encode(discovery(context.code_map.table, context.site.condition_codes.procedures))

    @router.get("/", include_in_schema=False)
    @router.get("", **DISCOVERY)
    async def discover(request: Request) -> Response:
        await config.entrance.admit(request)
        return Response(services, media_type=JSON)

    @router.post("/{service_id}/", include_in_schema=False)
    @router.post("/{service_id}", **CALL)
    async def call(request: Request) -> Response:
        actor = await config.entrance.admit(request)
        body = await _body(request, config)
        at_s = config.wall_s()
        called = read_call(body)
        try:
            answered = await answer_call(called, at_s=at_s, call_context=config.calls)
        except Rejected:
            await config.trail.note(Accessed(AuditAction.EVALUATED, actor, succeeded=False))
            raise
        patient = f"Patient/{called.patient_id}"
        if answered.read:
            await config.trail.note(Accessed(AuditAction.READ, actor, True, patient, answered.read, answered.identity))
        await config.trail.note(Accessed(AuditAction.EVALUATED, actor, True, patient, (), answered.identity))
        cards = [] if answered.card is None else [answered.card]
        return Response(_ENCODER.encode({"cards": cards}), media_type=JSON)

    @router.post("/{service_id}/feedback/", include_in_schema=False)
    @router.post("/{service_id}/feedback", **FEEDBACK)
    async def feedback(request: Request) -> Response:
        actor = await config.entrance.admit(request)
        told = read_feedback(await _body(request, config))
        log_feedback(told, client=actor.issuer, recorded_s=config.wall_s())
        return Response(_ENCODER.encode({"received": len(told)}), media_type=JSON)

    return router


async def _body(request: Request, config: HooksConfig) -> bytes:
    if request.path_params["service_id"] != SERVICE_ID:
        sentence = f"There is no such service here; there is {SERVICE_ID}."
        raise Rejected((Problem(ProblemKind.NOT_FOUND, "", "another id", SERVICE_ID, sentence),))
    require_fhir_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
    return await read_body(request.stream(), config.calls.context.limits.max_bytes)
