"""Which answers for the same trial does the record hold already, and what do they rest on?

Same trial: same patient, and the limbs' periods overlap. A patient has one ventilator setting at a time, so that two
decremental limbs at one time are one limb, whichever of its readings were amended, added or taken back since. Each
answer is found by its closing pressure (its `effectivePeriod` is the limb's), and all of it by its own Provenances.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from ebbmark.fhir.codesystem import CODE_SYSTEM
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.references import tail_of
from ebbmark.fhir.writing.frame import RESULT_SYSTEM
from ebbmark.fhir.writing.provenance import PROVENANCE
from ebbmark.fhir.writing.report import ANSWER_PROVENANCES
from ebbmark.record.client import RecordClient
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, FoundEntry, any_of, search
from ebbmark.record.stored import (
    NotFhir,
    ProvenanceView,
    Stored,
    failure_of,
    provenance_of,
    read_by_id,
    stored_of,
    versions_of,
)

__all__ = ["GONE", "Earlier", "OfTrial", "TrialOfRecord", "answers_in_record", "is_of_trial"]

MOST_REQUESTS = 200
"""Pages of one look; a few where one earlier answer stands, more where many wrote at once. Our choice."""

GONE = frozenset({"cancelled", "entered-in-error"})
"""Status of a result that no longer stands."""

_SIGNED = frozenset({"final", "amended", "corrected", "appended"})
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
        closing: its closing pressure; of several copies one that stands.
        results: all of its results that the record gave, of every copy, the closing pressure among them.
        inputs: version by reference of each input that it rests on.
        copies: how often the record holds it: more than once where a client wrote it that cannot express a condition.
        places: where each part of it is, `Type/id/_history/version` by the value of its identifier or tag.
        device: reference of the Device that its Provenance names; empty where it names none.
    """

    identity: str
    closing: Stored
    results: tuple[Stored, ...]
    inputs: dict[str, str]
    copies: int = 1
    places: Mapping[str, str] = field(default_factory=dict)
    device: str = ""

    @property
    def stands(self) -> bool:
        """Whether a clinician would take it for current."""
        return self.closing.status not in GONE

    @property
    def signed(self) -> bool:
        """Whether a clinician has made any of it final."""
        return any(one.status in _SIGNED for one in self.results)


@dataclass(frozen=True, slots=True)
class OfTrial:
    """Our answers for one trial.

    Attributes:
        answers: all that stand, and the own one whether it stands or not.
        taken_back: identities of those that do not stand.
    """

    answers: tuple[Earlier, ...]
    taken_back: frozenset[str]

    @property
    def identities(self) -> frozenset[str]:
        """Of all of them."""
        return self.taken_back | {one.identity for one in self.answers}


async def answers_in_record(
    trial: TrialOfRecord, own: str, *, record: RecordClient, waiting: Waiting
) -> OfTrial | ReadFailure:
    """Find our answers for this trial.

    Args:
        trial: which trial.
        own: identity of the answer that is to be written.
        record: the client.
        waiting: how time passes between attempts.
    """
    budget = Budget(requests=MOST_REQUESTS)
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
    try:
        every = _of_trial(found.entries, trial)
        closings = [one for one in every if one.status not in GONE or one.identity == own]
        answers = await _whole(closings, record, budget, waiting) if closings else ()
    except NotFhir:
        return ReadFailure("a result of ours in the record is not in the shape of FHIR", 200)
    if isinstance(answers, ReadFailure):
        return answers
    return OfTrial(answers, frozenset(one.identity for one in every if one.status in GONE and one.identity != own))


async def _whole(
    closings: list[Stored], record: RecordClient, budget: Budget, waiting: Waiting
) -> tuple[Earlier, ...] | ReadFailure:
    """The answers with all their results; where a Provenance is gone, what clinicians look at first."""
    tags = {f"{one.identity}:{kind}": (one.identity, kind) for one in closings for kind in ANSWER_PROVENANCES}
    query = [("_tag", any_of([f"{RESULT_SYSTEM}|{tag}" for tag in tags]))]
    found = await search(record, "Provenance", query, budget=budget, waiting=waiting)
    if not isinstance(found, Found):
        return failure_of(found)
    provenances: dict[tuple[str, str], list[ProvenanceView]] = {}
    places: dict[str, dict[str, str]] = {one.identity: {} for one in closings}
    for entry in found.entries:
        if entry.head.resource_type == "Provenance":
            view = provenance_of(entry)
            for tag in view.meta.tag:
                if tag.code in tags:
                    provenances.setdefault(tags[tag.code], []).append(view)
                    places[tags[tag.code][0]][tag.code] = (
                        f"Provenance/{entry.head.id}/_history/{entry.head.meta.version_id}"
                    )
    targets = {tail_of(one.reference): None for views in provenances.values() for view in views for one in view.target}
    entries = await read_by_id(list(targets), record=record, budget=budget, waiting=waiting)
    if isinstance(entries, ReadFailure):
        return entries
    bare = [one.identity for one in closings if (one.identity, PROVENANCE) not in provenances]
    if bare:
        query = [("identifier", any_of([f"{RESULT_SYSTEM}|{identity}:suggested-peep" for identity in bare]))]
        suggestions = await search(record, "Observation", query, budget=budget, waiting=waiting)
        if not isinstance(suggestions, Found):
            return failure_of(suggestions)
        entries += suggestions.entries
    results: dict[str, dict[str, Stored]] = {}
    for one in closings:
        results.setdefault(one.identity, {})[one.reference] = one
    for result in map(stored_of, entries):
        if result.identity in results:
            results[result.identity].setdefault(result.reference, result)
    return tuple(
        _answer(
            [one for one in closings if one.identity == identity],
            tuple(stored.values()),
            provenances.get((identity, PROVENANCE), []),
            places[identity],
        )
        for identity, stored in results.items()
    )


def _answer(
    closings: list[Stored], results: tuple[Stored, ...], provenances: list[ProvenanceView], places: Mapping[str, str]
) -> Earlier:
    """One answer with every copy of it, so that what is done to it is done to all of them at once."""
    closing = next((one for one in closings if one.status not in GONE), closings[0])
    first = provenances[0] if provenances else ProvenanceView()
    return Earlier(
        closing.identity,
        closing,
        results,
        versions_of(entity.what.reference for entity in first.entity),
        len(closings),
        {**places, **{f"{one.identity}:{one.kind}": f"{one.reference}/_history/{one.version}" for one in results}},
        next((tail_of(one.who.reference) for one in first.agent if "Device/" in one.who.reference), ""),
    )


def _of_trial(entries: Iterable[FoundEntry], trial: TrialOfRecord) -> list[Stored]:
    """Our closing pressures of this patient whose period overlaps the limb, whatever the record was able to filter."""
    observations = [stored_of(one) for one in entries if one.head.resource_type == "Observation"]
    return [one for one in observations if is_of_trial(one, trial)]


def is_of_trial(stored: Stored, trial: TrialOfRecord) -> bool:
    """Whether this is a closing pressure of ours for this trial."""
    starts_before_end = _at(stored.period[0]) <= _at(trial.end)
    ends_after_start = _at(trial.start) <= _at(stored.period[1])
    return stored.subject == trial.patient and stored.kind == _CLOSING and starts_before_end and ends_after_start


def _at(text: str) -> float:
    found = seconds(text)
    return found if isinstance(found, float) else float("nan")
