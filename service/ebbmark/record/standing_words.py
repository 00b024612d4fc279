"""How is it said what became of one answer among the others of its trial?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ebbmark.fhir.writing.superseding import superseded_by
from ebbmark.record.earlier import Earlier
from ebbmark.record.outcome import WriteOutcome, WriteState
from ebbmark.record.reading import ReadFailure
from ebbmark.record.standing import Standing

__all__ = [
    "held_several_times",
    "not_current",
    "not_looked",
    "still_unknown",
    "superseded_outcome",
    "with_marked",
    "with_restored",
    "with_words",
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


def not_looked(failure: ReadFailure, written: WriteOutcome | None) -> WriteOutcome:
    """Say that it could not be seen what stands in the record, before a write (None) or after it."""
    if written is None:
        sentence = (
            "Nothing was written: it could not be seen whether an earlier answer for the same trial stands in the "
            f"record, since {failure.sentence}."
        )
        return WriteOutcome(WriteState.FAILED, 0, sentence, http_status=failure.status)
    sentence = (
        f"{written.sentence} Whether another answer for the same trial was written at the same moment could not be "
        f"seen, since {failure.sentence}."
    )
    return replace(written, sentence=sentence)


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
