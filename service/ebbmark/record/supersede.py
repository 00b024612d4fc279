"""Write an answer so that the record never shows two current ones for one trial (optimistic locking).

Optimistic locking: each transaction that writes, marks or restores answers changes the patient's List of current
answers (`trial_answers`), too, with `ifMatch` on the version that was read first. So of several writers, and of several
arrivals of one transaction, one alone is carried out; for everybody else the List has moved, and everything is looked
at anew. A transaction that was held on the way and arrives after a newer answer fails in the same manner. The proof
stands in deploy/guide/record.md, the model that is checked for every order of events in
tests/record/test_current_model.py.

Nothing is kept here between two requests. Which answers the new one takes the place of is judged from the record
(`trial_answers`); their results are marked (`answer_transaction`) in the transaction that
creates the new ones.

A late repeat of an answer that was marked brings nothing back: its sender cannot be told from one who means it. Who
does mean it says so (`make_current`).

Source: FHIR R4 http.html#concurrency, #transaction, #ccreate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ebbmark.fhir.writing.supersession import CURRENT_SYSTEM
from ebbmark.record.answer_transaction import (
    KEEPS_NO_LISTS,
    Lock,
    Looked,
    OutgoingAnswer,
    Part,
    WriteStep,
    changed_list,
    entries_in,
    entry_of,
    identity_of,
    new_list,
    outgoing_answer,
    second_of,
    skipped_a_version,
    unseen,
    write_step,
)
from ebbmark.record.client import RecordClient
from ebbmark.record.search import Budget, Found, ReadFailed, ReadFailure, failure_as_value, read_one, search
from ebbmark.record.stored_answers import Stored, read_by_id, stored_of
from ebbmark.record.trial_answers import (
    GONE,
    Earlier,
    Ranked,
    answers_in_record,
    doubtful_inputs,
    is_of_trial,
    standing_of,
)
from ebbmark.record.write_back import EntryResult, WriteOutcome, WriteState, recounted, still_unknown, write_back

Json = dict[str, object]

MOST_ROUNDS = 8
"""Looks at the record while others write for the same patient; our choice."""

MOST_SILENT = 3
"""Rounds without any usable reply, each of several attempts, until only one more look is made; our choice."""

FIRST_WAIT_S, LONGEST_WAIT_S = 0.1, 2.0
"""Between two looks; doubles up to the longest, so that all rounds fit into one write-back [s]; our choice."""

CONFLICTS = frozenset({409, 412})
_SAID = (WriteState.WRITTEN, WriteState.ALREADY_THERE)

NO_LOCK = Lock(())
"""For a look that leads to no write."""

BEHIND = ReadFailure("a search of the record does not show yet what it took in before", None)
"""Why a look cannot be used where the record's searches lag behind its writes."""


@failure_as_value
async def look(answer: OutgoingAnswer, lock: Lock, record: RecordClient, *, anew: bool = False) -> Looked:
    """Look at the answers for the trial of one answer.

    Args:
        lock: as it was read before; what it names and the search does not bring is read by its address.
        anew: whether the own one counts as yet to be written where it no longer stands.
    """
    found = await answers_in_record(answer.trial, answer.identity, record=record)
    if isinstance(found, ReadFailure):
        raise ReadFailed(found)
    for reference in unseen(lock.entries, found.identities):
        await _require_other_trial(reference, answer, record)
    own = next((one for one in found.answers if one.identity == answer.identity), None)
    others = tuple(answer for answer in found.answers if answer is not own)
    mine = _ranked(own) if own is not None and (own.stands or not anew) else answer.ranked
    theirs = [_ranked(one) for one in others]
    doubtful = doubtful_inputs(mine, theirs)
    changed: set[str] = set()
    if doubtful:
        entries = await read_by_id(sorted(doubtful), record=record, budget=Budget())
        inputs = {one.reference: one for one in (stored_of(entry, "an input") for entry in entries)}
        changed = {one for one in doubtful if _is_changed(one, inputs.get(one), theirs, mine)}
    return Looked(own, others, standing_of(mine, theirs, changed), found.identities, found.half)


