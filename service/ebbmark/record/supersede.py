"""Write an answer so that the record never shows two current ones for one trial.

Nothing is kept here between two requests: the record itself says what stands. Before writing, our earlier answers for
the same trial are looked for (`earlier`), and it is judged which of them the new one takes the place of (`standing`).
Their results are marked (`fhir.superseding`) in the very transaction that creates the new ones, each with `ifMatch` on
the version that was seen: where anyone changed one of them meanwhile, the whole transaction fails and is planned anew
from a fresh look. After writing, it is looked once more: of two writers who both found nothing before, at least the
later one sees the other then. A record in which earlier answers cannot be looked for is not written to.

Kept logical ids with new versions (a conditional update) were considered and not taken: a late repeat of an old request
would put the old numbers over the new ones, and over what a clinician has signed.

Source: FHIR R4 http.html#concurrency, #transaction, #ccreate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from ebbmark.fhir.superseding import superseded, superseded_by, supersession
from ebbmark.record.client import RecordClient
from ebbmark.record.earlier import Earlier, answers_in_record
from ebbmark.record.outcome import WriteOutcome, WriteState
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget
from ebbmark.record.sent import Sent, second_of, sent_of
from ebbmark.record.standing import Candidate, Standing, doubtful_inputs, standing_of
from ebbmark.record.stored import NotFhir, Stored, read_by_id, stored_of
from ebbmark.record.write_back import write_back

__all__ = ["write_current"]

MOST_ROUNDS = 5
"""Looks at the record for one write, the last one after it."""

_CONFLICTS = frozenset({409, 412})
_GONE = frozenset({"cancelled", "entered-in-error"})
Json = dict[str, object]


async def write_current(transaction: Json, *, record: RecordClient, waiting: Waiting) -> WriteOutcome:
    """Write one answer, and mark those that it takes the place of.

    Args:
        transaction: what `fhir.write.as_transaction` made.
        record: the client.
        waiting: how time passes between attempts.

    Returns:
        The outcome; SUPERSEDED where a newer answer for the same trial stands in the record.
    """
    answer = sent_of(transaction)
    outcome: WriteOutcome | None = None
    settled: WriteOutcome | None = None
    for _ in range(MOST_ROUNDS):
        seen = await _look(answer, record, waiting)
        if isinstance(seen, ReadFailure):
            return _not_looked(seen, settled or outcome)
        own, others, standing = seen
        if own is not None and not own.stands:
            return _taken_back(own)
        if standing.newer is not None:
            return await _withdrawn(answer, own, standing.newer, record, waiting)
        older = [one for one in others if one.identity in standing.older]
        if settled is not None and not older:
            return _with_words(settled, standing)
        planned = _with_marks(answer, older, record.settings.base_url)
        outcome = await write_back(planned, record=record, sleep=waiting.sleep, now=waiting.now)
        if outcome.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE):
            outcome = _with_marked(outcome, older)
            if not outcome.created:
                return _with_words(outcome, standing)
            settled = outcome if settled is None else replace(outcome, created=settled.created + outcome.created)
        elif outcome.http_status not in _CONFLICTS:
            return outcome if settled is None else _half_marked(settled, outcome)
    return settled or outcome or _not_looked(ReadFailure("no attempt was made", None), None)


async def _look(
    answer: Sent, record: RecordClient, waiting: Waiting
) -> tuple[Earlier | None, list[Earlier], Standing] | ReadFailure:
    """The own answer as it stands in the record, the others, and how they stand to each other."""
    found = await answers_in_record(answer.trial, answer.identity, record=record, waiting=waiting)
    if isinstance(found, ReadFailure):
        return found
    own = next((one for one in found if one.identity == answer.identity), None)
    others = [one for one in found if one is not own]
    mine = _candidate(own) if own is not None else answer.candidate
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


async def _withdrawn(
    answer: Sent, own: Earlier | None, newer: str, record: RecordClient, waiting: Waiting
) -> WriteOutcome:
    """A newer answer stands: write nothing, and take back what this one has in the record."""
    if own is None:
        return _superseded(newer, written=False)
    entries = _marks(own, newer, answer, record.settings.base_url)
    bundle: Json = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    outcome = await write_back(bundle, record=record, sleep=waiting.sleep, now=waiting.now)
    # A conflict means that the writer of the newer one was there first.
    if outcome.state is WriteState.WRITTEN or outcome.http_status in _CONFLICTS:
        return _superseded(newer, written=True)
    return replace(outcome, sentence=f"A newer answer for the same trial stands in the record. {outcome.sentence}")


def _with_marks(answer: Sent, older: Sequence[Earlier], base_url: str) -> Json:
    entries = [*answer.entries]
    for one in older:
        entries += _marks(one, answer.identity, answer, base_url)
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def _marks(old: Earlier, by: str, answer: Sent, base_url: str) -> list[Json]:
    """Entries that mark every result of an answer, and say so in a Provenance of its own."""
    standing = [one for one in old.results if one.status not in _GONE and not superseded_by(one.resource)]
    entries: list[Json] = [
        {
            "fullUrl": f"{base_url.rstrip('/')}/{one.reference}",
            "resource": superseded(one.resource, by),
            "request": {"method": "PUT", "url": one.reference, "ifMatch": f'W/"{one.version}"'},
        }
        for one in standing
    ]
    provenance, (system, code) = supersession(
        [one.reference for one in standing],
        old=old.identity,
        new=by,
        engine_version=answer.engine_version,
        recorded=answer.recorded,
    )
    request: Json = {"method": "POST", "url": "Provenance", "ifNoneExist": f"_tag={system}|{code}"}
    return [*entries, {"resource": provenance, "request": request}]


def _candidate(one: Earlier) -> Candidate:
    return Candidate(
        one.identity, one.inputs, second_of(one.closing.period[1]), second_of(one.closing.written), one.signed
    )


def _with_marked(outcome: WriteOutcome, older: Sequence[Earlier]) -> WriteOutcome:
    if not older:
        return outcome
    count = sum(len(one.results) for one in older)
    answers = "an earlier answer" if len(older) == 1 else f"{len(older)} earlier answers"
    return replace(
        outcome, sentence=f"{outcome.sentence} {count} results of {answers} for the same trial were marked superseded."
    )


def _with_words(outcome: WriteOutcome, standing: Standing) -> WriteOutcome:
    if not standing.beside:
        return outcome
    sentence = (
        f"{outcome.sentence} An answer for the same trial that a clinician has signed stands beside it; it was not "
        "changed."
    )
    return replace(outcome, sentence=sentence)


def _half_marked(settled: WriteOutcome, failed: WriteOutcome) -> WriteOutcome:
    sentence = (
        f"{settled.sentence} Another answer for the same trial was written at the same moment, and marking the older "
        f"one did not succeed: {failed.sentence} Writing the same again will try it anew."
    )
    return replace(settled, sentence=sentence)


def _not_looked(failure: ReadFailure, written: WriteOutcome | None) -> WriteOutcome:
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


def _taken_back(own: Earlier) -> WriteOutcome:
    """What was superseded, or taken back by someone, stays so: a late repeat must not bring it to life again."""
    newer = superseded_by(own.closing.resource)
    if newer:
        return _superseded(newer, written=False)
    sentence = f"This answer is in the record already, with status {own.closing.status}; nothing was written."
    return WriteOutcome(WriteState.SUPERSEDED, 0, sentence)


def _superseded(newer: str, *, written: bool) -> WriteOutcome:
    done = "what this one had written was marked superseded" if written else "nothing was written"
    sentence = f"A newer answer for the same trial ({newer[:12]}…) stands in the record; {done}."
    return WriteOutcome(WriteState.SUPERSEDED, 0, sentence)
