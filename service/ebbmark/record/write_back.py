"""Post one transaction to the record, safe to repeat (idempotent by conditional create), and say what became of it.

Source: FHIR R4 http.html#transaction (one transaction-response with one entry per request in the same order, or one
OperationOutcome and nothing written), #ccreate (201 new, 200 already there, 412 several) and http.html (statuses).

Every sentence is made of our own words, counts, positions, HTTP statuses, FHIR issue codes, message codes of FHIR and
paths of FHIR elements; the record's own text may hold patient data and is never quoted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import cast

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.retry import (
    AttemptOutcome,
    CallFailure,
    Repeated,
    Reply,
    StopReason,
    codes_in,
    codes_of,
    decoded,
    named_by,
    repeat,
)
from ebbmark.record.stored_answers import with_stored_device

# A 409 is a conflict by definition; servers name it so, or just "processing" (HAPI FHIR 8.8 does, for the losers of a
# race of conditional creates). A repeat checks every condition anew, so it cannot double anything.
_RACE_CODES = frozenset({"conflict", "duplicate", "lock-error", "transient", "processing"})
_NOT_IMPLEMENTED = 501
_REPEATABLE_METHODS = frozenset({"GET", "HEAD", "PUT", "DELETE"})


class Proof(Enum):
    """What an attempt proves about the record."""

    ENTRIES = "entries"
    NOTHING_WRITTEN = "nothing-written"
    MAYBE_WRITTEN = "maybe-written"


@dataclass(frozen=True, slots=True)
class EntryRequest:
    """What one entry of the transaction asks for: method, whether under a condition, and resource type."""

    method: str
    conditional: bool
    kind: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class EntryResult:
    """What the record says about one entry: position from 0, HTTP status, where the resource is, issue codes."""

    index: int
    status: int
    location: str | None = None
    issue_codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt and what it proves; `entries` is empty unless the proof is ENTRIES."""

    answer: Reply | CallFailure
    proof: Proof
    entries: tuple[EntryResult, ...] = ()
    issue_codes: tuple[str, ...] = ()


class _Request(msgspec.Struct, rename="camel"):
    method: str
    url: str
    if_none_exist: str | None = None


class _RequestEntry(msgspec.Struct):
    request: _Request


class _Transaction(msgspec.Struct, rename="camel"):
    resource_type: str
    type: str
    entry: list[_RequestEntry]


class _Response(msgspec.Struct):
    status: str
    location: str | None = None
    outcome: msgspec.Raw = msgspec.Raw(b"")


class _ReplyEntry(msgspec.Struct):
    response: _Response


class _TransactionReply(msgspec.Struct, rename="camel"):
    resource_type: str
    type: str
    entry: list[_ReplyEntry]


def entry_requests(transaction: bytes) -> tuple[EntryRequest, ...]:
    """Read what each entry of a transaction asks for.

    Returns:
        One request per entry; nothing where this is no transaction Bundle with a request in every entry.
    """
    try:
        bundle = msgspec.json.decode(transaction, type=_Transaction)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return ()
    if (bundle.resource_type, bundle.type) != ("Bundle", "transaction"):
        return ()
    return tuple(
        EntryRequest(one.request.method, bool(one.request.if_none_exist), one.request.url.partition("/")[0])
        for one in bundle.entry
    )


def is_repeat_safe(requests: Sequence[EntryRequest]) -> bool:
    """Say whether a second arrival of the same transaction changes nothing more: no plain POST, no PATCH."""
    return all(
        request.method in _REPEATABLE_METHODS or (request.method == "POST" and request.conditional)
        for request in requests
    )


def attempt_of(answer: Reply | CallFailure, requests: Sequence[EntryRequest]) -> Attempt:
    """Weigh one answer.

    Returns:
        The attempt with what it proves. A 5xx proves nothing, not even with an OperationOutcome: a gateway may have
        spoken, or the server itself have failed, after the work was done. Only a 501 in the server's own words (it
        does not know how) says that nothing was written.
    """
    if isinstance(answer, CallFailure):
        maybe = answer.may_have_arrived
        return Attempt(answer, Proof.MAYBE_WRITTEN if maybe else Proof.NOTHING_WRITTEN)
    if 200 <= answer.status < 300:
        entries = _entry_results(answer, requests)
        if entries is not None:
            return Attempt(answer, Proof.ENTRIES, entries)
        return Attempt(answer, Proof.MAYBE_WRITTEN, issue_codes=codes_in(answer) or ())
    codes = codes_in(answer)
    if answer.status >= 500 and not (answer.status == _NOT_IMPLEMENTED and codes is not None):
        return Attempt(answer, Proof.MAYBE_WRITTEN, issue_codes=codes or ())
    return Attempt(answer, Proof.NOTHING_WRITTEN, issue_codes=codes or ())


