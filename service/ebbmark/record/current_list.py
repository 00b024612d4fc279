"""The lock of a patient's answers: one List in the record, changed only together with what it names (`ifMatch`).

The List is created once, by conditional create, before anything is written under it. Where a record holds more than one
nevertheless, each write changes all of them: of two writers who both created one, whoever searched later saw both, so
that the two share at least one List and one of them fails. This is optimistic locking (FHIR R4 http.html#concurrency).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import cast
from urllib.parse import quote

from ebbmark.fhir.references import tail_of
from ebbmark.fhir.writing.frame import REQUEST_SYSTEM
from ebbmark.fhir.writing.superseding import CURRENT_SYSTEM, current_list
from ebbmark.record.client import RecordClient
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, search
from ebbmark.record.stored import NotFhir, Stored, failure_of, stored_of

__all__ = [
    "KEEPS_NO_LISTS",
    "Lock",
    "changed_list",
    "entry_of",
    "identity_of",
    "new_list",
    "read_lock",
    "skipped_a_version",
    "unseen",
]

Json = dict[str, object]

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
            listed = one.resource.get("entry")
            for entry in cast("list[Json]", listed) if isinstance(listed, list) else []:
                named.setdefault(identity_of(entry), entry)
        return list(named.values())

    def moved(self, since: Lock) -> bool:
        """Whether a write that named the versions of an earlier look can no longer be carried out."""
        now = {one.reference: one.version for one in self.lists}
        return any(now.get(one.reference, one.version) != one.version for one in since.lists)


async def read_lock(patient: str, *, record: RecordClient, waiting: Waiting) -> Lock | ReadFailure:
    """Search for the Lists of a patient.

    Args:
        patient: `Patient/1`.
        record: the client.
        waiting: how time passes between attempts.
    """
    query = [("identifier", f"{CURRENT_SYSTEM}|{patient}")]
    found = await search(record, "List", query, budget=Budget(requests=5), waiting=waiting)
    if not isinstance(found, Found):
        failure = failure_of(found)
        return Lock((), failure.sentence) if failure.status in KEEPS_NO_LISTS else failure
    try:
        lists = [stored_of(one) for one in found.entries if one.head.resource_type == "List"]
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
