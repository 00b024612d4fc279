"""Our answers for one trial as they stand in the record, and which of two of them stands.

Same trial: same patient, and the limbs' periods overlap. A patient has one ventilator setting at a time, so that two
decremental limbs at one time are one limb, whichever of its readings were amended, added or taken back since. Each
answer is found by its closing pressure (its `effectivePeriod` is the limb's), and all of it by its own Provenances.

Which of two answers stands (rules of ours):

1. The one that rests on newer versions of their shared inputs. Only versions that are whole numbers are compared; FHIR
   leaves their form open, and others say nothing about order.
2. Else the one whose limb goes on longer, where it rests on all the other's inputs and more, and none of these more
   was taken back or changed since.
3. Else the one that rests on a newer version of the Patient: most changes of it say nothing about the trial.
4. Else the one that was written later, by the record's own clock; one that is yet to be written is the latest.

An answer of which a clinician has signed any part is never marked by rule 4: it stays, beside the new one, and the
outcome says so.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

import msgspec

from ebbmark.fhir.naming import ANSWER_PROVENANCES, CODE_SYSTEM, PROVENANCE, RESULT_SYSTEM, tail_of
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.fhir.writing.transaction import Embedded, embedded_in
from ebbmark.record.client import RecordClient
from ebbmark.record.search import Budget, FoundEntry, ReadFailed, ReadFailure, any_of, failure_as_value, read_one
from ebbmark.record.stored_answers import (
    ProvenanceView,
    Stored,
    beside_in_record,
    found_entries,
    names_of,
    provenances_in_record,
    read_by_id,
    stored_of,
    versions_of,
    view_of,
)

MOST_REQUESTS = 200
"""Pages of one look; a few where one earlier answer stands, more where many wrote at once. Our choice."""

GONE = frozenset({"cancelled", "entered-in-error"})
"""Status of a result that no longer stands."""

_SIGNED = frozenset({"final", "amended", "corrected", "appended"})
_CLOSING, _CURVE = "closing-pressure", "compliance-curve"
_GONE_STATUS = 410


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
        closing: its closing pressure; of several copies one that stands.
        results: all of its results that the record gave, of every copy, the closing pressure among them.
        inputs: version by reference of each input that it rests on.
        copies: how often the record holds it: more than once where a client wrote it that cannot express a condition.
        places: where each part of it is, `Type/id/_history/version` by the value of its identifier or tag; of a part
            that is carried inside another resource, where that one is.
        carried: full URLs of the parts that are carried so.
        device: reference of the Device that its Provenance names; empty where it names none.
    """

    identity: str
    closing: Stored
    results: tuple[Stored, ...]
    inputs: dict[str, str]
    copies: int = 1
    places: Mapping[str, str] = field(default_factory=dict)
    device: str = ""
    carried: frozenset[str] = frozenset()

    @property
    def stands(self) -> bool:
        """Whether a clinician would take it for current."""
        return self.closing.status not in GONE

    @property
    def current(self) -> tuple[Stored, ...]:
        """Its results that stand and are not marked superseded."""
        return tuple(
            result for result in self.results if result.status not in GONE and not superseded_by(result.resource)
        )

    @property
    def signed(self) -> bool:
        """Whether a clinician has made any of it final."""
        return any(result.status in _SIGNED for result in self.results)


@dataclass(frozen=True, slots=True)
class OfTrial:
    """Our answers for one trial.

    Attributes:
        answers: all that stand, and the own one whether it stands or not.
        taken_back: identities of those that do not stand.
        half: those of them of which other results stand still and none is signed, with these results alone.
    """

    answers: tuple[Earlier, ...]
    taken_back: frozenset[str]
    half: tuple[Earlier, ...] = ()

    @property
    def identities(self) -> frozenset[str]:
        """Of all of them."""
        return self.taken_back | {answer.identity for answer in self.answers}


@failure_as_value
async def answers_in_record(trial: TrialOfRecord, own: str, *, record: RecordClient) -> OfTrial:
    """Find our answers for this trial."""
    budget = Budget(requests=MOST_REQUESTS)
    query = [
        ("patient", trial.patient),
        ("code", any_of([f"{CODE_SYSTEM}|{one}" for one in (_CLOSING, _CURVE)])),
        ("date", f"ge{trial.start}"),
        ("date", f"le{trial.end}"),
        ("_count", "50"),
    ]
    found = await found_entries(record, "Observation", query, budget=budget)
    results = [stored_of(one) for one in found if one.head.resource_type == "Observation"]
    # Some records ignore search parameters: what came back is looked at again.
    every = [result for result in results if is_of_trial(result, trial)]
    curves = [result for result in results if result.kind == _CURVE and _is_at(result, trial)]
    standing = {one.identity for one in every if one.status not in GONE}
    # A closing pressure that was taken back must not hide what else stands of its answer.
    half = {curve.identity for curve in curves if curve.status not in GONE} - standing
    closings = [one for one in every if one.status not in GONE or one.identity in {own, *half}]
    answers = await _whole(closings, curves, own, record, budget) if closings else ()
    return OfTrial(
        tuple(answer for answer in answers if answer.stands or answer.identity == own),
        frozenset(one.identity for one in every if one.status in GONE and one.identity != own),
        tuple(
            replace(answer, results=answer.current)
            for answer in answers
            if not answer.stands and answer.identity != own and not answer.signed
        ),
    )


