"""From one call to at most one card (gather what is needed, judge, and tell), and what became of that card.

The client's feedback is one patient-free line in the log stream per card. What a person wrote in their own words is
never logged: it may speak of the patient. A reason that is not one of ours is logged as `other`, for the same reason.

Source: CDS Hooks 2.0, "Providing FHIR Resources to a CDS Service" (412 where what is needed cannot be had), "Feedback".
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

import msgspec

from ebbmark import __version__
from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.fhir.naming import CODE_SYSTEM, reference_to
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.times import instant, seconds
from ebbmark.keys import SigningKey
from ebbmark.record.client import CallerRecords, RecordClient
from ebbmark.record.fetch import Fetched
from ebbmark.record.prefetch import Part, gather, prefetched
from ebbmark.record.record_query import WINDOW_S, RecordQuery
from ebbmark.record.search import Budget, FoundEntry, Page
from ebbmark.telemetry.measured import Measured, count
from ebbmark.use_cases.from_record import ReadLimits
from ebbmark.web.audit_trail import LOGGER
from ebbmark.web.hooks.call import HookCall, json_object, refusal
from ebbmark.web.hooks.card import Where, card_of, identity_of
from ebbmark.web.hooks.card_rules import Obstacle, OrderBesidePneumothorax, OrderDiffers, StopMet, TrialRead, judge
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
    Obstacle: "obstacle",
    OrderBesidePneumothorax: "order-beside-pneumothorax",
}
"""What a card is about, as it is counted."""


@dataclass(frozen=True, slots=True)
class CallContext:
    """What answering a call needs.

    Attributes:
        context: what is read with which codes and rules; its instant is that of each call.
        caller_records: the records of callers that may be asked.
        where: addresses that a card leads to.
        signer: key to sign results with; None where they are not signed.
        fetching: how much is fetched for one call, and for how long.
        deadline_s: longest time for a whole call [s].
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
        card: None where there is nothing worth saying.
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
    read = tuple(dict.fromkeys(_reference(one) for one in entries))
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
    limits = call_context.fetching
    most_s = min(limits.total_s, call_context.deadline_s)
    try:
        async with asyncio.timeout(most_s):
            return await gather(
                asked,
                parts,
                record=record,
                closed=closed,
                table=call_context.context.code_map.table,
                procedures=call_context.context.site.condition_codes.procedures,
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


def _opened(called: HookCall, call_context: CallContext) -> tuple[RecordClient | None, str]:
    """The caller's record for this one call, or why it may not be asked."""
    access = called.access
    closed = access.closed or call_context.caller_records.refusal(access.base_url)
    return (None, closed) if closed else (call_context.caller_records.record(access.base_url, access.token), "")


MOST_AT_ONCE = 200
"""Cards in one request; our choice."""

_LOG = logging.getLogger(f"{LOGGER}.hooks")
_REASONS = frozenset(code for code, _, _ in OVERRIDE_REASONS)


@dataclass(frozen=True, slots=True)
class CardFeedback:
    """What became of one card.

    Attributes:
        outcome: accepted or overridden.
        reason: code of ours, `other`, or empty where none was given.
        commented: whether a comment was written; its text is left behind.
    """

    card: str
    outcome: str
    suggestions: tuple[str, ...]
    reason: str
    commented: bool
    at_s: float


class _Suggestion(msgspec.Struct):
    id: str


class _Coding(msgspec.Struct):
    code: str = ""
    system: str = ""


class _Reason(msgspec.Struct):
    reason: _Coding | None = None
    userComment: str | None = None


class _Feedback(msgspec.Struct):
    card: str = ""
    outcome: str = ""
    outcomeTimestamp: str = ""
    acceptedSuggestions: list[_Suggestion] | None = None
    overrideReason: _Reason | None = None


def read_feedback(body: bytes) -> tuple[CardFeedback, ...]:
    """Read the client's feedback.

    Raises:
        Rejected: with everything that is wrong with it.
    """
    sent = json_object(body)
    accepted = f"an array of 1 to {MOST_AT_ONCE} objects"
    try:
        entries = msgspec.json.decode(sent.get("feedback", msgspec.Raw(b"null")), type=list[msgspec.Raw])
    except (msgspec.DecodeError, RecursionError):
        raise Rejected((refusal("feedback", "nothing or something else", accepted),)) from None
    if not 1 <= len(entries) <= MOST_AT_ONCE:
        raise Rejected((refusal("feedback", f"{len(entries)} of them", accepted),))
    problems: list[Problem] = []
    told = [_told(raw, f"feedback[{number}]", problems) for number, raw in enumerate(entries)]
    if problems:
        raise Rejected(tuple(problems))
    return tuple(one for one in told if one is not None)


def _told(raw: msgspec.Raw, element: str, problems: list[Problem]) -> CardFeedback | None:
    try:
        given = msgspec.json.decode(raw, type=_Feedback)
    except (msgspec.DecodeError, RecursionError):
        problems.append(refusal(element, "something else", "an object as the standard describes it"))
        return None
    before = len(problems)
    card = _uuid(given.card, f"{element}.card", "the uuid of the card", problems)
    if given.outcome not in ("accepted", "overridden"):
        problems.append(refusal(f"{element}.outcome", "something else", "accepted or overridden"))
    chosen = given.acceptedSuggestions or []
    if given.outcome == "accepted" and not chosen:
        problems.append(refusal(f"{element}.acceptedSuggestions", "nothing", "the suggestions that were accepted"))
    if given.outcome == "overridden" and chosen:
        problems.append(refusal(f"{element}.acceptedSuggestions", "some", "none where the outcome is overridden"))
    suggestions = [
        _uuid(one.id, f"{element}.acceptedSuggestions[{number}].id", "the uuid of the suggestion", problems)
        for number, one in enumerate(chosen)
    ]
    at_s = seconds(given.outcomeTimestamp)
    if not isinstance(at_s, float):
        problems.append(
            refusal(f"{element}.outcomeTimestamp", "something else", "a time with zone, as RFC 3339 has it")
        )
    if len(problems) > before or not isinstance(at_s, float):
        return None
    reason = given.overrideReason or _Reason()
    return CardFeedback(card, given.outcome, tuple(suggestions), _reason(reason.reason), bool(reason.userComment), at_s)


def _uuid(text: str, element: str, accepted: str, problems: list[Problem]) -> str:
    """In its usual spelling, so that nothing else reaches the log."""
    try:
        return str(UUID(text))
    except ValueError:
        problems.append(refusal(element, "something else" if text else "nothing", accepted))
        return ""


def _reason(coding: _Coding | None) -> str:
    if coding is None:
        return ""
    return coding.code if coding.system == CODE_SYSTEM and coding.code in _REASONS else "other"


def log_feedback(told: Iterable[CardFeedback], *, client: str, recorded_s: float) -> None:
    """Emit one line of JSON per card, without anything of the patient.

    Args:
        told: what became of each card.
        client: issuer of the client's tokens; empty where nobody signs in.
        recorded_s: when it was received [s since 1970-01-01T00:00:00Z].
    """
    for one in told:
        line = {
            "event": "cds-feedback",
            "recorded": instant(recorded_s),
            "software": f"ebbmark-{__version__}",
            "client": client,
            "card": one.card,
            "outcome": one.outcome,
            "at": instant(one.at_s),
            **({"suggestions": list(one.suggestions)} if one.suggestions else {}),
            **({"reason": one.reason} if one.reason else {}),
            "commented": one.commented,
        }
        count(Measured.FEEDBACK, one.outcome, one.reason or "none")
        event = msgspec.json.encode(line)
        _LOG.info("%s", event.decode(), extra={"event": event})
