"""How does an answer stand among those that the record holds of its trial, as they are now?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ebbmark.record.client import RecordClient
from ebbmark.record.current_list import Lock, unseen
from ebbmark.record.earlier import GONE, Earlier, answers_in_record, is_of_trial
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget
from ebbmark.record.sent import Sent, second_of
from ebbmark.record.single_reads import read_one
from ebbmark.record.standing import Candidate, Standing, doubtful_inputs, standing_of
from ebbmark.record.stored import NotFhir, Stored, read_by_id, stored_of

__all__ = ["BEHIND", "NO_LOCK", "Looked", "look"]

NO_LOCK = Lock(())
"""For a look that leads to no write."""

BEHIND = ReadFailure("a search of the record does not show yet what it took in before", None)
"""Why a look cannot be used where the record's searches lag behind its writes."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What one look brings.

    Attributes:
        own: the answer as the record holds it; None where it does not.
        others: the other answers that stand for the trial.
        standing: how they stand to each other.
        identities: of all answers for the trial, those that do not stand among them.
    """

    own: Earlier | None
    others: tuple[Earlier, ...]
    standing: Standing
    identities: frozenset[str]


async def look(
    answer: Sent, lock: Lock, record: RecordClient, waiting: Waiting, *, anew: bool = False
) -> Looked | ReadFailure:
    """Look at the answers for the trial of one answer.

    Args:
        answer: the own one.
        lock: as it was read before; what it names and the search does not bring is read by its address.
        record: the client.
        waiting: how time passes between attempts.
        anew: whether the own one counts as yet to be written where it no longer stands.
    """
    found = await answers_in_record(answer.trial, answer.identity, record=record, waiting=waiting)
    if isinstance(found, ReadFailure):
        return found
    for reference in unseen(lock.entries, found.identities):
        failure = await _not_of_trial(reference, answer, record, waiting)
        if failure is not None:
            return failure
    own = next((one for one in found.answers if one.identity == answer.identity), None)
    others = tuple(one for one in found.answers if one is not own)
    mine = _candidate(own) if own is not None and (own.stands or not anew) else answer.candidate
    theirs = [_candidate(one) for one in others]
    doubtful = doubtful_inputs(mine, theirs)
    changed: set[str] = set()
    if doubtful:
        entries = await read_by_id(sorted(doubtful), record=record, budget=Budget(), waiting=waiting)
        if isinstance(entries, ReadFailure):
            return entries
        try:
            inputs = {one.reference: one for one in map(stored_of, entries)}
        except NotFhir:
            return ReadFailure("an input in the record is not in the shape of FHIR", 200)
        changed = {one for one in doubtful if _is_changed(one, inputs.get(one), theirs, mine)}
    return Looked(own, others, standing_of(mine, theirs, changed), found.identities)


async def _not_of_trial(reference: str, answer: Sent, record: RecordClient, waiting: Waiting) -> ReadFailure | None:
    """Make sure that an answer which the search did not bring is of another trial; BEHIND where it is of this one."""
    entry = await read_one(reference, record=record, budget=Budget(), waiting=waiting)
    if isinstance(entry, ReadFailure):
        return None if entry.status in (404, 410) else entry
    try:
        stored = stored_of(entry)
    except NotFhir:
        return ReadFailure("a result of ours in the record is not in the shape of FHIR", 200)
    return BEHIND if is_of_trial(stored, answer.trial) and stored.status not in GONE else None


def _is_changed(reference: str, now: Stored | None, theirs: Iterable[Candidate], mine: Candidate) -> bool:
    used = {one.inputs[reference] for one in (*theirs, mine) if reference in one.inputs}
    return now is None or now.status in GONE or now.version not in used


def _candidate(one: Earlier) -> Candidate:
    return Candidate(
        one.identity, one.inputs, second_of(one.closing.period[1]), second_of(one.closing.written), one.signed
    )