async def _not_found(
    targets: Iterable[str], entries: Iterable[FoundEntry], record: RecordClient, budget: Budget
) -> list[FoundEntry]:
    """What a search left out of the results of an earlier answer, read by its address; without what was deleted."""
    there = {f"{entry.head.resource_type}/{entry.head.id}" for entry in entries}
    more: list[FoundEntry] = []
    for reference in targets:
        if reference in there:
            continue
        found = await read_one(reference, record=record, budget=budget)
        if isinstance(found, FoundEntry):
            more.append(found)
        elif found.status != _GONE_STATUS:
            why = (
                f"{reference}, which the Provenance of an earlier answer names as a result, is not found in the "
                f"record ({found.sentence})"
            )
            raise ReadFailed(ReadFailure(why, found.status))
    return more


async def _whole(
    closings: list[Stored], curves: list[Stored], own: str, record: RecordClient, budget: Budget
) -> tuple[Earlier, ...]:
    """The answers with all their results; where a Provenance is gone, what clinicians look at first."""
    tags = {
        f"{closing.identity}:{kind}": (closing.identity, kind) for closing in closings for kind in ANSWER_PROVENANCES
    }
    provenances: dict[tuple[str, str], list[ProvenanceView]] = {}
    places: dict[str, dict[str, str]] = {closing.identity: {} for closing in closings}
    for entry in await provenances_in_record(tags, record=record, budget=budget):
        if entry.head.resource_type == "Provenance":
            view = view_of(entry, ProvenanceView, "a result of ours")
            for tag in view.meta.tag:
                if tag.code in tags:
                    provenances.setdefault(tags[tag.code], []).append(view)
                    places[tags[tag.code][0]][tag.code] = (
                        f"Provenance/{entry.head.id}/_history/{entry.head.meta.version_id}"
                    )
    targets = {tail_of(one.reference): None for views in provenances.values() for view in views for one in view.target}
    carried = {closing.identity: embedded_in(closing.resource) for closing in closings}
    entries = await read_by_id([target for target in targets if "/" in target], record=record, budget=budget)
    # What is missing of the own answer is written again.
    of_others = [view for (identity, _), views in provenances.items() if identity != own for view in views]
    named = dict.fromkeys(tail_of(one.reference) for view in of_others for one in view.target)
    entries += await _not_found([one for one in named if "/" in one], entries, record, budget)
    without = [one for one in carried if (one, PROVENANCE) not in provenances and carried[one].entries]
    entries += await beside_in_record([carried[one] for one in without], record=record, budget=budget)
    for identity in without:
        provenances[identity, PROVENANCE] = [
            msgspec.convert(one, ProvenanceView)
            for _, one in carried[identity].entries
            if f"{identity}:{PROVENANCE}" in names_of(one)
        ]
    for closing in closings:
        places[closing.identity].update(
            {name: closing.place for _, part in carried[closing.identity].entries for name in names_of(part)}
        )
    bare = [closing.identity for closing in closings if (closing.identity, PROVENANCE) not in provenances]
    if bare:
        query = [("identifier", any_of([f"{RESULT_SYSTEM}|{identity}:suggested-peep" for identity in bare]))]
        entries += await found_entries(record, "Observation", query, budget=budget)
    results: dict[str, dict[str, Stored]] = {}
    for closing in closings:
        results.setdefault(closing.identity, {})[closing.reference] = closing
    for result in (*curves, *map(stored_of, entries)):
        if result.identity in results:
            results[result.identity].setdefault(result.reference, result)
    return tuple(
        _answer(
            [closing for closing in closings if closing.identity == identity],
            tuple(stored.values()),
            provenances.get((identity, PROVENANCE), []),
            places[identity],
            carried[identity],
        )
        for identity, stored in results.items()
    )


