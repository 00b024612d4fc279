"""Which answers for the same trial does the record hold already, and what do they rest on?

Same trial: same patient, and the limbs' periods overlap. A patient has one ventilator setting at a time, so that two
decremental limbs at one time are one limb, whichever of its readings were amended, added or taken back since. Each
answer is found by its closing pressure (its `effectivePeriod` is the limb's), and all of it by its own Provenance.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ebbmark.fhir.codesystem import CODE_SYSTEM
from ebbmark.fhir.frame import RESULT_SYSTEM
from ebbmark.fhir.references import tail_of
from ebbmark.fhir.times import seconds
from ebbmark.record.client import RecordClient
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, search
from ebbmark.record.stored import (
    NotFhir,
    Stored,
    failure_of,
    provenance_of,
    read_by_id,
    stored_of,
    versions_of,
)

__all__ = ["Earlier", "TrialOfRecord", "answers_in_record"]

_GONE = frozenset({"cancelled", "entered-in-error"})
_SIGNED = frozenset({"final", "amended", "corrected"})
_CLOSING = "closing-pressure"


@dataclass(frozen=True, slots=True)
class TrialOfRecord:
    """Which trial: `Patient/1`, and first and last moment of the limb as FHIR instants."""

    patient: str
    start: str
    end: str


@dataclass(frozen=True, slots=True)
class Earlier:
    """One answer of ours in the record.

    Attributes:
        identity: of the answer.
        closing: its closing pressure.
        results: all of its results that the record gave, the closing pressure among them.
        inputs: version by reference of each input that it rests on.
    """

    identity: str
    closing: Stored
    results: tuple[Stored, ...]
    inputs: dict[str, str]

    @property
    def stands(self) -> bool:
        """Whether a clinician would take it for current."""
        return self.closing.status not in _GONE

    @property
    def signed(self) -> bool:
        """Whether a clinician has made any of it final."""
        return any(one.status in _SIGNED for one in self.results)


async def answers_in_record(
    trial: TrialOfRecord, own: str, *, record: RecordClient, waiting: Waiting
) -> tuple[Earlier, ...] | ReadFailure:
    """Find our answers for this trial: all that stand, and the own one whether it stands or not.

    Args:
        trial: which trial.
        own: identity of the answer that is to be written.
        record: the client.
        waiting: how time passes between attempts.
    """
    budget = Budget()
    query = [
        ("patient", trial.patient),
        ("code", f"{CODE_SYSTEM}|{_CLOSING}"),
        ("date", f"ge{trial.start}"),
        ("date", f"le{trial.end}"),
        ("_count", "50"),
    ]
    found = await search(record, "Observation", query, budget=budget, waiting=waiting)
    if not isinstance(found, Found):
        return failure_of(found)
    answers = []
    try:
        for closing in _of_trial(found.entries, trial):
            if closing.status in _GONE and closing.identity != own:
                continue
            whole = await _whole(closing, record, budget, waiting)
            if isinstance(whole, ReadFailure):
                return whole
            answers.append(whole)
    except NotFhir:
        return ReadFailure("a result of ours in the record is not in the shape of FHIR", 200)
    return tuple(answers)


async def _whole(closing: Stored, record: RecordClient, budget: Budget, waiting: Waiting) -> Earlier | ReadFailure:
    """The answer with all its results; where its Provenance is gone, what clinicians look at first."""
    tag = f"{closing.identity}:provenance"
    query = [("_tag", f"{RESULT_SYSTEM}|{tag}")]
    found = await search(record, "Provenance", query, budget=budget, waiting=waiting)
    if not isinstance(found, Found):
        return failure_of(found)
    every = [provenance_of(entry) for entry in found.entries if entry.head.resource_type == "Provenance"]
    own = [one for one in every if any(tagged.code == tag for tagged in one.meta.tag)]
    entries: list[FoundEntry] | ReadFailure
    if own:
        targets = [tail_of(one.reference) for one in own[0].target]
        entries = await read_by_id(targets, record=record, budget=budget, waiting=waiting)
    else:
        query = [("identifier", f"{RESULT_SYSTEM}|{closing.identity}:suggested-peep")]
        suggestion = await search(record, "Observation", query, budget=budget, waiting=waiting)
        entries = suggestion.entries if isinstance(suggestion, Found) else failure_of(suggestion)
    if isinstance(entries, ReadFailure):
        return entries
    results = [one for one in map(stored_of, entries) if one.identity == closing.identity]
    return Earlier(
        identity=closing.identity,
        closing=closing,
        results=(closing, *[one for one in results if one.reference != closing.reference]),
        inputs=versions_of(entity.what.reference for entity in own[0].entity) if own else {},
    )


def _of_trial(entries: Iterable[FoundEntry], trial: TrialOfRecord) -> list[Stored]:
    """Our closing pressures of this patient whose period overlaps the limb, whatever the record was able to filter."""
    start_s, end_s = _at(trial.start), _at(trial.end)
    kept = []
    for entry in entries:
        if entry.head.resource_type != "Observation":
            continue
        stored = stored_of(entry)
        overlaps = _at(stored.period[0]) <= end_s and start_s <= _at(stored.period[1])
        if stored.subject == trial.patient and overlaps and stored.kind == _CLOSING:
            kept.append(stored)
    return kept


def _at(text: str) -> float:
    found = seconds(text)
    return found if isinstance(found, float) else float("nan")
