"""The answers for one trial: the one that is written, those that stand, and the List that locks them.

The List is created once, by conditional create, before anything is written under it. Where a record holds more than one
nevertheless, each write changes all of them: of two writers who both created one, whoever searched later saw both, so
that the two share at least one List and one of them fails. This is optimistic locking (FHIR R4 http.html#concurrency).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast
from urllib.parse import quote

import msgspec

from ebbmark.fhir.model import Identifier, Period
from ebbmark.fhir.naming import ACCEPTS_EVERYTHING, PROVENANCE, REQUEST_SYSTEM, AcceptedWrites, tail_of
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.provenance import ENTERER
from ebbmark.fhir.writing.supersession import (
    CURRENT_SYSTEM,
    Change,
    current_list,
    restoration,
    restored,
    superseded,
    superseded_by,
    supersession,
)
from ebbmark.fhir.writing.transaction import referred_by_name, with_embedded, with_more_embedded
from ebbmark.record.client import RecordClient
from ebbmark.record.embedded_resources import Meta, failure_of
from ebbmark.record.precedence import Candidate, Standing, doubtful_inputs, standing_of
from ebbmark.record.search import Budget, Found, ReadFailure, Reference, read_one, search
from ebbmark.record.stored_results import (
    GONE,
    Earlier,
    Entity,
    NotFhir,
    Stored,
    TrialOfRecord,
    answers_in_record,
    entries_in,
    is_list,
    is_of_trial,
    read_by_id,
    stored_of,
    versions_of,
)
from ebbmark.record.write_back import with_references

Json = dict[str, object]


@dataclass(frozen=True, slots=True)
class Part:
    """One resource of the answer: its place in the transaction, the value of its identifier or tag, and its entry."""

    index: int
    key: str
    entry: Json


@dataclass(frozen=True, slots=True)
class OutgoingAnswer:
    """The answer that is to be written.

    Attributes:
        closing: address of the closing pressure within the transaction.
        enterer: FHIR Provenance.agent of the person who chose to record it; None where none did.
        trial: where its trial is found.
        candidate: the answer as the rules of standing see it.
    """

    parts: tuple[Part, ...]
    closing: str
    identity: str
    engine_version: str
    recorded: str
    enterer: Json | None
    accepts: AcceptedWrites
    trial: TrialOfRecord
    candidate: Candidate

    def missing_of(self, own: Earlier | None) -> tuple[Part, ...]:
        """The parts that the record does not hold; a Device only with others, since it is none of the answer."""
        if own is None:
            return self.parts
        missing = tuple(one for one in self.parts if not self.place_of(one, own))
        return missing if any(not _is_device(one) for one in missing) else ()

    def place_of(self, part: Part, own: Earlier) -> str:
        """Where the record holds this part; empty where it does not."""
        return own.device if _is_device(part) else own.places.get(part.key, "")

    def entries_of(self, parts: Sequence[Part], own: Earlier | None) -> list[Json]:
        """The transaction entries of some parts; they refer to the others as the record holds them."""
        if own is None or len(parts) == len(self.parts):
            return [one.entry for one in parts]
        places = {str(one.entry.get("fullUrl", "")): self.place_of(one, own) for one in self.parts if one not in parts}
        named = {
            url: place.partition("/_history/")[0]
            for url, place in places.items()
            if url and place and url not in own.carried
        }
        return [cast("Json", with_references(referred_by_name(one.entry, own.carried), named)) for one in parts]


def _is_device(part: Part) -> bool:
    return cast("Json", part.entry["resource"])["resourceType"] == "Device"


class _Version(msgspec.Struct):
    value: str = ""


class _Resource(msgspec.Struct):
    resourceType: str
    meta: Meta = msgspec.field(default_factory=Meta)
    requestIdentifier: Identifier | None = None
    subject: Reference | None = None
    identifier: list[Identifier] = []
    effectivePeriod: Period | None = None
    entity: list[Entity] = []
    recorded: str = ""
    agent: list[Json] = []
    version: list[_Version] = []


def outgoing_answer(transaction: Json, accepts: AcceptedWrites = ACCEPTS_EVERYTHING) -> OutgoingAnswer:
    """Read the transaction.

    Args:
        transaction: what `fhir.writing.transaction.as_transaction` made.
        accepts: what the record takes; the rest is carried inside that.
    """
    entries = cast("list[Json]", transaction["entry"])
    resources = [msgspec.convert(entry["resource"], _Resource) for entry in entries]
    guidance = next(one for one in resources if one.resourceType == "GuidanceResponse")
    # The report, which may come later, has one of its own.
    provenance = next(one for one in resources if any(tag.code.endswith(f":{PROVENANCE}") for tag in one.meta.tag))
    device = next((one for one in resources if one.resourceType == "Device"), None)
    closing = next(one for one in resources if any(each.value.endswith(":closing-pressure") for each in one.identifier))
    identity = guidance.requestIdentifier.value if guidance.requestIdentifier else ""
    period = closing.effectivePeriod or Period()
    keys = {str(entry.get("fullUrl", "")): _key_of(one) for one, entry in zip(resources, entries, strict=True)}
    sent = cast("list[Json]", with_embedded(transaction, accepts)["entry"])
    return OutgoingAnswer(
        parts=tuple(Part(index, keys[str(entry.get("fullUrl", ""))], entry) for index, entry in enumerate(sent)),
        closing=next(
            str(entry.get("fullUrl", ""))
            for resource, entry in zip(resources, entries, strict=True)
            if resource is closing
        ),
        identity=identity,
        engine_version=device.version[0].value if device else "",
        recorded=provenance.recorded,
        enterer=next((agent for agent in provenance.agent if _enters(agent)), None),
        accepts=accepts,
        trial=TrialOfRecord(guidance.subject.reference if guidance.subject else "", period.start, period.end),
        candidate=Candidate(
            identity,
            versions_of(one.what.reference for one in provenance.entity),
            second_of(period.end),
            None,
            signed=False,
        ),
    )


def _key_of(resource: _Resource) -> str:
    named = [one.value for one in resource.identifier] or [one.code for one in resource.meta.tag]
    return named[0] if named else ""


def _enters(agent: Json) -> bool:
    codings = cast("Json", agent.get("type", {})).get("coding", [])
    return any(coding.get("code") == ENTERER for coding in cast("list[Json]", codings))


def second_of(text: str) -> float:
    """An instant [s since 1970-01-01T00:00:00Z]; 0 where the text is none."""
    found = seconds(text)
    return found if isinstance(found, float) else 0.0


KEEPS_NO_LISTS = frozenset({400, 403, 404, 405, 410, 422, 501})
"""Replies to a search for a List, or to its creation, by which a record says that it keeps none for us."""


@dataclass(frozen=True, slots=True)
class Lock:
    """The Lists of one patient as they were read.

    Attributes:
        lists: usually one; none where it was not created yet.
        refused: why the record keeps none for us, as a clause; empty where it does.
    """

    lists: tuple[Stored, ...]
    refused: str = ""

    @property
    def entries(self) -> list[Json]:
        """What the Lists name, each answer once."""
        named: dict[str, Json] = {}
        for one in self.lists:
            for entry in entries_in(one):
                named.setdefault(identity_of(entry), entry)
        return list(named.values())

    def moved(self, since: Lock) -> bool:
        """Whether a write that named the versions of an earlier look can no longer be carried out."""
        now = {one.reference: one.version for one in self.lists}
        return any(now.get(one.reference, one.version) != one.version for one in since.lists)


async def read_lock(patient: str, *, record: RecordClient) -> Lock | ReadFailure:
    """Search for the Lists of a patient.

    Args:
        patient: `Patient/1`.
    """
    if "List" not in record.settings.accepts.types:
        return Lock((), "no List is written to it (EBBMARK_RECORD_WRITES)")
    query = [("identifier", f"{CURRENT_SYSTEM}|{patient}")]
    found = await search(record, "List", query, budget=Budget(requests=5))
    if not isinstance(found, Found):
        failure = failure_of(found)
        return Lock((), failure.sentence) if failure.status in KEEPS_NO_LISTS else failure
    try:
        lists = [one for one in map(stored_of, found.entries) if is_list(one)]
    except NotFhir:
        return ReadFailure("the List of current answers in the record is not in the shape of FHIR", 200)
    # Some records ignore search parameters: what came back is looked at again.
    return Lock(tuple(sorted((one for one in lists if _is_of(one, patient)), key=lambda one: one.reference)))


def _is_of(stored: Stored, patient: str) -> bool:
    identifiers = stored.resource.get("identifier")
    wanted = {"system": CURRENT_SYSTEM, "value": patient}
    return isinstance(identifiers, list) and any(
        isinstance(one, dict) and wanted.items() <= one.items() for one in identifiers
    )


def new_list(patient: str, recorded: str) -> Json:
    """The transaction entry that creates the List where there is none."""
    request = {
        "method": "POST",
        "url": "List",
        "ifNoneExist": f"identifier={quote(CURRENT_SYSTEM, safe=':/')}|{quote(patient, safe=':/')}",
    }
    return {"resource": current_list(patient, (), after_version="", recorded=recorded), "request": request}


def changed_list(stored: Stored, patient: str, current: Sequence[Json], *, recorded: str, base_url: str) -> Json:
    """The transaction entry that changes a List, if nobody has changed it since it was read."""
    made = current_list(patient, current, after_version=stored.version, recorded=recorded)
    return {
        "fullUrl": f"{base_url.rstrip('/')}/{stored.reference}",
        "resource": {**made, "id": stored.reference.partition("/")[2]},
        "request": {"method": "PUT", "url": stored.reference, "ifMatch": f'W/"{stored.version}"'},
    }


def entry_of(identity: str, closing: str) -> Json:
    """The entry that names one answer, by a reference to its closing pressure."""
    return {"item": {"reference": closing, "identifier": {"system": REQUEST_SYSTEM, "value": identity}}}


def identity_of(entry: Json) -> str:
    """The answer that an entry names; empty where it names none of ours."""
    item = entry.get("item")
    identifier = item.get("identifier") if isinstance(item, dict) else None
    return str(identifier.get("value", "")) if isinstance(identifier, dict) else ""


def unseen(entries: Iterable[Json], seen: Collection[str]) -> list[str]:
    """References of the closing pressures that the List names and a search did not bring."""
    items = [cast("Json", entry["item"]) for entry in entries if identity_of(entry) not in {"", *seen}]
    return [tail_of(str(item.get("reference", ""))) for item in items]


def skipped_a_version(before: Stored, location: str) -> bool:
    """Whether the record changed a List although somebody else had changed it since: it does not honour `ifMatch`."""
    after = location.partition("/_history/")[2]
    return after.isdigit() and before.version.isdigit() and int(after) != int(before.version) + 1


def marks(old: Earlier, by: str, answer: OutgoingAnswer, base_url: str) -> list[Json]:
    """Entries that mark every result of an answer, and say so in a Provenance of its own.

    Args:
        old: the answer that no longer stands.
        by: identity of the one that takes its place.
        answer: the one that is being written.
    """
    standing = [one for one in old.results if one.status not in GONE and not superseded_by(one.resource)]
    told = supersession([one.reference for one in standing], old=old.identity, new=by, change=_change(old, answer))
    changed = [(one, superseded(one.resource, by)) for one in standing]
    return _changes(changed, told, old, answer, base_url)


def current_again(own: Earlier, answer: OutgoingAnswer, base_url: str) -> list[Json]:
    """Entries that take the marks off every result of an answer, and say so in a Provenance of its own.

    Args:
        own: the answer as it stands in the record.
        answer: the same as it is being written.
    """
    marked = [one for one in own.results if superseded_by(one.resource)]
    told = restoration([one.reference for one in marked], identity=own.identity, change=_change(own, answer))
    return _changes([(one, restored(one.resource)) for one in marked], told, own, answer, base_url)


def _changes(
    changed: Sequence[tuple[Stored, Json]],
    told: tuple[Json, tuple[str, str]],
    of: Earlier,
    answer: OutgoingAnswer,
    base_url: str,
) -> list[Json]:
    """The entries that store changed results, and the Provenance over that."""
    if not answer.accepts.carries_changes:
        return [*[_put(one, resource, base_url) for one, resource in changed], _create(*told)]
    carrier = next((one for one, _ in changed if one is of.closing), changed[0][0] if changed else None)
    return [
        _put(one, with_more_embedded(resource, [("", told[0])]) if one is carrier else resource, base_url)
        for one, resource in changed
    ]


def _change(of: Earlier, answer: OutgoingAnswer) -> Change:
    return Change(answer.engine_version, answer.recorded, answer.enterer, of.closing.version)


def _put(one: Stored, resource: Mapping[str, object], base_url: str) -> Json:
    return {
        "fullUrl": f"{base_url.rstrip('/')}/{one.reference}",
        "resource": resource,
        "request": {"method": "PUT", "url": one.reference, "ifMatch": f'W/"{one.version}"'},
    }


def _create(provenance: Json, tag: tuple[str, str]) -> Json:
    system, code = tag
    request: Json = {"method": "POST", "url": "Provenance", "ifNoneExist": f"_tag={system}|{code}"}
    return {"resource": provenance, "request": request}


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
        half: answers whose closing pressure does not stand, with the results that do, and that nobody has signed.
    """

    own: Earlier | None
    others: tuple[Earlier, ...]
    standing: Standing
    identities: frozenset[str]
    half: tuple[Earlier, ...] = ()


