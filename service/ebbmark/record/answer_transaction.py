"""The transaction that writes one answer: its own parts, the marks on earlier answers, the List of current answers.

The List is created once, by conditional create, before anything is written under it. Where a record holds more than one
nevertheless, each write changes all of them: of two writers who both created one, whoever searched later saw both, so
that the two share at least one List and one of them fails. This is optimistic locking (FHIR R4 http.html#concurrency).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import cast
from urllib.parse import quote

import msgspec

from ebbmark.fhir.model import Identifier, Period
from ebbmark.fhir.naming import ACCEPTS_EVERYTHING, PROVENANCE, REQUEST_SYSTEM, AcceptedWrites, tail_of
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.provenance import ENTERER
from ebbmark.fhir.writing.supersession import (
    CURRENT_SYSTEM,
    StoredChange,
    current_list,
    restoration,
    restored,
    superseded,
    superseded_by,
    supersession,
)
from ebbmark.fhir.writing.transaction import referred_by_name, with_embedded, with_more_embedded
from ebbmark.record.search import ReadFailed, ReadFailure, Reference
from ebbmark.record.stored_answers import (
    Entity,
    Named,
    Stored,
    versions_of,
    with_references,
)
from ebbmark.record.trial_answers import (
    Earlier,
    Ranked,
    Standing,
    TrialOfRecord,
)
from ebbmark.record.write_back import WriteOutcome, WriteState

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
    """

    parts: tuple[Part, ...]
    closing: str
    identity: str
    engine_version: str
    recorded: str
    enterer: Json | None
    accepts: AcceptedWrites
    trial: TrialOfRecord
    ranked: Ranked

    def missing_of(self, own: Earlier | None) -> tuple[Part, ...]:
        """The parts that the record does not hold; a Device only with others, since it is none of the answer."""
        if own is None:
            return self.parts
        missing = tuple(part for part in self.parts if not self.place_of(part, own))
        return missing if any(not _is_device(one) for one in missing) else ()

    def place_of(self, part: Part, own: Earlier) -> str:
        """Where the record holds this part; empty where it does not."""
        return own.device if _is_device(part) else own.places.get(part.key, "")

    def entries_of(self, parts: Sequence[Part], own: Earlier | None) -> list[Json]:
        """The transaction entries of some parts; they refer to the others as the record holds them."""
        if own is None or len(parts) == len(self.parts):
            return [part.entry for part in parts]
        places = {
            str(part.entry.get("fullUrl", "")): self.place_of(part, own) for part in self.parts if part not in parts
        }
        named = {
            url: place.partition("/_history/")[0]
            for url, place in places.items()
            if url and place and url not in own.carried
        }
        return [cast("Json", with_references(referred_by_name(part.entry, own.carried), named)) for part in parts]


def _is_device(part: Part) -> bool:
    return cast("Json", part.entry["resource"])["resourceType"] == "Device"


class _Version(msgspec.Struct):
    value: str = ""


class _Resource(Named):
    resourceType: str = ""
    requestIdentifier: Identifier | None = None
    subject: Reference | None = None
    effectivePeriod: Period | None = None
    entity: list[Entity] = msgspec.field(default_factory=list)
    recorded: str = ""
    agent: list[Json] = msgspec.field(default_factory=list)
    version: list[_Version] = msgspec.field(default_factory=list)


