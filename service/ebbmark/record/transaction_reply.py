"""What does one reply to a transaction prove: which entries were written, which were there, or nothing at all?

Source: FHIR R4 http.html#transaction (one transaction-response with one entry per request in the same order, or one
OperationOutcome and nothing written) and http.html#ccreate (201 new, 200 already there, 412 several).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import msgspec

from ebbmark.record.client import Answer, Failure, Reply, decoded
from ebbmark.record.retrying import Seen, Trouble

__all__ = [
    "Attempt",
    "EntryRequest",
    "EntryResult",
    "Proof",
    "attempt_of",
    "entry_requests",
    "is_repeat_safe",
    "seen_in",
]

# FHIR R4 value set issue-type. Only these are ever quoted: any other text in an outcome may hold patient data.
# fmt: off
_ISSUE_CODES = frozenset({
    "invalid", "structure", "required", "value", "invariant", "security", "login", "unknown", "expired",
    "forbidden", "suppressed", "processing", "not-supported", "duplicate", "multiple-matches", "not-found",
    "deleted", "too-long", "code-invalid", "extension", "too-costly", "business-rule", "conflict",
    "transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled",
    "informational",
})
# fmt: on
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
    """What one entry of the transaction asks for."""

    method: str
    conditional: bool


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

    answer: Answer
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


class _Issue(msgspec.Struct):
    code: str


class _Outcome(msgspec.Struct, rename="camel"):
    resource_type: str
    issue: list[_Issue]


def entry_requests(transaction: bytes) -> tuple[EntryRequest, ...]:
    """Read what each entry of a transaction asks for.

    Args:
        transaction: FHIR JSON.

    Returns:
        One request per entry; nothing where this is no transaction Bundle with a request in every entry.
    """
    try:
        bundle = msgspec.json.decode(transaction, type=_Transaction)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return ()
    if (bundle.resource_type, bundle.type) != ("Bundle", "transaction"):
        return ()
    return tuple(EntryRequest(entry.request.method, bool(entry.request.if_none_exist)) for entry in bundle.entry)


def is_repeat_safe(requests: Sequence[EntryRequest]) -> bool:
    """Say whether a second arrival of the same transaction changes nothing more: no plain POST, no PATCH."""
    return all(
        request.method in _REPEATABLE_METHODS or (request.method == "POST" and request.conditional)
        for request in requests
    )


def attempt_of(answer: Answer, requests: Sequence[EntryRequest]) -> Attempt:
    """Weigh one answer.

    Args:
        answer: what the client brought back.
        requests: the entries that were sent.

    Returns:
        The attempt with what it proves. A 5xx proves nothing, not even with an OperationOutcome: a gateway may have
        spoken, or the server itself have failed, after the work was done. Only a 501 in the server's own words (it
        does not know how) says that nothing was written.
    """
    if isinstance(answer, Failure):
        maybe = answer.trouble.may_have_arrived
        return Attempt(answer, Proof.MAYBE_WRITTEN if maybe else Proof.NOTHING_WRITTEN)
    if 200 <= answer.status < 300:
        entries = _entry_results(answer, requests)
        if entries is not None:
            return Attempt(answer, Proof.ENTRIES, entries)
        return Attempt(answer, Proof.MAYBE_WRITTEN, issue_codes=_codes_in(answer) or ())
    codes = _codes_in(answer)
    if answer.status >= 500 and not (answer.status == _NOT_IMPLEMENTED and codes is not None):
        return Attempt(answer, Proof.MAYBE_WRITTEN, issue_codes=codes or ())
    return Attempt(answer, Proof.NOTHING_WRITTEN, issue_codes=codes or ())


def seen_in(attempt: Attempt) -> Seen:
    """Reduce an attempt to what the decision on a repeat looks at."""
    answer = attempt.answer
    if isinstance(answer, Failure):
        return Seen(answer.trouble)
    if attempt.proof is Proof.MAYBE_WRITTEN and answer.status < 300:
        return Seen(answer.lost or Trouble.UNREADABLE, answer.retry_after)
    if answer.status == 409 and _RACE_CODES.intersection(attempt.issue_codes):
        return Seen(Trouble.LOST_RACE, answer.retry_after)
    return Seen(answer.status, answer.retry_after)


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
    return EntryResult(index, status, response.location, _codes_of(bytes(response.outcome)) or ())


def _codes_in(reply: Reply) -> tuple[str, ...] | None:
    outcome = decoded(reply, _Outcome)
    return None if outcome is None else _known_codes(outcome)


def _codes_of(body: bytes) -> tuple[str, ...] | None:
    return _codes_in(Reply(200, body=body)) if body else None


def _known_codes(outcome: _Outcome) -> tuple[str, ...] | None:
    if outcome.resource_type != "OperationOutcome":
        return None
    return tuple(sorted({issue.code for issue in outcome.issue if issue.code in _ISSUE_CODES}))