async def _require_other_trial(reference: str, answer: OutgoingAnswer, record: RecordClient) -> None:
    """Make sure that an answer which the search did not bring is of another trial; fail as BEHIND where it is not."""
    entry = await read_one(reference, record=record, budget=Budget())
    if isinstance(entry, ReadFailure):
        if entry.status not in (404, 410):
            raise ReadFailed(entry)
        return
    stored = stored_of(entry)
    if is_of_trial(stored, answer.trial) and stored.status not in GONE:
        raise ReadFailed(BEHIND)


def _is_changed(reference: str, now: Stored | None, theirs: Iterable[Ranked], mine: Ranked) -> bool:
    used = {one.inputs[reference] for one in (*theirs, mine) if reference in one.inputs}
    return now is None or now.status in GONE or now.version not in used


def _ranked(one: Earlier) -> Ranked:
    return Ranked(
        one.identity, one.inputs, second_of(one.closing.period[1]), second_of(one.closing.written), one.signed
    )


async def _read_lock(patient: str, record: RecordClient) -> Lock:
    """Search for the Lists of a patient, `Patient/1`."""
    if "List" not in record.settings.accepts.types:
        return Lock((), "no List is written to it (EBBMARK_RECORD_WRITES)")
    found = await search(record, "List", [("identifier", f"{CURRENT_SYSTEM}|{patient}")], budget=Budget(requests=5))
    if not isinstance(found, Found):
        if found.status in KEEPS_NO_LISTS:
            return Lock((), found.sentence)
        raise ReadFailed(found)
    stored = [stored_of(entry, "the List of current answers") for entry in found.entries]
    lists = [one for one in stored if one.reference.startswith("List/") and entries_in(one) is not None]
    # Some records ignore search parameters: what came back is looked at again.
    return Lock(tuple(sorted((one for one in lists if _is_of(one, patient)), key=lambda one: one.reference)))


def _is_of(stored: Stored, patient: str) -> bool:
    identifiers = stored.resource.get("identifier")
    wanted = {"system": CURRENT_SYSTEM, "value": patient}
    return isinstance(identifiers, list) and any(
        isinstance(identifier, dict) and wanted.items() <= identifier.items() for identifier in identifiers
    )


@failure_as_value
async def _lock(answer: OutgoingAnswer, record: RecordClient) -> Lock:
    """The List of the patient, created where there is none yet.

    Searched for again after it was created, never taken from the reply: see `fhir.writing.supersession.current_list`.
    """
    patient = answer.trial.patient
    lock = await _read_lock(patient, record)
    if lock.lists or "List" not in answer.accepts.types:
        return lock
    # One refusal may pass by: only a record that neither finds nor takes a List counts as one that keeps none.
    created = await write_back(_bundle([new_list(patient, answer.recorded)]), record=record)
    if created.state is WriteState.FAILED and created.http_status not in CONFLICTS:
        if created.http_status in KEEPS_NO_LISTS:
            return Lock((), f"it refused to keep a List (HTTP {created.http_status})")
        clause = f"HTTP {created.http_status}" if created.http_status is not None else "no reply"
        why = f"the List of current answers could not be created ({clause})"
        raise ReadFailed(ReadFailure(why, created.http_status))
    lock = await _read_lock(patient, record)
    if lock.refused:
        raise ReadFailed(ReadFailure(lock.refused, None))
    if not lock.lists:
        raise ReadFailed(BEHIND)
    return lock


@dataclass(slots=True)
class Progress:
    """How far a write has come, for whoever ends it: whether an attempt may have been, or may yet be, carried out."""

    doubtful: bool = False

    def out_of_time(self, most_s: float) -> WriteOutcome:
        """The outcome of a write that was ended after so long [s]."""
        sentence = f"Nothing was written: the record did not answer everything within {most_s:g} s."
        return still_unknown(WriteOutcome(WriteState.FAILED, 0, sentence), self.doubtful)


