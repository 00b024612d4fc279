"""Write an answer so that the record never shows two current ones for one trial (optimistic locking).

Optimistic locking: each transaction that writes, marks or restores answers changes the patient's List of current
answers (`trial_answers`), too, with `ifMatch` on the version that was read first. So of several writers, and of several
arrivals of one transaction, one alone is carried out; for everybody else the List has moved, and everything is looked
at anew. A transaction that was held on the way and arrives after a newer answer fails in the same manner. The proof
stands in deploy/guide/record.md, the model that is checked for every order of events in
tests/record/test_current_model.py.

Nothing is kept here between two requests. Which answers the new one takes the place of is judged from the record
(`stored_results`, `trial_answers`); their results are marked (`fhir.writing.normal_form`) in the transaction that
creates the new ones.

A late repeat of an answer that was marked brings nothing back: its sender cannot be told from one who means it. Who
does mean it says so (`make_current`).

Source: FHIR R4 http.html#concurrency, #transaction, #ccreate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.record.client import RecordClient
from ebbmark.record.precedence import Standing
from ebbmark.record.search import ReadFailure
from ebbmark.record.stored_results import Earlier
from ebbmark.record.trial_answers import (
    BEHIND,
    KEEPS_NO_LISTS,
    Lock,
    Looked,
    OutgoingAnswer,
    Part,
    changed_list,
    current_again,
    entry_of,
    identity_of,
    look,
    marks,
    new_list,
    outgoing_answer,
    read_lock,
)
from ebbmark.record.trial_answers import skipped_a_version as skipped
from ebbmark.record.write_back import write_back
from ebbmark.record.write_outcome import (
    EntryResult,
    WriteOutcome,
    WriteState,
    recounted,
    still_unknown,
)


def with_marked(outcome: WriteOutcome, older: Sequence[Earlier]) -> WriteOutcome:
    """Add which earlier answers were marked in the same transaction."""
    if not older:
        return outcome
    count = sum(len(one.results) for one in older)
    answers = "an earlier answer" if len(older) == 1 else f"{len(older)} earlier answers"
    return replace(
        outcome, sentence=f"{outcome.sentence} {count} results of {answers} for the same trial were marked superseded."
    )


def with_words(outcome: WriteOutcome, standing: Standing) -> WriteOutcome:
    """Add that a signed answer stands beside it."""
    if not standing.beside:
        return outcome
    sentence = (
        f"{outcome.sentence} An answer for the same trial that a clinician has signed stands beside it; it was not "
        "changed."
    )
    return replace(outcome, sentence=sentence)


def not_looked(failure: ReadFailure) -> WriteOutcome:
    """Say that it could not be seen what stands in the record, so that nothing was written."""
    sentence = (
        "Nothing was written: it could not be seen whether an earlier answer for the same trial stands in the "
        f"record, since {failure.sentence}."
    )
    return WriteOutcome(WriteState.FAILED, 0, sentence, http_status=failure.status)


def without_lock(outcome: WriteOutcome, refused: str) -> WriteOutcome:
    """Add what a record cannot promise that keeps no List of current answers, or does not honour `ifMatch` on it.

    Args:
        refused: why there is no lock, as a clause; empty where there is one.
    """
    if not refused or outcome.state not in (WriteState.WRITTEN, WriteState.ALREADY_THERE):
        return outcome
    sentence = (
        f"{outcome.sentence} This record gives no lock on the current answer, since {refused}: of two answers for one "
        "trial that are written at the same moment both may stand until the next one is written."
    )
    return replace(outcome, sentence=sentence)


def of_own_parts(
    outcome: WriteOutcome, answer: OutgoingAnswer, parts: Sequence[Part], own: Earlier | None
) -> WriteOutcome:
    """The outcome told of the answer's own resources, by their places in its transaction.

    Args:
        outcome: of sending, or of having to send nothing.
        parts: those of its resources that were sent first, in order.
        own: the answer as the record held it before.
    """
    created = [replace(one, index=parts[one.index].index) for one in outcome.created if one.index < len(parts)]
    existing = [replace(one, index=parts[one.index].index) for one in outcome.existing if one.index < len(parts)]
    if own is not None:
        places = [(one.index, answer.place_of(one, own)) for one in answer.parts if one not in parts]
        existing += [EntryResult(index, 200, place) for index, place in places if place]
    return recounted(outcome, created, sorted(existing, key=lambda one: one.index))


def held_several_times(own: Earlier) -> WriteOutcome:
    """Say that the answer stands there more than once, as when a suggestion of a card is accepted twice.

    Args:
        own: the answer as the record holds it.
    """
    sentence = (
        f"This answer stands in the record already, {own.copies} times over, with the same numbers; nothing was added. "
        "Its copies are marked together once another answer takes its place."
    )
    return WriteOutcome(WriteState.ALREADY_THERE, 0, sentence)


def not_current(own: Earlier, others: Sequence[Earlier]) -> WriteOutcome:
    """What was superseded, or taken back by someone, stays so: a late repeat must not bring it to life again.

    Args:
        own: the answer as the record holds it.
        others: those that stand for the same trial.
    """
    by_us = bool(superseded_by(own.closing.resource))
    how = "marked superseded" if by_us else f"with status {own.closing.status}, which somebody gave it"
    stands = (
        f"another answer for the same trial ({others[0].identity[:12]}…) stands"
        if others
        else "no answer for the same trial stands"
    )
    way = "that has to be asked for on purpose (make-current)" if by_us else "what somebody took back stays so"
    sentence = (
        f"This answer is in the record already, {how}, and {stands}. Nothing was written: a repeat does not make it "
        f"current again; {way}."
    )
    return WriteOutcome(WriteState.SUPERSEDED if others else WriteState.NOT_CURRENT, 0, sentence)


def refused_with_conflict(last: WriteOutcome, times: int) -> WriteOutcome:
    """Add to the refusal of the last attempt that all met conflicts, and that a look afterwards shows nothing there.

    Args:
        last: outcome of the last attempt; FAILED by 409 or 412.
        times: how many attempts met a conflict.
    """
    attempts = "1 attempt" if times == 1 else f"{times} attempts"
    sentence = (
        f"{last.sentence} The record answered {attempts} with a conflict; looked at afterwards, it does not hold what "
        "was to be written. Asking again is safe."
    )
    return replace(last, attempts=times, sentence=sentence)


def looked_at_afterwards(last: WriteOutcome) -> WriteOutcome:
    """Say that nothing was written, since a look afterwards shows so and no attempt can be carried out any more.

    Args:
        last: outcome of the last attempt.
    """
    sentence = (
        "Nothing was written: the record gave no usable answer, and looked at afterwards it does not hold what was to "
        "be written; no attempt of this call can be carried out any more. Asking again is safe."
    )
    return replace(last, state=WriteState.FAILED, sentence=sentence)


def superseded_outcome(newer: str, *, written: bool) -> WriteOutcome:
    """Say that a newer answer stands; `written` where this one had been written and is marked now."""
    done = "what this one had written was marked superseded" if written else "nothing was written"
    sentence = f"A newer answer for the same trial ({newer[:12]}…) stands in the record; {done}."
    return WriteOutcome(WriteState.SUPERSEDED, 0, sentence)


def with_restored(outcome: WriteOutcome) -> WriteOutcome:
    """Add that the answer had been marked superseded and is current again; that is a change of the record, too."""
    state = WriteState.WRITTEN if outcome.state is WriteState.ALREADY_THERE else outcome.state
    sentence = f"This answer had been marked superseded and was made current again. {outcome.sentence}"
    return replace(outcome, state=state, sentence=sentence)


Json = dict[str, object]

MOST_ROUNDS = 8
"""Looks at the record while others write for the same patient; our choice."""

MOST_SILENT = 3
"""Rounds without any usable reply, each of several attempts, until only one more look is made; our choice."""

FIRST_WAIT_S, LONGEST_WAIT_S = 0.1, 2.0
"""Between two looks; doubles up to the longest, so that all rounds fit into one write-back [s]; our choice."""

CONFLICTS = frozenset({409, 412})
_SAID = (WriteState.WRITTEN, WriteState.ALREADY_THERE)


@dataclass(frozen=True, slots=True)
class _Step:
    """What one look leads to.

    Attributes:
        told: makes the outcome that the caller gets of the outcome of sending.
        parts: of the answer, those that are to be written.
        changes: entries that change other resources.
        current: identities of the answers for this trial that are current then.
    """

    told: Callable[[WriteOutcome], WriteOutcome]
    parts: tuple[Part, ...] = ()
    changes: tuple[Json, ...] = ()
    current: frozenset[str] = frozenset()

    @property
    def writes(self) -> bool:
        """Whether anything is to be sent."""
        return bool(self.parts or self.changes)


@dataclass(slots=True)
class Progress:
    """How far a write has come, for whoever ends it: whether an attempt may have been, or may yet be, carried out."""

    doubtful: bool = False

    def out_of_time(self, most_s: float) -> WriteOutcome:
        """The outcome of a write that was ended after so long [s]."""
        sentence = f"Nothing was written: the record did not answer everything within {most_s:g} s."
        return still_unknown(WriteOutcome(WriteState.FAILED, 0, sentence), self.doubtful)


async def write_current(
    transaction: Json,
    *,
    record: RecordClient,
    make_current: bool = False,
    progress: Progress | None = None,
) -> WriteOutcome:
    """Write one answer, and mark those that it takes the place of.

    Args:
        transaction: what `fhir.writing.transaction.as_transaction` made.
        make_current: whether the answer is to stand again where the record holds it marked superseded, unless another
            one rests on newer inputs.
        progress: is kept up to date, for a caller who may end the write by a deadline.

    Returns:
        The outcome; SUPERSEDED where a newer answer for the same trial stands in the record, NOT_CURRENT where this
        one is there and none stands. UNKNOWN only where an attempt may still be carried out, or the record could not
        be looked at after an attempt whose reply was lost, or that met a conflict. FAILED where every attempt met a
        conflict or was lost, and a look after the last shows that what was to be written is not there and, by the
        List's version, cannot come any more.
    """
    progress = progress or Progress()
    answer = outgoing_answer(transaction, record.settings.accepts)
    doubt: Lock | None = None  # of an attempt that may be carried out still, or was without our hearing of it
    unheard = False  # whether the reply to one of these was lost: a conflict alone is an answer
    lost = False  # whether there was any such attempt
    last: WriteOutcome | None = None
    without_match: WriteOutcome | None = None  # what a record wrote that does not honour ifMatch
    silent = 0  # how many rounds brought no usable reply at all
    most = MOST_ROUNDS
    for number in range(MOST_ROUNDS + 1):
        lock = await _lock(answer, record)
        seen = lock if isinstance(lock, ReadFailure) else await look(answer, lock, record, anew=make_current)
        if isinstance(seen, ReadFailure) or isinstance(lock, ReadFailure):
            failure = seen if isinstance(seen, ReadFailure) else BEHIND
            # After an attempt that may have been carried out, a look that fails is worth another.
            if (failure == BEHIND or doubt is not None) and await _waited(number, answer, record):
                continue
            return still_unknown(not_looked(failure), doubt is not None)
        # Once the List has moved, what was sent under it cannot come any more; whether it came is what was looked at.
        if doubt is not None and lock.moved(doubt):
            doubt, unheard = None, False
        progress.doubtful = doubt is not None
        step = _step(answer, seen, make_current, record.settings.base_url)
        own_stands = seen.own is not None and seen.own.stands
        ended = last is not None and number >= most
        if not step.writes and (doubt is None or own_stands or (ended and not unheard)):
            told = step.told(_nothing_sent(answer, seen.own, lost=lost))
            return _with_lock(told, lock, without_match)
        if last is not None and ended:
            if doubt is not None and unheard:
                return still_unknown(last, True)
            if last.http_status in CONFLICTS:
                return refused_with_conflict(last, number)
            return looked_at_afterwards(last) if last.state is WriteState.UNKNOWN else last
        # With nothing to write the List alone is changed: what is under way can then no longer be carried out.
        parts = answer.entries_of(step.parts, seen.own)
        entries = [*parts, *step.changes, *_changed_lists(lock, answer, seen, step, record.settings.base_url)]
        if not entries:
            return still_unknown(not_looked(BEHIND), doubt is not None)
        progress.doubtful = True
        last = await _sent(entries, record)
        # A conflict may come from a copy of this very request that was carried out: only a look tells.
        if last.state is WriteState.UNKNOWN or last.http_status in CONFLICTS:
            unheard = unheard or last.state is WriteState.UNKNOWN
            doubt, lost = lock, lost or unheard
        if last.state in _SAID:
            own = of_own_parts(last, answer, step.parts, seen.own)
            if not _ignored_a_version(lock, entries, last):
                return _with_lock(
                    step.told(own if step.writes else _nothing_sent(answer, seen.own)), lock, without_match
                )
            without_match = own
        elif last.http_status not in CONFLICTS:
            if doubt is None:
                return last
            # A refusal says nothing of what was sent before it, and a record that is silent is not asked without end.
            silent += 1
            if last.state is WriteState.FAILED or silent >= MOST_SILENT:
                most = number + 1
        # Without leave to wait, or after the last round, one more look says what is there.
        if not await _waited(number, answer, record):
            most = number + 1
    return still_unknown(last or not_looked(BEHIND), doubt is not None)


def _with_lock(outcome: WriteOutcome, lock: Lock, without_match: WriteOutcome | None) -> WriteOutcome:
    """Say where the record gave no lock; what was written before that was found out counts as written."""
    if without_match is None:
        return without_lock(outcome, lock.refused)
    if outcome.state is WriteState.ALREADY_THERE and without_match.created:
        outcome = replace(
            outcome, state=WriteState.WRITTEN, created=without_match.created, existing=without_match.existing
        )
    return without_lock(outcome, "it carries out a change of a version that is not in force any more (ifMatch)")


async def _lock(answer: OutgoingAnswer, record: RecordClient) -> Lock | ReadFailure:
    """The List of the patient, created where there is none yet.

    Searched for again after it was created, never taken from the reply: see `current_list`.
    """
    patient = answer.trial.patient
    lock = await read_lock(patient, record=record)
    if isinstance(lock, ReadFailure) or lock.lists or "List" not in answer.accepts.types:
        return lock
    # One refusal may pass by: only a record that neither finds nor takes a List counts as one that keeps none.
    created = await write_back(
        _bundle([new_list(patient, answer.recorded)]), record=record, sleep=record.waiting.sleep, now=record.waiting.now
    )
    if created.state is WriteState.FAILED and created.http_status not in CONFLICTS:
        if created.http_status in KEEPS_NO_LISTS:
            return Lock((), f"it refused to keep a List (HTTP {created.http_status})")
        return ReadFailure(
            f"the List of current answers could not be created ({_clause(created)})", created.http_status
        )
    lock = await read_lock(patient, record=record)
    if isinstance(lock, Lock) and lock.refused:
        return ReadFailure(lock.refused, None)
    return BEHIND if isinstance(lock, Lock) and not lock.lists else lock


def _clause(outcome: WriteOutcome) -> str:
    return f"HTTP {outcome.http_status}" if outcome.http_status is not None else "no reply"


def _step(answer: OutgoingAnswer, seen: Looked, make_current: bool, base_url: str) -> _Step:
    """Decide what is to be done, from one look."""
    own, standing = seen.own, seen.standing
    older = [*(one for one in seen.others if one.identity in standing.older), *seen.half]
    kept = frozenset(one.identity for one in seen.others) - frozenset(standing.older)
    if own is not None and not own.stands:
        if not make_current or standing.newer is not None or not superseded_by(own.closing.resource):
            return _Step(lambda _: not_current(own, seen.others), current=kept)
        changes = (*current_again(own, answer, base_url), *_all_marks(older, answer, base_url))

        def restored(outcome: WriteOutcome) -> WriteOutcome:
            return with_restored(with_words(with_marked(outcome, older), standing))

        return _Step(restored, answer.missing_of(own), changes, kept | {answer.identity})
    newer = standing.newer
    if newer is not None:
        changes = tuple(marks(own, newer, answer, base_url)) if own is not None else ()
        return _Step(lambda _: superseded_outcome(newer, written=own is not None), changes=changes, current=kept)
    current = kept | {answer.identity}
    # A conditional create cannot be asked for where several match already: only the others are marked.
    if own is not None and own.copies > 1:
        changes = tuple(_all_marks(older, answer, base_url))
        return _Step(lambda _: with_marked(held_several_times(own), older), changes=changes, current=current)
    return _Step(
        lambda outcome: with_words(with_marked(outcome, older), standing),
        answer.missing_of(own),
        tuple(_all_marks(older, answer, base_url)),
        current,
    )


def _changed_lists(lock: Lock, answer: OutgoingAnswer, seen: Looked, step: _Step, base_url: str) -> list[Json]:
    known: dict[str, Earlier] = {one.identity: one for one in seen.others}
    if seen.own is not None:
        known[answer.identity] = seen.own
    elsewhere = [entry for entry in lock.entries if identity_of(entry) not in {*seen.identities, answer.identity}]
    current = [
        entry_of(one, known[one].closing.reference if one in known else answer.closing) for one in sorted(step.current)
    ]
    return [
        changed_list(one, answer.trial.patient, [*elsewhere, *current], recorded=answer.recorded, base_url=base_url)
        for one in lock.lists
    ]


def _ignored_a_version(lock: Lock, entries: Sequence[Json], outcome: WriteOutcome) -> bool:
    """Whether the record carried the transaction out although another one came in between."""
    first = len(entries) - len(lock.lists)
    places = {one.index: one.location or "" for one in (*outcome.created, *outcome.existing)}
    return any(skipped(one, places.get(first + number, "")) for number, one in enumerate(lock.lists))


def _nothing_sent(answer: OutgoingAnswer, own: Earlier | None, *, lost: bool = False) -> WriteOutcome:
    """What is known of an answer of which nothing had to be sent."""
    outcome = of_own_parts(WriteOutcome(WriteState.ALREADY_THERE, 0, ""), answer, (), own)
    maybe = " An earlier attempt of this call, whose reply was lost, may have written them." if lost else ""
    return replace(outcome, sentence=f"{outcome.sentence}{maybe}")


def _all_marks(older: Iterable[Earlier], answer: OutgoingAnswer, base_url: str) -> list[Json]:
    return [entry for one in older for entry in marks(one, answer.identity, answer, base_url)]


async def _sent(entries: Sequence[Json], record: RecordClient) -> WriteOutcome:
    return await write_back(
        _bundle(entries), record=record, sleep=record.waiting.sleep, now=record.waiting.now, repeat_conflicts=False
    )


def _bundle(entries: Sequence[Json]) -> Json:
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


async def _waited(number: int, answer: OutgoingAnswer, record: RecordClient) -> bool:
    """Wait before the next look, unless the operator allows no such wait.

    Doubling, and different for different answers, so that writers who met once do not meet again.
    """
    wait_s = min(FIRST_WAIT_S * 2.0**number, LONGEST_WAIT_S) * (1.0 + int(answer.identity[:4] or "0", 16) / 0xFFFF)
    if wait_s > record.settings.max_total_wait_s:
        return False
    await record.waiting.sleep(wait_s)
    return True