def _answer(
    closings: list[Stored],
    results: tuple[Stored, ...],
    provenances: list[ProvenanceView],
    places: Mapping[str, str],
    carried: Embedded,
) -> Earlier:
    """One answer with every copy of it, so that what is done to it is done to all of them at once."""
    closing = next((closing for closing in closings if closing.status not in GONE), closings[0])
    first = provenances[0] if provenances else ProvenanceView()
    return Earlier(
        closing.identity,
        closing,
        results,
        versions_of(entity.what.reference for entity in first.entity),
        len(closings),
        {**places, **{f"{result.identity}:{result.kind}": result.place for result in results}},
        next((tail_of(one.who.reference) for one in first.agent if "Device/" in one.who.reference), ""),
        frozenset(url for url, _ in carried.entries),
    )


def is_of_trial(stored: Stored, trial: TrialOfRecord) -> bool:
    """Whether this is a closing pressure of ours for this trial."""
    return stored.kind == _CLOSING and _is_at(stored, trial)


def _is_at(stored: Stored, trial: TrialOfRecord) -> bool:
    """Whether it is of this patient, and its period overlaps the limb."""
    starts_before_end = _at(stored.period[0]) <= _at(trial.end)
    ends_after_start = _at(trial.start) <= _at(stored.period[1])
    return stored.subject == trial.patient and starts_before_end and ends_after_start


def _at(text: str) -> float:
    found = seconds(text)
    return found if isinstance(found, float) else float("nan")


_PATIENT = "Patient/"


@dataclass(frozen=True, slots=True)
class Ranked:
    """One answer, as far as the rules of precedence need it.

    Attributes:
        inputs: version by reference of each input.
        end_s: last moment of its limb [s since 1970-01-01T00:00:00Z].
        written_s: when it was written; None for one that is yet to be written [s since 1970-01-01T00:00:00Z].
    """

    identity: str
    inputs: Mapping[str, str]
    end_s: float
    written_s: float | None
    signed: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an answer stands among the others of its trial.

    Attributes:
        newer: identity of one that takes its place; None where it stands.
        older: identities of those that it takes the place of.
        beside: identities of those that a clinician has signed, and that stay.
    """

    newer: str | None
    older: tuple[str, ...]
    beside: tuple[str, ...]


def standing_of(own: Ranked, others: Collection[Ranked], changed: Collection[str]) -> Standing:
    """Judge one answer against the others.

    Args:
        others: those that stand in the record for the same trial.
        changed: those of `doubtful_inputs` that were taken back or changed since.
    """
    newer: str | None = None
    older, beside = [], []
    for other in others:
        by_inputs = _newer_by_inputs(own, other, changed)
        if by_inputs is other and not own.signed:
            newer = newer or other.identity
        elif other.signed or own.signed:
            beside.append(other.identity)
        elif by_inputs is own or _written_later(own, other) is own:
            older.append(other.identity)
        else:
            newer = newer or other.identity
    return Standing(newer, tuple(older), tuple(beside))


def doubtful_inputs(own: Ranked, others: Collection[Ranked]) -> frozenset[str]:
    """Inputs whose present state decides under rule 2, as `Type/id`."""
    doubtful: set[str] = set()
    for other in others:
        for longer, shorter in ((own, other), (other, own)):
            if _goes_on(longer, shorter):
                doubtful |= _readings(longer).keys() - _readings(shorter).keys()
    return frozenset(doubtful)


def _newer_by_inputs(own: Ranked, other: Ranked, changed: Collection[str]) -> Ranked | None:
    newer = _newer_by_versions(own, other, _readings(own).keys() & _readings(other).keys())
    if newer is not None:
        return newer
    for longer, shorter in ((own, other), (other, own)):
        if _goes_on(longer, shorter):
            more = _readings(longer).keys() - _readings(shorter).keys()
            # What went into the longer one and is no longer so was taken out of the shorter one on purpose.
            return shorter if more & set(changed) else longer
    return _newer_by_versions(own, other, own.inputs.keys() & other.inputs.keys())


def _newer_by_versions(own: Ranked, other: Ranked, shared: Collection[str]) -> Ranked | None:
    ours = any(_is_later(own.inputs[one], other.inputs[one]) for one in shared)
    theirs = any(_is_later(other.inputs[one], own.inputs[one]) for one in shared)
    if ours is theirs:
        return None
    return own if ours else other


def _readings(answer: Ranked) -> Mapping[str, str]:
    return {one: version for one, version in answer.inputs.items() if not one.startswith(_PATIENT)}


def _goes_on(longer: Ranked, shorter: Ranked) -> bool:
    more, less = _readings(longer), _readings(shorter)
    return bool(less) and less.items() < more.items() and longer.end_s > shorter.end_s


def _is_later(version: str, than: str) -> bool:
    return all(one.isascii() and one.isdigit() for one in (version, than)) and int(version) > int(than)


def _written_later(own: Ranked, other: Ranked) -> Ranked:
    mine, theirs = (float("inf") if one.written_s is None else one.written_s for one in (own, other))
    return own if mine >= theirs else other