@dataclass(frozen=True, slots=True)
class _Rounds:
    """What the rounds so far leave behind.

    Attributes:
        most: rounds after which one more look says what is there.
        doubt: the List under which an attempt was sent that may be carried out still, or was without our hearing of it.
        unheard: whether the reply to one of these was lost: a conflict alone is an answer.
        without_match: what a record wrote that does not honour `ifMatch`.
        silent: how many rounds brought no usable reply at all.
    """

    number: int = 0
    most: int = MOST_ROUNDS
    doubt: Lock | None = None
    unheard: bool = False
    lost: bool = False
    last: WriteOutcome | None = None
    without_match: WriteOutcome | None = None
    silent: int = 0

    def after_a_look(self, lock: Lock) -> _Rounds:
        """Once the List has moved, what was sent under it cannot come any more; whether it came is looked at."""
        moved = self.doubt is not None and lock.moved(self.doubt)
        return replace(self, doubt=None, unheard=False) if moved else self

    def after_sending(self, last: WriteOutcome, lock: Lock) -> _Rounds:
        """The next round's. A conflict may come from a copy of this very request that was carried out."""
        rounds = replace(self, last=last)
        if last.state is WriteState.UNKNOWN or last.http_status in CONFLICTS:
            unheard = self.unheard or last.state is WriteState.UNKNOWN
            rounds = replace(rounds, doubt=lock, unheard=unheard, lost=self.lost or unheard)
        if last.state in _SAID or last.http_status in CONFLICTS:
            return rounds
        # A refusal says nothing of what was sent before it, and a record that is silent is not asked without end.
        rounds = replace(rounds, silent=self.silent + 1)
        return rounds.at_the_end() if last.state is WriteState.FAILED or rounds.silent >= MOST_SILENT else rounds

    def at_the_end(self) -> _Rounds:
        """The same, of which only one more look is left."""
        return replace(self, most=self.number + 1)

    def ended(self, answer: OutgoingAnswer, looked: Looked, step: WriteStep, lock: Lock) -> WriteOutcome | None:
        """The outcome where nothing more is sent; None where there is something to send."""
        last = self.last if self.number >= self.most else None
        sure = self.doubt is None or looked.own_stands or (last is not None and not self.unheard)
        if not step.writes and sure:
            told = step.told(_nothing_sent(answer, looked.own, lost=self.lost))
            return _with_lock(told, lock, self.without_match)
        if last is None:
            return None
        if self.doubt is not None and self.unheard:
            return still_unknown(last, True)
        if last.http_status in CONFLICTS:
            return _refused_with_conflict(last, self.number)
        return _looked_at_afterwards(last) if last.state is WriteState.UNKNOWN else last


async def write_current(
    transaction: Json,
    *,
    record: RecordClient,
    make_current: bool = False,
    progress: Progress | None = None,
) -> WriteOutcome:
    """Write one answer, and mark those that it takes the place of.

    Args:
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
    progress, base_url = progress or Progress(), record.settings.base_url
    answer, rounds = outgoing_answer(transaction, record.settings.accepts), _Rounds()
    while rounds.number <= MOST_ROUNDS:
        lock = await _lock(answer, record)
        looked = lock if isinstance(lock, ReadFailure) else await look(answer, lock, record, anew=make_current)
        if isinstance(looked, ReadFailure) or isinstance(lock, ReadFailure):
            failure = looked if isinstance(looked, ReadFailure) else BEHIND
            # After an attempt that may have been carried out, a look that fails is worth another.
            worth_another = failure == BEHIND or rounds.doubt is not None
            if worth_another and await _waited(rounds.number, answer, record):
                rounds = replace(rounds, number=rounds.number + 1)
                continue
            return still_unknown(_not_looked(failure), rounds.doubt is not None)
        rounds = rounds.after_a_look(lock)
        progress.doubtful = rounds.doubt is not None
        step = write_step(answer, looked, make_current, base_url)
        ended = rounds.ended(answer, looked, step, lock)
        if ended is not None:
            return ended
        # With nothing to write the List alone is changed: what is under way can then no longer be carried out.
        parts = answer.entries_of(step.parts, looked.own)
        entries = [*parts, *step.changes, *_changed_lists(lock, answer, looked, step, base_url)]
        if not entries:
            return still_unknown(_not_looked(BEHIND), rounds.doubt is not None)
        progress.doubtful = True
        last = await write_back(_bundle(entries), record=record, repeat_conflicts=False)
        rounds = rounds.after_sending(last, lock)
        if last.state in _SAID:
            own = _of_own_parts(last, answer, step.parts, looked.own)
            if not _ignored_a_version(lock, entries, last):
                told = step.told(own if step.writes else _nothing_sent(answer, looked.own))
                return _with_lock(told, lock, rounds.without_match)
            rounds = replace(rounds, without_match=own)
        elif last.http_status not in CONFLICTS and rounds.doubt is None:
            return last
        # Without leave to wait, or after the last round, one more look says what is there.
        if not await _waited(rounds.number, answer, record):
            rounds = rounds.at_the_end()
        rounds = replace(rounds, number=rounds.number + 1)
    return still_unknown(rounds.last or _not_looked(BEHIND), rounds.doubt is not None)


def _changed_lists(lock: Lock, answer: OutgoingAnswer, looked: Looked, step: WriteStep, base_url: str) -> list[Json]:
    known: dict[str, Earlier] = {one.identity: one for one in looked.others}
    if looked.own is not None:
        known[answer.identity] = looked.own
    elsewhere = [entry for entry in lock.entries if identity_of(entry) not in {*looked.identities, answer.identity}]
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
    return any(skipped_a_version(one, places.get(first + number, "")) for number, one in enumerate(lock.lists))


def _nothing_sent(answer: OutgoingAnswer, own: Earlier | None, *, lost: bool = False) -> WriteOutcome:
    """What is known of an answer of which nothing had to be sent."""
    outcome = _of_own_parts(WriteOutcome(WriteState.ALREADY_THERE, 0, ""), answer, (), own)
    maybe = " An earlier attempt of this call, whose reply was lost, may have written them." if lost else ""
    return replace(outcome, sentence=f"{outcome.sentence}{maybe}")


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


def _of_own_parts(
    outcome: WriteOutcome, answer: OutgoingAnswer, parts: Sequence[Part], own: Earlier | None
) -> WriteOutcome:
    """The outcome told of the answer's own resources, by their places in its transaction."""
    created = [replace(one, index=parts[one.index].index) for one in outcome.created if one.index < len(parts)]
    existing = [replace(one, index=parts[one.index].index) for one in outcome.existing if one.index < len(parts)]
    if own is not None:
        places = [(part.index, answer.place_of(part, own)) for part in answer.parts if part not in parts]
        existing += [EntryResult(index, 200, place) for index, place in places if place]
    return recounted(outcome, created, sorted(existing, key=lambda one: one.index))