def attempt_outcome(attempt: Attempt) -> AttemptOutcome:
    """Reduce an attempt to what the decision on a repeat looks at."""
    answer = attempt.answer
    if isinstance(answer, CallFailure):
        return AttemptOutcome(answer)
    if attempt.proof is Proof.MAYBE_WRITTEN and answer.status < 300:
        return AttemptOutcome(answer.lost or CallFailure.UNREADABLE, answer.retry_after)
    if answer.status == 409 and _RACE_CODES.intersection(attempt.issue_codes):
        return AttemptOutcome(CallFailure.LOST_RACE, answer.retry_after)
    return AttemptOutcome(answer.status, answer.retry_after)


def _entry_results(reply: Reply, requests: Sequence[EntryRequest]) -> tuple[EntryResult, ...] | None:
    bundle = decoded(reply, _TransactionReply)
    if bundle is None or (bundle.resource_type, bundle.type) != ("Bundle", "transaction-response"):
        return None
    if len(bundle.entry) != len(requests):
        return None
    results = tuple(_entry_result(index, entry.response) for index, entry in enumerate(bundle.entry))
    return None if any(result.status == 0 for result in results) else results


def _entry_result(index: int, response: _Response) -> EntryResult:
    # FHIR allows "201" and "201 Created"; anything else says nothing, marked by 0.
    digits = response.status.partition(" ")[0]
    status = int(digits) if len(digits) == 3 and digits.isascii() and digits.isdigit() else 0
    return EntryResult(index, status, response.location, codes_of(bytes(response.outcome)) or ())


class WriteState(Enum):
    """What is known about the record after the last attempt."""

    WRITTEN = "written"
    ALREADY_THERE = "already-there"
    FAILED = "failed"
    UNKNOWN = "unknown"
    SUPERSEDED = "superseded"
    NOT_CURRENT = "not-current"


@dataclass(frozen=True, slots=True)
class WriteOutcome:
    """The end of a write-back.

    Attributes:
        state: WRITTEN if every entry is in the record and at least one is new; ALREADY_THERE if none is new; FAILED
            if the record refused (see `refused` for a record that broke the transaction rule and wrote a part);
            UNKNOWN if an attempt may have arrived and no later one showed what became of it; SUPERSEDED if another
            answer for the same trial stands in the record, so that this one was not written, or was marked, or stays
            marked; NOT_CURRENT if this one is there, marked or taken back by somebody, and none stands.
        created: entries that the record wrote.
        existing: entries that it had before.
        refused: entries that it refused although it accepted the transaction.
        expression: FHIRPath of what the sentence is about, in the transaction sent; empty for the whole.
        repeat_safe: the same transaction may be sent again without doubling anything, on a record that honours
            conditional create.
    """

    state: WriteState
    attempts: int
    sentence: str
    created: tuple[EntryResult, ...] = ()
    existing: tuple[EntryResult, ...] = ()
    refused: tuple[EntryResult, ...] = ()
    expression: str = ""
    http_status: int | None = None
    repeat_safe: bool = True


_STATUS_WORDS = {
    400: "the record could not read the request",
    401: "the record did not accept our sign-in",
    403: "our sign-in does not allow this write",
    404: "there is no FHIR end point that takes transactions at the configured address",
    405: "the record takes no transactions at the configured address",
    409: "the write conflicts with something in the record",
    412: "the record says that a condition of ours is not met. Two readings: several resources there already carry "
    "one of our identifiers; or this record does not support conditional create on identifiers",
    413: "the transaction is longer than the record accepts",
    415: "the record does not accept FHIR JSON",
    422: "the record finds that a resource breaks its profile or rules",
    429: "the record is turning requests away because there are too many",
    503: "the record is not available just now",
}


_NOT_TAKEN = frozenset({400, 404, 405, 413, 422})
_WHERE_TO_LOOK = (
    "ebbmark check-record --write-to, with a test patient, shows what this record does not take and which setting "
    "helps; the record's own log holds its reason."
)


def not_a_transaction() -> WriteOutcome:
    """Say that nothing was sent, since what was given is no transaction."""
    sentence = "Nothing was sent: this is not a transaction Bundle with a request in every entry."
    return WriteOutcome(WriteState.FAILED, 0, sentence, expression="Bundle")