async def look(answer: OutgoingAnswer, lock: Lock, record: RecordClient, *, anew: bool = False) -> Looked | ReadFailure:
    """Look at the answers for the trial of one answer.

    Args:
        lock: as it was read before; what it names and the search does not bring is read by its address.
        anew: whether the own one counts as yet to be written where it no longer stands.
    """
    found = await answers_in_record(answer.trial, answer.identity, record=record)
    if isinstance(found, ReadFailure):
        return found
    for reference in unseen(lock.entries, found.identities):
        failure = await _not_of_trial(reference, answer, record)
        if failure is not None:
            return failure
    own = next((one for one in found.answers if one.identity == answer.identity), None)
    others = tuple(one for one in found.answers if one is not own)
    mine = _candidate(own) if own is not None and (own.stands or not anew) else answer.candidate
    theirs = [_candidate(one) for one in others]
    doubtful = doubtful_inputs(mine, theirs)
    changed: set[str] = set()
    if doubtful:
        entries = await read_by_id(sorted(doubtful), record=record, budget=Budget())
        if isinstance(entries, ReadFailure):
            return entries
        try:
            inputs = {one.reference: one for one in map(stored_of, entries)}
        except NotFhir:
            return ReadFailure("an input in the record is not in the shape of FHIR", 200)
        changed = {one for one in doubtful if _is_changed(one, inputs.get(one), theirs, mine)}
    return Looked(own, others, standing_of(mine, theirs, changed), found.identities, found.half)


async def _not_of_trial(reference: str, answer: OutgoingAnswer, record: RecordClient) -> ReadFailure | None:
    """Make sure that an answer which the search did not bring is of another trial; BEHIND where it is of this one."""
    entry = await read_one(reference, record=record, budget=Budget())
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
