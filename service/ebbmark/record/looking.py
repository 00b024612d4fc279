"""How does an answer stand among those that the record holds of its trial, as they are now?"""

from __future__ import annotations

from collections.abc import Iterable

from ebbmark.record.client import RecordClient
from ebbmark.record.earlier import Earlier, answers_in_record
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget
from ebbmark.record.sent import Sent, second_of
from ebbmark.record.standing import Candidate, Standing, doubtful_inputs, standing_of
from ebbmark.record.stored import NotFhir, Stored, read_by_id, stored_of

__all__ = ["look"]

_GONE = frozenset({"cancelled", "entered-in-error"})


async def look(
    answer: Sent, record: RecordClient, waiting: Waiting, *, anew: bool = False
) -> tuple[Earlier | None, list[Earlier], Standing] | ReadFailure:
    """The own answer as it stands in the record, the others, and how they stand to each other.

    Args:
        answer: the own one.
        record: the client.
        waiting: how time passes between attempts.
        anew: whether the own one counts as yet to be written where it no longer stands.
    """
    found = await answers_in_record(answer.trial, answer.identity, record=record, waiting=waiting)
    if isinstance(found, ReadFailure):
        return found
    own = next((one for one in found if one.identity == answer.identity), None)
    others = [one for one in found if one is not own]
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
    return own, others, standing_of(mine, theirs, changed)


def _is_changed(reference: str, now: Stored | None, theirs: Iterable[Candidate], mine: Candidate) -> bool:
    used = {one.inputs[reference] for one in (*theirs, mine) if reference in one.inputs}
    return now is None or now.status in _GONE or now.version not in used


def _candidate(one: Earlier) -> Candidate:
    return Candidate(
        one.identity, one.inputs, second_of(one.closing.period[1]), second_of(one.closing.written), one.signed
    )