def _with_lock(outcome: WriteOutcome, lock: Lock, without_match: WriteOutcome | None) -> WriteOutcome:
    """Say where the record gave no lock; what was written before that was found out counts as written."""
    refused = lock.refused
    if without_match is not None:
        refused = "it carries out a change of a version that is not in force any more (ifMatch)"
        if outcome.state is WriteState.ALREADY_THERE and without_match.created:
            created, existing = without_match.created, without_match.existing
            outcome = replace(outcome, state=WriteState.WRITTEN, created=created, existing=existing)
    if not refused or outcome.state not in _SAID:
        return outcome
    sentence = (
        f"{outcome.sentence} This record gives no lock on the current answer, since {refused}: of two answers for one "
        "trial that are written at the same moment both may stand until the next one is written."
    )
    return replace(outcome, sentence=sentence)


def _not_looked(failure: ReadFailure) -> WriteOutcome:
    """Say that it could not be seen what stands in the record, so that nothing was written."""
    sentence = (
        "Nothing was written: it could not be seen whether an earlier answer for the same trial stands in the "
        f"record, since {failure.sentence}."
    )
    return WriteOutcome(WriteState.FAILED, 0, sentence, http_status=failure.status)


def _refused_with_conflict(last: WriteOutcome, times: int) -> WriteOutcome:
    """Add to the refusal of the last attempt that all met conflicts, and that a look afterwards shows nothing there."""
    attempts = "1 attempt" if times == 1 else f"{times} attempts"
    sentence = (
        f"{last.sentence} The record answered {attempts} with a conflict; looked at afterwards, it does not hold what "
        "was to be written. Asking again is safe."
    )
    return replace(last, attempts=times, sentence=sentence)


def _looked_at_afterwards(last: WriteOutcome) -> WriteOutcome:
    """Say that nothing was written, since a look afterwards shows so and no attempt can be carried out any more."""
    sentence = (
        "Nothing was written: the record gave no usable answer, and looked at afterwards it does not hold what was to "
        "be written; no attempt of this call can be carried out any more. Asking again is safe."
    )
    return replace(last, state=WriteState.FAILED, sentence=sentence)
