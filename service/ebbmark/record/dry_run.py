"""What recording an answer would do to the record, looked at beforehand without writing (a dry run)."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.writing.superseding import superseded_by
from ebbmark.record.client import RecordClient
from ebbmark.record.search import ReadFailure
from ebbmark.record.stored_results import GONE
from ebbmark.record.trial_answers import NO_LOCK, look, outgoing_answer

__all__ = ["DryRun", "foreseen"]

Json = dict[str, object]


@dataclass(frozen=True, slots=True)
class DryRun:
    """What recording would do.

    Attributes:
        stands: whether the answer stands in the record already, so that recording adds nothing but what is missing.
        written: whether recording would write it, or find it there; false where it would be refused.
        marked: references of results of earlier answers that would be marked superseded.
        beside: whether an answer for the same trial that a clinician has signed stays beside it.
        may_be_current_again: whether the record holds it marked superseded, and it may stand again if it is meant.
        sentence: all of this for a person; empty where the record holds no answer for the trial.
    """

    stands: bool
    written: bool
    marked: tuple[str, ...]
    beside: bool
    may_be_current_again: bool
    sentence: str


async def foreseen(transaction: Json, *, record: RecordClient) -> DryRun | ReadFailure:
    """Look at the record, and write nothing.

    Args:
        transaction: what `fhir.write.as_transaction` made.
        record: the client.

    Returns:
        What would be done; where the record could not be looked at, why: nothing would be written either then.
    """
    answer = outgoing_answer(transaction, record.settings.takes)
    seen = await look(answer, NO_LOCK, record, anew=True)
    if isinstance(seen, ReadFailure):
        return seen
    own, others, standing = seen.own, seen.others, seen.standing
    stands = own is not None and own.stands
    held_back = own is not None and not own.stands
    again = own is not None and held_back and standing.newer is None and bool(superseded_by(own.closing.resource))
    written = standing.newer is None and not held_back
    older = [one for one in others if one.identity in standing.older] if written or again else []
    marked = tuple(result.reference for one in older for result in one.results if result.status not in GONE)
    sentences = []
    if standing.newer is not None:
        sentences.append(f"A newer answer for the same trial ({standing.newer[:12]}…) stands in the record.")
    if held_back:
        sentences.append("The record holds this answer already, and it is not current there.")
    elif stands:
        sentences.append("This answer is in the record already.")
    if again:
        sentences.append("It may be made current again.")
    if marked:
        answers = "an earlier answer" if len(older) == 1 else f"{len(older)} earlier answers"
        sentences.append(f"{len(marked)} results of {answers} for the same trial would be marked superseded.")
    if standing.beside:
        sentences.append("An answer for the same trial that a clinician has signed would stay beside it.")
    return DryRun(stands, written, marked, bool(standing.beside), again, " ".join(sentences))
