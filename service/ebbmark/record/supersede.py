"""Write an answer so that the record never shows two current ones for one trial.

Nothing is kept here between two requests: the record itself says what stands. Before writing, our earlier answers for
the same trial are looked for (`earlier`), and it is judged which of them the new one takes the place of (`standing`).
Their results are marked (`fhir.superseding`) in the very transaction that creates the new ones, each with `ifMatch` on
the version that was seen: where anyone changed one of them meanwhile, the whole transaction fails and is planned anew
from a fresh look. After writing, it is looked once more: of two writers who both found nothing before, at least the
later one sees the other then. A record in which earlier answers cannot be looked for is not written to.

A late repeat of an answer that was marked brings nothing back: its sender cannot be told from one who means it. Who
does mean it says so (`make_current`); the marks are then taken off, and put on those that stand, in one transaction.

Kept logical ids with new versions (a conditional update) were considered and not taken: a late repeat of an old request
would put the old numbers over the new ones, and over what a clinician has signed.

Source: FHIR R4 http.html#concurrency, #transaction, #ccreate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from ebbmark.fhir.writing.superseding import superseded_by
from ebbmark.record.client import RecordClient
from ebbmark.record.earlier import Earlier
from ebbmark.record.looking import look
from ebbmark.record.marking import current_again, marks
from ebbmark.record.outcome import WriteOutcome, WriteState
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.sent import Sent, sent_of
from ebbmark.record.standing_words import (
    held_several_times,
    not_current,
    not_looked,
    still_unknown,
    superseded_outcome,
    with_marked,
    with_restored,
    with_words,
)
from ebbmark.record.write_back import write_back

__all__ = ["write_current"]

MOST_ROUNDS = 6
"""Looks at the record before a write, and as many after it, while others write for the same trial; our choice."""

MARKED_TOGETHER = 2
"""Attempts at writing the new results and marking the old ones in one transaction; our choice."""

FIRST_WAIT_S = 0.1
"""Between two looks; doubles each time [s]; our choice."""

_CONFLICTS = frozenset({409, 412})
_GONE = frozenset({"cancelled", "entered-in-error"})
Json = dict[str, object]


async def write_current(
    transaction: Json, *, record: RecordClient, waiting: Waiting, make_current: bool = False
) -> WriteOutcome:
    """Write one answer, and mark those that it takes the place of.

    Args:
        transaction: what `fhir.write.as_transaction` made.
        record: the client.
        waiting: how time passes between attempts.
        make_current: whether the answer is to stand again where the record holds it marked superseded, unless another
            one rests on newer inputs.

    Returns:
        The outcome; SUPERSEDED where a newer answer for the same trial stands in the record, NOT_CURRENT where this
        one is there and none stands.
    """
    answer = sent_of(transaction)
    outcome = await _write(answer, record, waiting, make_current)
    changed = outcome.created or outcome.state is WriteState.WRITTEN
    return await _settle(answer, outcome, record, waiting) if changed else outcome


async def _write(answer: Sent, record: RecordClient, waiting: Waiting, make_current: bool) -> WriteOutcome:
    """Write it together with the marks on those that it takes the place of."""
    outcome: WriteOutcome | None = None
    arrived = False  # whether an attempt of any round may have been carried out without our hearing of it
    again: list[Earlier] | None = None  # those that were marked where this one was made current again
    for number in range(MOST_ROUNDS):
        seen = await look(answer, record, waiting, anew=make_current)
        if isinstance(seen, ReadFailure):
            return still_unknown(not_looked(seen, outcome), arrived)
        own, others, standing = seen
        if own is not None and not own.stands:
            if not make_current or standing.newer is not None or not superseded_by(own.closing.resource):
                return not_current(own, others)
            older = [one for one in others if one.identity in standing.older]
            entries = [*current_again(own, answer, record.settings.base_url), *_all_marks(older, answer, record)]
            outcome = await _sent(entries, record, waiting)
            written = outcome.state is WriteState.WRITTEN
            again = older if written else []
            if not written and (
                outcome.http_status not in _CONFLICTS or not await _waited(number, answer, record, waiting)
            ):
                return outcome
            continue
        if standing.newer is not None:
            withdrawn = await _withdrawn(answer, own, standing.newer, record, waiting)
            if withdrawn is not None:
                return withdrawn
            continue
        # Where others are at work on the same old results, the new ones go first and the marks follow (`_settle`).
        older = [one for one in others if one.identity in standing.older] if number < MARKED_TOGETHER else []
        several = own is not None and own.copies > 1
        if own is not None and several and not older:
            return held_several_times(own)
        # Of what is there several times no conditional create can be asked for: only the others are marked.
        entries = [*(() if several else answer.entries), *_all_marks(older, answer, record)]
        outcome = still_unknown(await _sent(entries, record, waiting), arrived)
        arrived = outcome.state is WriteState.UNKNOWN
        if outcome.http_status not in _CONFLICTS:
            if outcome.state not in (WriteState.WRITTEN, WriteState.ALREADY_THERE):
                return outcome
            told = with_words(with_marked(outcome, [*older, *(again or ())]), standing)
            return told if again is None else with_restored(told)
        if not await _waited(number, answer, record, waiting):
            break
    return outcome or not_looked(ReadFailure("others are at work on the same results", None), None)


async def _settle(answer: Sent, written: WriteOutcome, record: RecordClient, waiting: Waiting) -> WriteOutcome:
    """Look again after writing: of several who wrote at once, the latest stands."""
    left = 0
    for number in range(MOST_ROUNDS):
        seen = await look(answer, record, waiting)
        if isinstance(seen, ReadFailure):
            return not_looked(seen, written)
        own, others, standing = seen
        if own is not None and not own.stands:
            return superseded_outcome(superseded_by(own.closing.resource), written=True)
        if standing.newer is not None:
            withdrawn = await _withdrawn(answer, own, standing.newer, record, waiting)
            if withdrawn is not None:
                return withdrawn
        older = [one for one in others if one.identity in standing.older]
        left = len(older)
        if not older and standing.newer is None:
            return written
        for one in older:
            # Each by itself: a conflict on one, which another writer is marking, must not keep the others standing.
            marked = await _sent(marks(one, answer.identity, answer, record.settings.base_url), record, waiting)
            if marked.state is WriteState.WRITTEN:
                written = with_marked(written, [one])
        if not await _waited(number, answer, record, waiting):
            break
    sentence = (
        f"{written.sentence} {left} other answers for the same trial were written at the same moment and could not be "
        "marked superseded. Writing the same again will try it anew."
    )
    return replace(written, sentence=sentence)


def _all_marks(older: Iterable[Earlier], answer: Sent, record: RecordClient) -> list[Json]:
    return [entry for one in older for entry in marks(one, answer.identity, answer, record.settings.base_url)]


async def _sent(entries: Sequence[Json], record: RecordClient, waiting: Waiting) -> WriteOutcome:
    bundle: Json = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
    return await write_back(bundle, record=record, sleep=waiting.sleep, now=waiting.now, repeat_conflicts=False)


async def _waited(number: int, answer: Sent, record: RecordClient, waiting: Waiting) -> bool:
    """Wait before the next look, unless the operator allows no such wait.

    Doubling, and different for different answers, so that writers who met once do not meet again.
    """
    wait_s = FIRST_WAIT_S * 2.0**number * (1.0 + int(answer.identity[:4] or "0", 16) / 0xFFFF)
    if wait_s > record.settings.max_total_wait_s:
        return False
    await waiting.sleep(wait_s)
    return True


async def _withdrawn(
    answer: Sent, own: Earlier | None, newer: str, record: RecordClient, waiting: Waiting
) -> WriteOutcome | None:
    """A newer answer stands: write nothing, and take back what this one has in the record; None after a conflict."""
    if own is None:
        return superseded_outcome(newer, written=False)
    outcome = await _sent(marks(own, newer, answer, record.settings.base_url), record, waiting)
    if outcome.state is WriteState.WRITTEN:
        return superseded_outcome(newer, written=True)
    if outcome.http_status in _CONFLICTS:
        return None
    return replace(outcome, sentence=f"A newer answer for the same trial stands in the record. {outcome.sentence}")