def outcome_of(repeated: Repeated[Attempt], requests: Sequence[EntryRequest]) -> WriteOutcome:
    """Judge all attempts together.

    Args:
        repeated: the attempts in order, at least one, and why they ended.

    Returns:
        The outcome. An attempt that may have been written keeps the outcome UNKNOWN until a later reply names every
        entry: a refusal of the repeat proves nothing about the first.
    """
    last = repeated.attempts[-1]
    # An earlier attempt that was answered for every entry has written something too, whatever a later one says.
    unsettled = any(attempt.proof is not Proof.NOTHING_WRITTEN for attempt in repeated.attempts[:-1])
    unsettled |= last.proof is Proof.MAYBE_WRITTEN
    if last.proof is Proof.ENTRIES:
        return _settled(repeated, requests, unsettled=unsettled)
    repeat_safe = is_repeat_safe(requests)
    clauses = [_last_words(last, requests), *_end_words(repeated)]
    if unsettled:
        opening = "It is not known whether the results were written: "
        clauses.append(_advice_words(repeat_safe))
    else:
        opening = "Nothing was written: "
    return WriteOutcome(
        state=WriteState.UNKNOWN if unsettled else WriteState.FAILED,
        attempts=len(repeated.attempts),
        sentence=opening + " ".join(clauses),
        http_status=_status_of(last),
        repeat_safe=repeat_safe,
    )


def still_unknown(last: WriteOutcome, arrived: bool) -> WriteOutcome:
    """Keep the doubt of an earlier round: a refusal of the last attempt says nothing of one that may have arrived.

    Args:
        arrived: whether an attempt of an earlier round may have been carried out.
    """
    if not arrived or last.state is not WriteState.FAILED:
        return last
    sentence = (
        "It is not known whether the answer was written: an earlier attempt may have been carried out, the last one "
        "was not. Sending the same again is safe on a record that honours conditional create: what was written is "
        "found there and not written twice."
    )
    return replace(last, state=WriteState.UNKNOWN, sentence=sentence)


def recounted(outcome: WriteOutcome, created: Sequence[EntryResult], existing: Sequence[EntryResult]) -> WriteOutcome:
    """The outcome of a transaction told of some of its entries only, and of others that were there before it."""
    if not created and not existing:
        return replace(outcome, created=(), existing=())
    sentence = _written_words(created, existing) if created else _there_words(existing)
    return replace(outcome, sentence=sentence, created=tuple(created), existing=tuple(existing))


def _settled(repeated: Repeated[Attempt], requests: Sequence[EntryRequest], *, unsettled: bool) -> WriteOutcome:
    last = repeated.attempts[-1]
    refused = tuple(entry for entry in last.entries if not 200 <= entry.status < 300)
    existing = tuple(entry for entry in last.entries if entry.status == 200 and requests[entry.index].conditional)
    created = tuple(entry for entry in last.entries if entry not in refused and entry not in existing)
    if refused:
        state, sentence = WriteState.FAILED, _half_words(created, existing, refused)
    elif created:
        state, sentence = WriteState.WRITTEN, _written_words(created, existing)
    else:
        state = WriteState.ALREADY_THERE
        sentence = _there_words(existing)
        if unsettled:
            sentence += " An earlier attempt of this call, whose reply was lost, may have written them."
    return WriteOutcome(
        state=state,
        attempts=len(repeated.attempts),
        sentence=sentence,
        created=created,
        existing=existing,
        refused=refused,
        expression=f"Bundle.entry[{refused[0].index}]" if refused else "",
        http_status=_status_of(last),
        repeat_safe=is_repeat_safe(requests),
    )


def _there_words(existing: Sequence[EntryResult]) -> str:
    return f"{_count(len(existing))} already in the record; nothing was added."


def _written_words(created: Sequence[EntryResult], existing: Sequence[EntryResult]) -> str:
    words = f"{_count(len(created))} written to the record"
    return f"{words}; {_count(len(existing))} already there." if existing else f"{words}."


def _half_words(created: Sequence[EntryResult], existing: Sequence[EntryResult], refused: Sequence[EntryResult]) -> str:
    total = len(created) + len(existing) + len(refused)
    named = ", ".join(
        f"entry {entry.index} answered {entry.status}{_codes_words(entry.issue_codes)}" for entry in refused
    )
    return (
        f"The record accepted the transaction but refused {len(refused)} of its {total} entries, which FHIR does not "
        f"allow: {named}. {_count(len(created))} written, {_count(len(existing))} already there."
    )


