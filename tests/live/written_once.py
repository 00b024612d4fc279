"""What does the record hold of each recommendation, and is that what the writers were told?

The record is asked directly, past every proxy. What is expected comes from the transactions sent: each entry has one
key, the type with the identifier or tag of its condition. What is found comes from the record's own resources.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

import httpx
import msgspec

from ebbmark.fhir.naming import RESULT_SYSTEM, SOFTWARE_SYSTEM
from ebbmark.fhir.writing.supersession import CURRENT_SYSTEM, SUPERSEDED_SYSTEM
from ebbmark.record.write_back import WriteOutcome, WriteState

Json = dict[str, Any]
Key = tuple[str, str]
"""Resource type, and the token by which the resource is found again."""

OWN_SYSTEMS = frozenset({RESULT_SYSTEM, SOFTWARE_SYSTEM, CURRENT_SYSTEM, SUPERSEDED_SYSTEM})
MOST_LOOKS = 10
"""How often one looks again at a record that is still at work."""
PAGE = 200


class Found(Enum):
    """What the record holds of one recommendation; the value says it in a table."""

    WHOLE = "whole, once"
    NOTHING = "nothing"
    HALF = "a part only"
    DOUBLE = "something twice"


@dataclass(frozen=True, slots=True)
class Job:
    """One recommendation to write: its name, its transaction, the key of each entry in order, and its patient."""

    name: str
    transaction: bytes
    keys: tuple[Key, ...]
    patient: str = ""

    @property
    def own_keys(self) -> tuple[Key, ...]:
        """Keys of what belongs to this recommendation alone; all share the Device."""
        return tuple(key for key in self.keys if key[0] != "Device")


@dataclass(frozen=True, slots=True)
class Call:
    """One writer's attempt at one recommendation, and what it was told in the end."""

    job: Job
    outcome: WriteOutcome

    @property
    def told_there(self) -> bool:
        """Whether the writer was told that the record holds it now."""
        return self.outcome.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Counts over a whole run.

    Attributes:
        table: calls by what the writer was told and what the record holds.
        doubles: recommendations of which the record holds something twice.
        halves: recommendations of which it holds a part.
        false_reports: what writers were told and is not so, in words.
        current: patients, who have one trial each, by how many answers of it are current; and those of whom the List
            names another one.
    """

    table: Counter[tuple[WriteState, Found]]
    doubles: int
    halves: int
    false_reports: tuple[str, ...]
    current: Counter[int | str] = field(default_factory=Counter)

    def told(self, state: WriteState) -> int:
        """How many calls were told this."""
        return sum(number for (told, _), number in self.table.items() if told is state)

    @property
    def clean(self) -> bool:
        """Whether nothing at all is wrong."""
        return not (self.doubles or self.halves or self.false_reports or set(self.current) - {0, 1})


def job_of(name: str, transaction: Mapping[str, Any]) -> Job:
    """Read the keys off a transaction as it will be sent."""
    keys = tuple((entry["request"]["url"], _token(entry["request"]["ifNoneExist"])) for entry in transaction["entry"])
    assert len(set(keys)) == len(keys)
    (patient,) = {
        one["resource"]["subject"]["reference"] for one in transaction["entry"] if "subject" in one["resource"]
    }
    return Job(name, msgspec.json.encode(transaction), keys, patient)


def _token(condition: str) -> str:
    return condition.partition("=")[2].partition("&")[0]


def look(record: httpx.Client) -> dict[Key, list[Json]]:
    """Everything of ours that the record holds now, by key; each resource in full."""
    held: dict[Key, list[Json]] = defaultdict(list)
    for kind in (
        "GuidanceResponse",
        "Observation",
        "DetectedIssue",
        "DiagnosticReport",
        "Device",
        "Provenance",
        "List",
    ):
        for resource in _all(record, kind):
            # R4 gives Provenance no identifier: it is found by its tag.
            tokens = resource["meta"].get("tag", ()) if kind == "Provenance" else resource.get("identifier", ())
            for token in tokens:
                if token.get("system") in OWN_SYSTEMS:
                    held[kind, f"{token['system']}|{token.get('value', token.get('code'))}"].append(resource)
    return held


def look_when_settled(record: httpx.Client) -> dict[Key, list[Json]]:
    """The same, where the record may still be at work: looked at again until nothing moves any more."""
    before = look(record)
    for _ in range(MOST_LOOKS):
        now = look(record)
        if now == before:
            return now
        before = now
    raise AssertionError("the record did not come to rest")


def _all(record: httpx.Client, kind: str) -> list[Json]:
    for _ in range(MOST_LOOKS):
        total, resources = _pages(record, kind)
        if len({resource["id"] for resource in resources}) == len(resources) == total:
            return resources
    # A look that misses or repeats something would judge wrongly either way.
    raise AssertionError(f"the pages of {kind} do not agree with their total")


def _pages(record: httpx.Client, kind: str) -> tuple[int, list[Json]]:
    page = _got(record, f"/{kind}", {"_count": str(PAGE), "_total": "accurate", "_sort": "_id"})
    total, resources = page["total"], [entry["resource"] for entry in page.get("entry", ())]
    while links := [link["url"] for link in page["link"] if link["relation"] == "next"]:
        page = _got(record, links[0])
        resources += [entry["resource"] for entry in page.get("entry", ())]
    return total, resources


def census(record: httpx.Client) -> Counter[str]:
    """How many resources of each type that the record knows there are, whatever carries them."""
    (rest,) = _got(record, "/metadata")["rest"]
    kinds = [one["type"] for one in rest["resource"] if any(i["code"] == "search-type" for i in one["interaction"])]
    return Counter({kind: _got(record, f"/{kind}", {"_summary": "count"})["total"] for kind in kinds})


def _got(record: httpx.Client, url: str, query: Mapping[str, str] | None = None) -> Json:
    reply = record.get(url, params=query)
    assert reply.is_success, reply.text
    bundle: Json = reply.json()
    return bundle


def found_of(job: Job, held: Mapping[Key, Sequence[Json]]) -> Found:
    """Judge one recommendation: all parts there, each once, and its Provenances over exactly these."""
    counts = [len(held.get(key, ())) for key in job.own_keys]
    if max(counts) > 1:
        return Found.DOUBLE
    if sum(counts) == 0:
        return Found.NOTHING
    # The Device may have been written with another recommendation, but there must be one.
    if min(counts) == 0 or any(not held.get(key) for key in job.keys):
        return Found.HALF
    stored = {key: _address(held[key][0]) for key in job.own_keys}
    provenances = [held[key][0] for key in job.own_keys if key[0] == "Provenance"]
    targets = sorted(
        target["reference"].partition("/_history/")[0] for provenance in provenances for target in provenance["target"]
    )
    return Found.WHOLE if targets == sorted(at for key, at in stored.items() if key[0] != "Provenance") else Found.HALF


def verdict_of(calls: Sequence[Call], held: Mapping[Key, Sequence[Json]], *, killed: Iterable[Job] = ()) -> Verdict:
    """Weigh what every writer was told against what the record holds; killed writers may have brought it, too."""
    lost = {job.name: job for job in killed}
    jobs = {call.job.name: call.job for call in calls} | lost
    found = {name: found_of(job, held) for name, job in jobs.items()}
    devices = {key for job in jobs.values() for key in job.keys if key[0] == "Device"}
    doubled_devices = sum(len(held.get(key, ())) > 1 for key in devices)
    return Verdict(
        table=Counter((call.outcome.state, found[call.job.name]) for call in calls),
        doubles=sum(one is Found.DOUBLE for one in found.values()) + doubled_devices,
        halves=sum(one is Found.HALF for one in found.values()),
        false_reports=(*_told_wrongly(calls, held, found, lost), *_claimed_twice(calls)),
        current=Counter(
            _current_of(patient, jobs.values(), held) for patient in {job.patient for job in jobs.values()}
        ),
    )


def _current_of(patient: str, jobs: Iterable[Job], held: Mapping[Key, Sequence[Json]]) -> int | str:
    """How many answers of one patient, with one trial, are current; or that the List names another one."""
    closings = {
        job.name: held.get(("Observation", f"{RESULT_SYSTEM}|{job.name}:closing-pressure"), ())
        for job in jobs
        if job.patient == patient
    }
    current = [name for name, stored in closings.items() for one in stored if one.get("status") == "preliminary"]
    lists = held.get(("List", f"{CURRENT_SYSTEM}|{patient}"), ())
    if len(lists) > 1:
        return "several Lists"
    listed = [entry["item"]["identifier"]["value"] for one in lists for entry in one.get("entry", ())]
    return len(current) if sorted(listed) == sorted(current) else "another one is in the List"


def _told_wrongly(
    calls: Sequence[Call], held: Mapping[Key, Sequence[Json]], found: Mapping[str, Found], killed: Collection[str]
) -> Iterable[str]:
    # Of several writers of one recommendation, any that was not told "failed" may have brought it there.
    brought = {call.job.name for call in calls if call.outcome.state is not WriteState.FAILED}.union(killed)
    for call in calls:
        told, name = call.outcome.state, call.job.name
        if told is WriteState.FAILED and found[name] is not Found.NOTHING and name not in brought:
            yield f"{name}: told failed, the record holds {found[name].value}"
        if call.told_there and found[name] is not Found.WHOLE:
            yield f"{name}: told {told.value}, the record holds {found[name].value}"
        if call.told_there and found[name] is Found.WHOLE:
            yield from _wrong_places(call, held)


def _wrong_places(call: Call, held: Mapping[Key, Sequence[Json]]) -> Iterable[str]:
    entries = (*call.outcome.created, *call.outcome.existing)
    if sorted(entry.index for entry in entries) != list(range(len(call.job.keys))):
        yield f"{call.job.name}: the report does not name every entry once"
    created = {entry.index for entry in call.outcome.created}
    own = {index for index, key in enumerate(call.job.keys) if key[0] != "Device"}
    if created & own not in (own, set()):
        yield f"{call.job.name}: told that a part was new and a part was there"
    for entry in entries:
        at = (entry.location or "").partition("/_history/")[0]
        if not at or at not in {_address(resource) for resource in held.get(call.job.keys[entry.index], ())}:
            yield f"{call.job.name}: entry {entry.index} is not where the report says"


def _claimed_twice(calls: Sequence[Call]) -> Iterable[str]:
    claims = Counter(call.job.keys[entry.index] for call in calls for entry in call.outcome.created)
    return [
        f"{kind} {token}: {count} writers were told that they wrote it"
        for (kind, token), count in claims.items()
        if count > 1
    ]


def _address(resource: Json) -> str:
    return f"{resource['resourceType']}/{resource['id']}"
