"""From one call to at most one card: gather what is needed, judge, and tell.

Source: CDS Hooks 2.0, "Providing FHIR Resources to a CDS Service" (412 where what is needed cannot be had).
"""

from __future__ import annotations

import asyncio
import contextlib
import re
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from ebbmark.fhir.naming import reference_to
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.keys import SigningKey
from ebbmark.record.client import CallerRecords, RecordClient
from ebbmark.record.fetch import Fetched
from ebbmark.record.prefetch import Part, gather, prefetched
from ebbmark.record.record_query import WINDOW_S, RecordQuery
from ebbmark.record.search import Budget, FoundEntry, Page
from ebbmark.telemetry.measured import Measured, count
from ebbmark.use_cases.from_record import ReadLimits
from ebbmark.web.hooks.call import HookCall
from ebbmark.web.hooks.card import Where, card_of, identity_of
from ebbmark.web.hooks.card_rules import Obstacle, OrderBesidePneumothorax, OrderDiffers, StopMet, TrialRead, judge
from ebbmark.web.hooks.orders import PeepOrder, peep_orders
from ebbmark.web.work_pool import WorkPool

__all__ = ["FETCH_LIMITS", "CallContext", "CallResult", "answer_call"]

FETCH_LIMITS = ReadLimits(requests=40, total_s=4.0)
"""How much is fetched for one call, and for how long: whoever opened a chart waits for it. Our choice."""

_CLINICIANS = frozenset({"Practitioner", "PractitionerRole"})
"""A patient, or somebody close to them, may look at the record too; what a card suggests is for those who treat."""

_FINDINGS: dict[type, str] = {
    type(None): "none",
    StopMet: "stop-criterion",
    TrialRead: "trial",
    OrderDiffers: "order-differs",
    Obstacle: "obstacle",
    OrderBesidePneumothorax: "order-beside-pneumothorax",
}
"""What a card is about, as it is counted."""


@dataclass(frozen=True, slots=True)
class CallContext:
    """What answering a call needs.

    Attributes:
        context: what is read with which codes and rules; its instant is that of each call.
        guests: the records of callers that may be asked.
        where: addresses that a card leads to.
        pool: where answers are computed.
        signer: key to sign results with; None where they are not signed.
        fetching: how much is fetched for one call, and for how long.
        deadline_s: longest time for a whole call [s].
    """

    context: RequestContext
    guests: CallerRecords
    where: Where
    pool: WorkPool
    signer: SigningKey | None = None
    fetching: ReadLimits = FETCH_LIMITS
    deadline_s: float = 55.0


@dataclass(frozen=True, slots=True)
class CallResult:
    """The answer to one call.

    Attributes:
        card: None where there is nothing worth saying.
        identity: of the answer behind the card; empty where there is none.
        read: references of what was read from the caller's record.
    """

    card: dict[str, Any] | None = None
    identity: str = ""
    read: tuple[str, ...] = ()


async def answer_call(called: HookCall, *, at_s: float, answering: CallContext) -> CallResult:
    """Answer one call.

    Args:
        called: the call.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        answering: everything else.

    Raises:
        Rejected: what is needed cannot be had, or cannot be read.
    """
    if called.user.partition("/")[0] not in _CLINICIANS:
        return CallResult()
    until_s = asyncio.get_running_loop().time() + answering.deadline_s
    table = answering.context.code_map.table
    patient = f"Patient/{called.patient_id}"
    orders: tuple[PeepOrder, ...] | None = None
    if called.draft_orders is not None:
        orders = peep_orders(called.draft_orders, patient=patient, selections=called.selections, table=table)
        if not orders:
            return CallResult()
    asked = RecordQuery(patient, None, at_s - WINDOW_S, at_s, period_given=False, rest=())
    entries: list[FoundEntry] = []
    fetched = await _gathered(called, asked, answering, entries)
    read = tuple(dict.fromkeys(_reference(one) for one in entries))
    if fetched is None:
        return CallResult(read=read)
    context = replace(answering.context, at_s=at_s, limits=answering.fetching.of_request)
    try:
        finding = await answering.pool.run_until(until_s, judge, fetched, orders, context)
    except Rejected as rejected:
        raise _as_sent(rejected, fetched, called) from None
    count(Measured.CARDS, _FINDINGS[type(finding)])
    if finding is None:
        return CallResult(read=read)
    card = card_of(finding, called, at_s=at_s, where=answering.where, signer=answering.signer)
    return CallResult(card, identity_of(finding), read)


def _reference(entry: FoundEntry) -> str:
    head = entry.head
    return reference_to(head.resource_type, head.id, head.meta.version_id, entry.full_url)


async def _gathered(
    called: HookCall, asked: RecordQuery, answering: CallContext, read: list[FoundEntry]
) -> Fetched | None:
    """What the answer needs; None where two trials lie among one another, so that there is none to speak of."""
    base_url = called.access.base_url
    parts = {part: prefetched(part, _sent(called, part), asked, base_url) for part in Part}
    record, closed = _opened(called, answering)
    limits = answering.fetching
    most_s = min(limits.total_s, answering.deadline_s)
    try:
        async with asyncio.timeout(most_s):
            return await gather(
                asked,
                parts,
                record=record,
                closed=closed,
                table=answering.context.code_map.table,
                procedures=answering.context.site.condition_codes.procedures,
                budget=Budget(limits.requests, limits.resources, limits.size_bytes),
                read=read,
            )
    except TimeoutError:
        found, accepted = f"no reply within {most_s:g} s", "a record that answers in time"
        sentence = f"What is needed could not be fetched from fhirServer within {most_s:g} seconds."
        raise Rejected((Problem(ProblemKind.PREFETCH_MISSING, "prefetch", found, accepted, sentence),)) from None
    except Rejected as rejected:
        if all(one.kind is ProblemKind.AMBIGUOUS_TRIAL for one in rejected.problems):
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

    problems = [replace(one, expression=told(one.expression), sentence=told(one.sentence)) for one in rejected.problems]
    ignored = [msgspec.structs.replace(one, path=told(one.path)) for one in rejected.ignored]
    return Rejected(tuple(problems), tuple(ignored))


def _opened(called: HookCall, answering: CallContext) -> tuple[RecordClient | None, str]:
    """The caller's record for this one call, or why it may not be asked."""
    access = called.access
    closed = access.closed or answering.guests.refusal(access.base_url)
    return (None, closed) if closed else (answering.guests.record(access.base_url, access.token), "")