def _last_words(last: Attempt, requests: Sequence[EntryRequest]) -> str:
    answer = last.answer
    if isinstance(answer, CallFailure):
        return f"{answer.words}."
    if answer.status < 300:
        words = (answer.lost or CallFailure.UNREADABLE).words
    elif answer.status < 400:
        words = "the record points to another address, which is not followed"
    else:
        words = _STATUS_WORDS.get(answer.status, "the record refused" if answer.status < 500 else "the record failed")
    told = f"{words} (HTTP {answer.status}{named_by(answer, [request.kind for request in requests])})."
    return f"{told} {_WHERE_TO_LOOK}" if answer.status in _NOT_TAKEN else told


def _end_words(repeated: Repeated[Attempt]) -> list[str]:
    words = []
    if len(repeated.attempts) > 1:
        words.append(f"{len(repeated.attempts)} attempts were made.")
    if repeated.stop is StopReason.WAIT_TOO_LONG:
        words.append("The next attempt would have come later than this service may wait.")
    return words


def _advice_words(repeat_safe: bool) -> str:
    if repeat_safe:
        return (
            "Sending the same again is safe on a record that honours conditional create: what was written is found "
            "there and not written twice."
        )
    return "Look in the record before sending it again: not every entry is a conditional create."


def _status_of(attempt: Attempt) -> int | None:
    return None if isinstance(attempt.answer, CallFailure) else attempt.answer.status


def _codes_words(codes: Sequence[str]) -> str:
    return f", issue {', '.join(codes)}" if codes else ""


def _count(number: int) -> str:
    return "1 resource was" if number == 1 else f"{number} resources were"


Json = dict[str, object]


_CONFLICT, _PRECONDITION_FAILED = 409, 412

_HEADERS = {"Content-Type": "application/fhir+json; fhirVersion=4.0", "Prefer": "return=minimal"}
# FHIR decimals are JSON numbers; msgspec would make strings of them.
_ENCODER = msgspec.json.Encoder(decimal_format="number")


async def write_back(
    transaction: Mapping[str, object] | bytes,
    *,
    record: RecordClient,
    repeat_conflicts: bool = True,
) -> WriteOutcome:
    """Post a transaction Bundle to the record and say what became of it.

    The same bytes go out at each attempt; only where the record refuses them with 412 and holds our Device more than
    once, they name one of those instead (`with_stored_device`). A reply that is lost, or that proves nothing, is asked
    for again within the client's limits where the transaction is safe to repeat (each entry a conditional create, a
    PUT, a DELETE or a read).

    Args:
        transaction: FHIR R4 JSON, checked by the caller; a Bundle of type transaction.
        repeat_conflicts: whether a 409 that names a conflict is answered by the same bytes again; not where the
            transaction names versions, which only a fresh look can put right.

    Returns:
        The outcome. No failure of the record or of the network raises.
    """
    body = transaction if isinstance(transaction, bytes) else _ENCODER.encode(transaction)
    outcome = await _posted(body, record=record, repeat_conflicts=repeat_conflicts)
    if outcome.state is not WriteState.FAILED or outcome.http_status != _PRECONDITION_FAILED:
        return outcome
    bundle = msgspec.json.decode(body, type=dict[str, object])
    entries = cast("list[Json]", bundle["entry"])
    with_theirs = await with_stored_device(entries, record)
    if with_theirs == tuple(entries):
        return outcome
    body = _ENCODER.encode({**bundle, "entry": with_theirs})
    return await _posted(body, record=record, repeat_conflicts=repeat_conflicts)


async def _posted(body: bytes, *, record: RecordClient, repeat_conflicts: bool) -> WriteOutcome:
    requests = entry_requests(body)
    if not requests:
        return not_a_transaction()

    async def attempt() -> Attempt:
        return attempt_of(await record.send("POST", content=body, headers=_HEADERS), requests)

    repeated = await repeat(
        attempt,
        attempt_outcome if repeat_conflicts else _without_race,
        limits=record.limits,
        repeat_safe=is_repeat_safe(requests),
        waiting=record.waiting,
    )
    return outcome_of(repeated, requests)


def _without_race(attempt: Attempt) -> AttemptOutcome:
    seen = attempt_outcome(attempt)
    return AttemptOutcome(_CONFLICT, seen.retry_after) if seen.what is CallFailure.LOST_RACE else seen
