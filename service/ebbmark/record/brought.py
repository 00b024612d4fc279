"""What did the caller bring along of the record, and is each part whole?

A caller who brings data (CDS Hooks calls it prefetch) sends for each part what a search of the record would have
given. A part that is cut short would look like a whole one: it counts as not brought, unless it came newest first and
reaches back beyond the time that is looked at.

Source: CDS Hooks 2.0, "Prefetch Template": a key that is absent was not satisfied; null means that there is no data; an
OperationOutcome means that getting it failed, and is there to spare the service a query that would fail too; results
may be paged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CodeRow, HeightKind, SexKind, is_rhythm
from ebbmark.physiology.readings import Quantity
from ebbmark.record.asked import Asked
from ebbmark.record.reading import ReadFailure
from ebbmark.record.searching import Budget, Found, FoundEntry, Head, Page, TooMuch, take
from ebbmark.record.sieve import moment_of, subject_of

__all__ = ["CIRCULATION_S", "Brought", "Part", "brought", "part_tokens"]

CIRCULATION_S = 2 * 3600.0
"""How far back circulation and saturation are looked at [s]: they tell whether a trial in progress should stop, and
monitors chart them every minute. Our choice."""

_CIRCULATION = frozenset(
    {
        Quantity.SPO2,
        Quantity.MEAN_ARTERIAL_PRESSURE,
        Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
        Quantity.HEART_RATE,
    }
)
_NULL = b"null"


class Part(Enum):
    """One part of what an answer needs: its key, what it is in words, the most results asked for, whether needed."""

    PATIENT = ("patient", "the Patient", 1, True)
    HEIGHTS = ("heights", "body heights and sex", 50, True)
    MECHANICS = ("mechanics", "ventilator settings and measurements", 1000, True)
    PANELS = ("panels", "ventilator readings that stand in panels under another code", 1000, False)
    CIRCULATION = ("circulation", "saturation, arterial pressure, heart rate and heart rhythm", 400, False)
    CONDITIONS = ("conditions", "Conditions", 200, False)

    def __init__(self, key: str, words: str, most: int, needed: bool) -> None:
        self.key = key
        self.words = words
        self.most = most
        self.needed = needed


@dataclass(frozen=True, slots=True)
class Brought:
    """One part as the caller sent it.

    Attributes:
        found: what it holds; None where it cannot be used.
        why_not: why it cannot, as a clause; empty where it can.
        final: whether asking the record for it is pointless: the caller tried, and failed.
    """

    found: Found | None
    why_not: str = ""
    final: bool = False


def part_tokens(part: Part, table: Mapping[tuple[str, str], CodeRow]) -> list[str]:
    """The codes of a part as search tokens, `system|code`; none for the Patient and for Conditions."""

    def wanted(row: CodeRow) -> bool:
        meaning = row.meaning
        if meaning is None:
            return part is Part.CIRCULATION and is_rhythm(row)
        if isinstance(meaning, HeightKind | SexKind):
            return part is Part.HEIGHTS
        return part in ((Part.CIRCULATION,) if meaning in _CIRCULATION else (Part.MECHANICS, Part.PANELS))

    return sorted(f"{system}|{code}" for (system, code), row in table.items() if wanted(row))


def brought(part: Part, sent: bytes | None, asked: Asked, base_url: str) -> Brought:
    """Read one part.

    Args:
        part: which.
        sent: JSON as received; None where the key is absent.
        asked: whose data, and of which time.
        base_url: FHIR base address of the caller's record, to name resources by; empty where not said.

    Raises:
        Rejected: it is neither what was asked for nor a sign that there is none, or it is of another patient.
    """
    if sent is None:
        return Brought(None, "the key was not sent")
    if sent.strip() == _NULL:
        if part is Part.PATIENT:
            return Brought(None, "the caller says that it has no such Patient")
        return Brought(Found())
    kind = _kind_of(sent, part)
    if kind == "OperationOutcome":
        return Brought(None, "the caller sent an OperationOutcome instead", final=True)
    if part is Part.PATIENT:
        return _patient(sent, kind, asked, base_url)
    if kind != "Bundle":
        raise Rejected((_unusable(part, kind, "a Bundle of type searchset"),))
    return _results(part, sent, asked)


def _kind_of(sent: bytes, part: Part) -> str:
    try:
        return msgspec.json.decode(sent, type=Head).resource_type
    except msgspec.DecodeError:
        accepted = "a Patient" if part is Part.PATIENT else "a Bundle of type searchset"
        raise Rejected((_unusable(part, "something that is no FHIR resource", accepted),)) from None


def _patient(sent: bytes, kind: str, asked: Asked, base_url: str) -> Brought:
    head = msgspec.json.decode(sent, type=Head)
    if kind != "Patient":
        raise Rejected((_unusable(Part.PATIENT, kind[:40], "a Patient"),))
    if f"Patient/{head.id}" != asked.patient:
        raise Rejected((_of_another(Part.PATIENT),))
    full_url = f"{base_url.rstrip('/')}/{asked.patient}" if base_url else ""
    return Brought(Found([FoundEntry(full_url, head, sent)], pages=1))


def _results(part: Part, sent: bytes, asked: Asked) -> Brought:
    try:
        page = msgspec.json.decode(sent, type=Page)
    except msgspec.DecodeError:
        raise Rejected((_unusable(part, "a Bundle that cannot be read", "a Bundle of type searchset"),)) from None
    if page.type not in ("searchset", "collection"):
        raise Rejected((_unusable(part, f"a Bundle of type {page.type[:40]}", "a Bundle of type searchset"),))
    found = Found(pages=1)
    failure = take(page, found, set(), Budget())
    if isinstance(failure, TooMuch):
        return Brought(None, f"the key holds {failure.sentence}")
    if isinstance(failure, ReadFailure):
        if "not a resource" in failure.sentence:
            raise Rejected((_unusable(part, "an entry that is no FHIR resource", "Observations"),))
        return Brought(None, "the caller's search failed in part", final=True)
    if any(
        entry.head.resource_type in ("Observation", "Condition")
        and subject_of(entry.resource) not in ("", asked.patient)
        for entry in found.entries
    ):
        raise Rejected((_of_another(part),))
    if _may_be_cut(part, page, found) and not _reaches_back(part, found, asked):
        return Brought(None, f"the key holds a part of the results only ({len(found.entries)} of them)")
    return Brought(found)


def _may_be_cut(part: Part, page: Page, found: Found) -> bool:
    if page.following:
        return True
    if page.total is not None:
        return page.total > len(found.entries)
    return len(found.entries) >= part.most


def _reaches_back(part: Part, found: Found, asked: Asked) -> bool:
    """Whether a part that came newest first goes back beyond the time looked at; some are of any time."""
    if part in (Part.HEIGHTS, Part.CONDITIONS):
        return False
    since_s = asked.end_s - CIRCULATION_S if part is Part.CIRCULATION else asked.start_s
    moments = [moment_of(entry.resource) for entry in found.entries]
    known = [one for one in moments if one is not None]
    if not known or len(known) < len(moments) or known[-1][0] >= since_s:
        return False
    return any(all(later[end] >= earlier[end] for later, earlier in pairwise(known)) for end in (0, 1))


def _unusable(part: Part, found: str, accepted: str) -> Problem:
    sentence = f"The prefetch key {part.key} holds {found}; needed is {accepted}, null, or an OperationOutcome."
    return Problem(ProblemKind.HOOK_REQUEST, f"prefetch.{part.key}", found, accepted, sentence)


def _of_another(part: Part) -> Problem:
    sentence = f"The prefetch key {part.key} holds data of another patient than context.patientId names."
    return Problem(
        ProblemKind.MIXED_PATIENTS, f"prefetch.{part.key}", "another patient", "the patient of the context", sentence
    )
