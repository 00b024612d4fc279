"""How is the end of a write-back said, so that the caller knows exactly what is in the record and what is not?

Every sentence is made of our own words, counts, positions, HTTP statuses and FHIR issue codes. The record's own text
is never quoted, since it may hold patient data.

Source: FHIR R4 http.html (meaning of the statuses).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from ebbmark.record.client import Failure
from ebbmark.record.retrying import Repeated, StopReason, Trouble
from ebbmark.record.transaction_reply import Attempt, EntryRequest, EntryResult, Proof, is_repeat_safe

__all__ = ["TROUBLE_WORDS", "WriteOutcome", "WriteState", "not_a_transaction", "outcome_of", "recounted"]


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
        attempts: requests sent, or tried to send.
        created: entries that the record wrote.
        existing: entries that it had before.
        refused: entries that it refused although it accepted the transaction.
        sentence: all of this for a person.
        expression: FHIRPath of what the sentence is about, in the transaction sent; empty for the whole.
        http_status: of the last reply; None where none came.
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


TROUBLE_WORDS = {
    Trouble.NOT_ALLOWED: "its address is not on the list of allowed record systems, or is not encrypted",
    Trouble.NOT_SENDABLE: "the request could not be put into HTTP",
    Trouble.NOT_CONNECTED: "no connection to the record could be made",
    Trouble.CONNECT_TIMEOUT: "the record did not accept a connection in time",
    Trouble.POOL_TIMEOUT: "no connection to the record was free in time",
    Trouble.WRITE_TIMEOUT: "the record stopped taking the request in",
    Trouble.READ_TIMEOUT: "the record took the request and did not answer in time",
    Trouble.TOO_SLOW: "the whole exchange took longer than allowed",
    Trouble.CUT: "the connection broke before the reply was complete",
    Trouble.TOO_LARGE: "the reply was longer than allowed and was not read",
    Trouble.UNREADABLE: "the reply was not a transaction-response with one entry per request",
    Trouble.SURPRISING_ADDRESS: "its name leads into a network that is not listed as one of its own",
    Trouble.SIGN_IN_REFUSED: "the authorization server of the record refused our sign-in",
    Trouble.SIGN_IN_FAILED: "the sign-in at the authorization server of the record failed for now",
}
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


def not_a_transaction() -> WriteOutcome:
    """Say that nothing was sent, since what was given is no transaction."""
    sentence = "Nothing was sent: this is not a transaction Bundle with a request in every entry."
    return WriteOutcome(WriteState.FAILED, 0, sentence, expression="Bundle")


def outcome_of(repeated: Repeated[Attempt], requests: Sequence[EntryRequest]) -> WriteOutcome:
    """Judge all attempts together.

    Args:
        repeated: the attempts in order, at least one, and why they ended.
        requests: the entries that were sent.

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
    clauses = [_last_words(last), *_end_words(repeated)]
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


def recounted(outcome: WriteOutcome, created: Sequence[EntryResult], existing: Sequence[EntryResult]) -> WriteOutcome:
    """The outcome of a transaction told of some of its entries only, and of others that were there before it.

    Args:
        outcome: of the transaction; it was carried out, or nothing had to be sent.
        created: those of the entries that the record wrote.
        existing: those that it had before.
    """
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


def _last_words(last: Attempt) -> str:
    answer = last.answer
    if isinstance(answer, Failure):
        return f"{TROUBLE_WORDS[answer.trouble]}."
    if answer.status < 300:
        words = TROUBLE_WORDS[answer.lost or Trouble.UNREADABLE]
    elif answer.status < 400:
        words = "the record points to another address, which is not followed"
    else:
        words = _STATUS_WORDS.get(answer.status, "the record refused" if answer.status < 500 else "the record failed")
    return f"{words} (HTTP {answer.status}{_codes_words(last.issue_codes)})."


def _end_words(repeated: Repeated[Attempt]) -> list[str]:
    words = []
    if len(repeated.attempts) > 1:
        words.append(f"{len(repeated.attempts)} attempts were made.")
    if repeated.stop.reason is StopReason.WAIT_TOO_LONG:
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
    return None if isinstance(attempt.answer, Failure) else attempt.answer.status


def _codes_words(codes: Sequence[str]) -> str:
    return f", issue {', '.join(codes)}" if codes else ""


def _count(number: int) -> str:
    return "1 resource was" if number == 1 else f"{number} resources were"
