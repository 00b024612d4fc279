"""How is it said what became of one answer among the others of its trial?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ebbmark.fhir.writing.superseding import superseded_by
from ebbmark.record.earlier import Earlier
from ebbmark.record.outcome import WriteOutcome, WriteState, recounted
from ebbmark.record.reading import ReadFailure
from ebbmark.record.sent import Part, Sent
from ebbmark.record.standing import Standing
from ebbmark.record.transaction_reply import EntryResult

__all__ = [
    "held_several_times",
    "not_current",
    "not_looked",
    "of_own_parts",
    "still_unknown",
    "superseded_outcome",
    "with_marked",
    "with_restored",
    "with_words",
    "without_lock",
]


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
        outcome: of the write.
        refused: why there is no lock, as a clause; empty where there is one.
    """
    if not refused or outcome.state not in (WriteState.WRITTEN, WriteState.ALREADY_THERE):
        return outcome
    sentence = (
        f"{outcome.sentence} This record gives no lock on the current answer, since {refused}: of two answers for one "
        "trial that are written at the same moment both may stand until the next one is written."
    )
    return replace(outcome, sentence=sentence)


def of_own_parts(outcome: WriteOutcome, answer: Sent, parts: Sequence[Part], own: Earlier | None) -> WriteOutcome:
    """The outcome told of the answer's own resources, by their places in its transaction.

    Args:
        outcome: of sending, or of having to send nothing.
        answer: the answer.
        parts: those of its resources that were sent first, in order.
        own: the answer as the record held it before.
    """
    created = [replace(one, index=parts[one.index].index) for one in outcome.created if one.index < len(parts)]
    existing = [replace(one, index=parts[one.index].index) for one in outcome.existing if one.index < len(parts)]
    if own is not None:
        places = [(one.index, answer.place_of(one, own)) for one in answer.parts if one not in parts]
        existing += [EntryResult(index, 200, place) for index, place in places if place]
    return recounted(outcome, created, sorted(existing, key=lambda one: one.index))


def still_unknown(last: WriteOutcome, arrived: bool) -> WriteOutcome:
    """Keep the doubt of an earlier round: a refusal of the last attempt says nothing of one that may have arrived.

    Args:
        last: outcome of the last round.
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


def with_restored(outcome: WriteOutcome) -> WriteOutcome:
    """Add that the answer had been marked superseded and is current again; that is a change of the record, too."""
    state = WriteState.WRITTEN if outcome.state is WriteState.ALREADY_THERE else outcome.state
    sentence = f"This answer had been marked superseded and was made current again. {outcome.sentence}"
    return replace(outcome, state=state, sentence=sentence)


def superseded_outcome(newer: str, *, written: bool) -> WriteOutcome:
    """Say that a newer answer stands; `written` where this one had been written and is marked now."""
    done = "what this one had written was marked superseded" if written else "nothing was written"
    sentence = f"A newer answer for the same trial ({newer[:12]}…) stands in the record; {done}."
    return WriteOutcome(WriteState.SUPERSEDED, 0, sentence)