def outgoing_answer(transaction: Json, accepts: AcceptedWrites = ACCEPTS_EVERYTHING) -> OutgoingAnswer:
    """Read the transaction.

    Args:
        accepts: what the record takes; the rest is carried inside that.
    """
    entries = cast("list[Json]", transaction["entry"])
    resources = [msgspec.convert(entry["resource"], _Resource) for entry in entries]
    guidance = next(resource for resource in resources if resource.resourceType == "GuidanceResponse")
    # The report, which may come later, has one of its own.
    provenance = next(
        resource for resource in resources if any(tag.code.endswith(f":{PROVENANCE}") for tag in resource.meta.tag)
    )
    device = next((resource for resource in resources if resource.resourceType == "Device"), None)
    closing = next(
        resource
        for resource in resources
        if any(each.value.endswith(":closing-pressure") for each in resource.identifier)
    )
    identity = guidance.requestIdentifier.value if guidance.requestIdentifier else ""
    period = closing.effectivePeriod or Period()
    keys = {str(entry.get("fullUrl", "")): _key_of(one) for one, entry in zip(resources, entries, strict=True)}
    sent = cast("list[Json]", with_embedded(transaction, accepts)["entry"])
    return OutgoingAnswer(
        parts=tuple(Part(index, keys[str(entry.get("fullUrl", ""))], entry) for index, entry in enumerate(sent)),
        closing=str(entries[resources.index(closing)].get("fullUrl", "")),
        identity=identity,
        engine_version=device.version[0].value if device else "",
        recorded=provenance.recorded,
        enterer=next((agent for agent in provenance.agent if _enters(agent)), None),
        accepts=accepts,
        trial=TrialOfRecord(guidance.subject.reference if guidance.subject else "", period.start, period.end),
        ranked=Ranked(
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


def entries_in(stored: Stored) -> list[Json]:
    """The entries of a List.

    Raises:
        ReadFailed: they are no list of objects.
    """
    listed = stored.resource.get("entry", [])
    if not isinstance(listed, list) or not all(isinstance(entry, dict) for entry in listed):
        raise ReadFailed(ReadFailure("the List of current answers in the record is not in the shape of FHIR", 200))
    return listed


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
    return _put(stored, {**made, "id": stored.reference.partition("/")[2]}, base_url)


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
    """Entries that mark every result of an answer, and say so in a Provenance of its own."""
    told = supersession([one.reference for one in old.current], old=old.identity, new=by, change=_change(old, answer))
    changed = [(one, superseded(one.resource, by)) for one in old.current]
    return _changes(changed, told, old, answer, base_url)


def current_again(own: Earlier, answer: OutgoingAnswer, base_url: str) -> list[Json]:
    """Entries that take the marks off every result of an answer, and say so in a Provenance of its own."""
    marked = [result for result in own.results if superseded_by(result.resource)]
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


def _change(of: Earlier, answer: OutgoingAnswer) -> StoredChange:
    return StoredChange(answer.engine_version, answer.recorded, answer.enterer, of.closing.version)


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


@dataclass(frozen=True, slots=True)
class Looked:
    """What one look brings.

    Attributes:
        identities: of all answers for the trial, those that do not stand among them.
        half: answers whose closing pressure does not stand, with the results that do, and that nobody has signed.
    """

    own: Earlier | None
    others: tuple[Earlier, ...]
    standing: Standing
    identities: frozenset[str]
    half: tuple[Earlier, ...] = ()

    @property
    def own_stands(self) -> bool:
        """Whether the record holds the answer, and as a current one."""
        return self.own is not None and self.own.stands

    @property
    def may_be_current_again(self) -> bool:
        """Whether the record holds it marked superseded by us, and none takes its place."""
        marked = self.own is not None and not self.own.stands and bool(superseded_by(self.own.closing.resource))
        return marked and self.standing.newer is None


@dataclass(frozen=True, slots=True)
class WriteStep:
    """What one look leads to.

    Attributes:
        current: identities of the answers for this trial that are current then.
        instead: the outcome whatever comes of sending; None for that of sending.
        beside: sentences that are told after it.
        restored: whether the answer had been marked superseded and is made current again.
    """

    current: frozenset[str]
    parts: tuple[Part, ...] = ()
    changes: tuple[Json, ...] = ()
    instead: WriteOutcome | None = None
    beside: tuple[str, ...] = ()
    restored: bool = False

    @property
    def writes(self) -> bool:
        """Whether anything is to be sent."""
        return bool(self.parts or self.changes)

    def told(self, sent: WriteOutcome) -> WriteOutcome:
        """The outcome that the caller gets of the outcome of sending."""
        outcome = self.instead or sent
        outcome = replace(outcome, sentence=" ".join((outcome.sentence, *self.beside)))
        if not self.restored:
            return outcome
        # That is a change of the record, too.
        state = WriteState.WRITTEN if outcome.state is WriteState.ALREADY_THERE else outcome.state
        sentence = f"This answer had been marked superseded and was made current again. {outcome.sentence}"
        return replace(outcome, state=state, sentence=sentence)


def write_step(answer: OutgoingAnswer, looked: Looked, make_current: bool, base_url: str) -> WriteStep:
    """Decide what is to be done, from one look."""
    own, standing = looked.own, looked.standing
    older = [*(one for one in looked.others if one.identity in standing.older), *looked.half]
    kept = frozenset(one.identity for one in looked.others) - frozenset(standing.older)
    current = kept | {answer.identity}
    held_back = own is not None and not own.stands
    if own is not None and held_back and not (make_current and looked.may_be_current_again):
        return WriteStep(kept, instead=_not_current(own, looked.others))
    if standing.newer is not None:
        changes = tuple(marks(own, standing.newer, answer, base_url)) if own is not None else ()
        return WriteStep(kept, changes=changes, instead=_superseded(standing.newer, written=own is not None))
    marked = tuple(entry for one in older for entry in marks(one, answer.identity, answer, base_url))
    beside = (*_marked_words(older), *_signed_words(standing))
    if own is not None and held_back:
        changes = (*current_again(own, answer, base_url), *marked)
        return WriteStep(current, answer.missing_of(own), changes, beside=beside, restored=True)
    # A conditional create cannot be asked for where several match already: only the others are marked.
    if own is not None and own.copies > 1:
        return WriteStep(current, changes=marked, instead=_held_several_times(own), beside=_marked_words(older))
    return WriteStep(current, answer.missing_of(own), marked, beside=beside)


def _marked_words(older: Sequence[Earlier]) -> tuple[str, ...]:
    """That earlier answers were marked in the same transaction."""
    if not older:
        return ()
    count = sum(len(one.results) for one in older)
    answers = "an earlier answer" if len(older) == 1 else f"{len(older)} earlier answers"
    return (f"{count} results of {answers} for the same trial were marked superseded.",)


def _signed_words(standing: Standing) -> tuple[str, ...]:
    """That a signed answer stands beside it."""
    told = "An answer for the same trial that a clinician has signed stands beside it; it was not changed."
    return (told,) if standing.beside else ()


def _held_several_times(own: Earlier) -> WriteOutcome:
    """Say that the answer stands there more than once, as when a suggestion of a card is accepted twice."""
    sentence = (
        f"This answer stands in the record already, {own.copies} times over, with the same numbers; nothing was added. "
        "Its copies are marked together once another answer takes its place."
    )
    return WriteOutcome(WriteState.ALREADY_THERE, 0, sentence)


def _not_current(own: Earlier, others: Sequence[Earlier]) -> WriteOutcome:
    """What was superseded, or taken back by someone, stays so: a late repeat must not bring it to life again."""
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


def _superseded(newer: str, *, written: bool) -> WriteOutcome:
    """Say that a newer answer stands; `written` where this one had been written and is marked now."""
    done = "what this one had written was marked superseded" if written else "nothing was written"
    sentence = f"A newer answer for the same trial ({newer[:12]}…) stands in the record; {done}."
    return WriteOutcome(WriteState.SUPERSEDED, 0, sentence)
