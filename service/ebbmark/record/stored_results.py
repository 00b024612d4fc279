"""Results of ours as they stand in the record, and the answers that they make up.

Same trial: same patient, and the limbs' periods overlap. A patient has one ventilator setting at a time, so that two
decremental limbs at one time are one limb, whichever of its readings were amended, added or taken back since. Each
answer is found by its closing pressure (its `effectivePeriod` is the limb's), and all of it by its own Provenances.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TypeVar

import msgspec

from ebbmark.fhir.model import Identifier, Period
from ebbmark.fhir.naming import ANSWER_PROVENANCES, CODE_SYSTEM, PROVENANCE, RESULT_SYSTEM, tail_of
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.fhir.writing.transaction import Embedded, embedded_in
from ebbmark.record.client import RecordClient
from ebbmark.record.embedded_resources import Meta, beside_in_record, failure_of, names_of, provenances_in_record
from ebbmark.record.search import Budget, Found, FoundEntry, ReadFailure, Reference, any_of, read_one, search


class Entity(msgspec.Struct):
    """FHIR Provenance.entity."""

    what: Reference = msgspec.field(default_factory=Reference)


T = TypeVar("T")
Json = dict[str, object]

_PORTION = 40
_EXACT = msgspec.json.Decoder(Json, float_hook=Decimal)


class _Result(msgspec.Struct):
    meta: Meta = msgspec.field(default_factory=Meta)
    identifier: list[Identifier] = []
    status: str = ""
    subject: Reference = msgspec.field(default_factory=Reference)
    effectivePeriod: Period = msgspec.field(default_factory=Period)
    note: list[Json] = []


class Agent(msgspec.Struct):
    """FHIR Provenance.agent."""

    who: Reference = msgspec.field(default_factory=Reference)


class ProvenanceView(msgspec.Struct):
    """The parts of a Provenance that are read."""

    meta: Meta = msgspec.field(default_factory=Meta)
    target: list[Reference] = []
    entity: list[Entity] = []
    agent: list[Agent] = []


@dataclass(frozen=True, slots=True)
class Stored:
    """One resource as it stands in the record.

    Attributes:
        reference: `Type/id`.
        version: `meta.versionId`.
        status: its status; empty where it has none.
        identity: the answer of ours that it belongs to; empty for anything else.
        kind: which of its results it is, for example `closing-pressure`.
        written: when it was last changed, as the record says [FHIR instant].
        period: first and last moment that it holds for, as FHIR instants; empty texts where it has no period.
        subject: `Patient/1`.
        resource: all of it; numbers keep the digits that they have in the record.
    """

    reference: str
    version: str
    status: str
    identity: str
    kind: str
    written: str
    period: tuple[str, str]
    subject: str
    resource: Json


class NotFhir(Exception):
    """A resource of ours that is not in the shape of FHIR."""


def is_list(stored: Stored) -> bool:
    """Whether it is a List, with entries that can be read.

    Raises:
        NotFhir: it is one, and they cannot.
    """
    return stored.reference.startswith("List/") and entries_in(stored) is not None


def entries_in(stored: Stored) -> list[Json]:
    """The entries of a List.

    Raises:
        NotFhir: they are no list of objects.
    """
    listed = stored.resource.get("entry", [])
    if not isinstance(listed, list) or not all(isinstance(entry, dict) for entry in listed):
        raise NotFhir
    return listed


async def read_by_id(
    references: Iterable[str], *, record: RecordClient, budget: Budget
) -> list[FoundEntry] | ReadFailure:
    """Read resources, many at once; those that are not there are left out.

    Args:
        references: `Type/id`.
        budget: what may be read; is counted down.
    """
    by_kind: dict[str, list[str]] = {}
    for reference in dict.fromkeys(references):
        kind, _, identity = reference.partition("/")
        by_kind.setdefault(kind, []).append(identity)
    entries: list[FoundEntry] = []
    for kind, identities in sorted(by_kind.items()):
        for first in range(0, len(identities), _PORTION):
            portion = identities[first : first + _PORTION]
            query = [("_id", any_of(portion)), ("_count", str(_PORTION))]
            found = await search(record, kind, query, budget=budget)
            if not isinstance(found, Found):
                return failure_of(found)
            entries += [one for one in found.entries if one.head.resource_type == kind and one.head.id in portion]
    return entries


def versions_of(references: Iterable[str]) -> dict[str, str]:
    """Version by `Type/id` of each reference that names one."""
    parts = (reference.partition("/_history/") for reference in references)
    return {tail_of(plain): version for plain, _, version in parts if version}


def _read(entry: FoundEntry, shape: type[T]) -> T:
    try:
        return msgspec.json.decode(entry.resource, type=shape)
    except msgspec.DecodeError as error:
        raise NotFhir from error


def provenance_of(entry: FoundEntry) -> ProvenanceView:
    """Read a Provenance.

    Raises:
        NotFhir: it has another shape.
    """
    return _read(entry, ProvenanceView)


def stored_of(entry: FoundEntry) -> Stored:
    """Read a result.

    Raises:
        NotFhir: it has another shape.
    """
    head, result = entry.head, _read(entry, _Result)
    value = next((one.value for one in result.identifier if one.system == RESULT_SYSTEM), "")
    identity, _, kind = value.partition(":")
    return Stored(
        reference=f"{head.resource_type}/{head.id}",
        version=head.meta.version_id,
        status=result.status,
        identity=identity,
        kind=kind,
        written=result.meta.lastUpdated,
        period=(result.effectivePeriod.start, result.effectivePeriod.end),
        subject=tail_of(result.subject.reference),
        resource=_EXACT.decode(entry.resource),
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
    def signed(self) -> bool:
        """Whether a clinician has made any of it final."""
        return any(one.status in _SIGNED for one in self.results)


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
        return self.taken_back | {one.identity for one in self.answers}


async def answers_in_record(trial: TrialOfRecord, own: str, *, record: RecordClient) -> OfTrial | ReadFailure:
    """Find our answers for this trial.

    Args:
        own: identity of the answer that is to be written.
    """
    budget = Budget(requests=MOST_REQUESTS)
    query = [
        ("patient", trial.patient),
        ("code", any_of([f"{CODE_SYSTEM}|{one}" for one in (_CLOSING, _CURVE)])),
        ("date", f"ge{trial.start}"),
        ("date", f"le{trial.end}"),
        ("_count", "50"),
    ]
    found = await search(record, "Observation", query, budget=budget)
    if not isinstance(found, Found):
        return failure_of(found)
    try:
        results = [stored_of(one) for one in found.entries if one.head.resource_type == "Observation"]
        # Some records ignore search parameters: what came back is looked at again.
        every = [one for one in results if is_of_trial(one, trial)]
        curves = [one for one in results if one.kind == _CURVE and _is_at(one, trial)]
        standing = {one.identity for one in every if one.status not in GONE}
        # A closing pressure that was taken back must not hide what else stands of its answer.
        half = {one.identity for one in curves if one.status not in GONE} - standing
        closings = [one for one in every if one.status not in GONE or one.identity in {own, *half}]
        answers = await _whole(closings, curves, own, record, budget) if closings else ()
    except NotFhir:
        return ReadFailure("a result of ours in the record is not in the shape of FHIR", 200)
    if isinstance(answers, ReadFailure):
        return answers
    return OfTrial(
        tuple(one for one in answers if one.stands or one.identity == own),
        frozenset(one.identity for one in every if one.status in GONE and one.identity != own),
        tuple(
            replace(one, results=tuple(each for each in one.results if _is_current(each)))
            for one in answers
            if not one.stands and one.identity != own and not one.signed
        ),
    )


def _is_current(stored: Stored) -> bool:
    return stored.status not in GONE and not superseded_by(stored.resource)


async def _not_found(
    targets: Iterable[str], entries: Iterable[FoundEntry], record: RecordClient, budget: Budget
) -> list[FoundEntry] | ReadFailure:
    """What a search left out of the results of an earlier answer, read by its address; without what was deleted.

    Args:
        targets: `Type/id`, as the Provenances name them.
        budget: what may be read; is counted down.
    """
    there = {f"{one.head.resource_type}/{one.head.id}" for one in entries}
    more: list[FoundEntry] = []
    for reference in targets:
        if reference in there:
            continue
        found = await read_one(reference, record=record, budget=budget)
        if isinstance(found, FoundEntry):
            more.append(found)
        elif found.status != _GONE_STATUS:
            return ReadFailure(
                f"{reference}, which the Provenance of an earlier answer names as a result, is not found in the "
                f"record ({found.sentence})",
                found.status,
            )
    return more


async def _whole(
    closings: list[Stored], curves: list[Stored], own: str, record: RecordClient, budget: Budget
) -> tuple[Earlier, ...] | ReadFailure:
    """The answers with all their results; where a Provenance is gone, what clinicians look at first."""
    tags = {f"{one.identity}:{kind}": (one.identity, kind) for one in closings for kind in ANSWER_PROVENANCES}
    found = await provenances_in_record(tags, record=record, budget=budget)
    if isinstance(found, ReadFailure):
        return found
    provenances: dict[tuple[str, str], list[ProvenanceView]] = {}
    places: dict[str, dict[str, str]] = {one.identity: {} for one in closings}
    for entry in found:
        if entry.head.resource_type == "Provenance":
            view = provenance_of(entry)
            for tag in view.meta.tag:
                if tag.code in tags:
                    provenances.setdefault(tags[tag.code], []).append(view)
                    places[tags[tag.code][0]][tag.code] = (
                        f"Provenance/{entry.head.id}/_history/{entry.head.meta.version_id}"
                    )
    targets = {tail_of(one.reference): None for views in provenances.values() for view in views for one in view.target}
    carried = {one.identity: embedded_in(one.resource) for one in closings}
    entries = await read_by_id([one for one in targets if "/" in one], record=record, budget=budget)
    if isinstance(entries, ReadFailure):
        return entries
    # What is missing of the own answer is written again.
    of_others = [view for (identity, _), views in provenances.items() if identity != own for view in views]
    named = dict.fromkeys(tail_of(one.reference) for view in of_others for one in view.target)
    unfound = await _not_found([one for one in named if "/" in one], entries, record, budget)
    if isinstance(unfound, ReadFailure):
        return unfound
    entries += unfound
    without = [one for one in carried if (one, PROVENANCE) not in provenances and carried[one].entries]
    beside = await beside_in_record([carried[one] for one in without], record=record, budget=budget)
    if isinstance(beside, ReadFailure):
        return beside
    entries += beside
    for identity in without:
        provenances[identity, PROVENANCE] = [
            msgspec.convert(one, ProvenanceView)
            for _, one in carried[identity].entries
            if f"{identity}:{PROVENANCE}" in names_of(one)
        ]
    for one in closings:
        here = f"{one.reference}/_history/{one.version}"
        places[one.identity].update(
            {name: here for _, part in carried[one.identity].entries for name in names_of(part)}
        )
    bare = [one.identity for one in closings if (one.identity, PROVENANCE) not in provenances]
    if bare:
        query = [("identifier", any_of([f"{RESULT_SYSTEM}|{identity}:suggested-peep" for identity in bare]))]
        suggestions = await search(record, "Observation", query, budget=budget)
        if not isinstance(suggestions, Found):
            return failure_of(suggestions)
        entries += suggestions.entries
    results: dict[str, dict[str, Stored]] = {}
    for one in closings:
        results.setdefault(one.identity, {})[one.reference] = one
    for result in (*curves, *map(stored_of, entries)):
        if result.identity in results:
            results[result.identity].setdefault(result.reference, result)
    return tuple(
        _answer(
            [one for one in closings if one.identity == identity],
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
