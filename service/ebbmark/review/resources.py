"""Which resources of a patient are there, each version once, and where the patient was at an instant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import msgspec

from ebbmark.fhir.model import Period
from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.reading.charting import with_zone
from ebbmark.fhir.times import seconds

NO_UNIT = "not known"

Note = Callable[[str, str], None]
"""Hears why something was not used, and what it was."""


class _Code(msgspec.Struct):
    system: str = ""
    value: str = ""
    code: str = ""


class _Meta(msgspec.Struct):
    versionId: str = ""
    tag: list[_Code] = []


class _Place(msgspec.Struct):
    display: str = ""
    reference: str = ""


class _Location(msgspec.Struct):
    location: _Place = msgspec.field(default_factory=_Place)
    period: Period = msgspec.field(default_factory=Period)


class _Resource(msgspec.Struct):
    resourceType: str
    id: str = ""
    meta: _Meta = msgspec.field(default_factory=_Meta)
    identifier: list[_Code] = []
    effectiveDateTime: str = ""
    effectiveInstant: str = ""
    effectivePeriod: Period = msgspec.field(default_factory=Period)
    period: Period = msgspec.field(default_factory=Period)
    location: list[_Location] = []


@dataclass(frozen=True, slots=True)
class StoredVersion:
    """One version of one resource: what is needed of it, and its bytes."""

    read: _Resource
    line: bytes

    @property
    def identity(self) -> str:
        """Of the answer that it is a resource of; empty for an input."""
        labels = [*self.read.identifier, *self.read.meta.tag]
        return next((one.value or one.code for one in labels if one.system == RESULT_SYSTEM), "").partition(":")[0]

    def at_s(self, zone: ZoneInfo | None) -> float | None:
        """When it was observed; None where that cannot be read, or for another kind of resource.

        Args:
            zone: of times without one, as the site's charting table says.
        """
        text = self.read.effectiveDateTime or self.read.effectivePeriod.start or self.read.effectiveInstant
        found = seconds(with_zone(text, zone) if zone is not None else text) if text else None
        return found if isinstance(found, float) else None


def versions_of(lines: Sequence[bytes], note: Note) -> list[StoredVersion]:
    """Each version of each resource once; two contents under one version are set aside, both.

    Args:
        lines: resources, the same one next to itself.
    """
    by_version: dict[tuple[str, str, str], list[StoredVersion]] = {}
    for line in lines:
        try:
            read = msgspec.convert(msgspec.json.decode(line), _Resource)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            note("not in the shape of FHIR", "a resource")
            continue
        same = by_version.setdefault((read.resourceType, read.id, read.meta.versionId), [])
        if not same or same[-1].line != line:
            same.append(StoredVersion(read, line))
        else:
            note("sent twice, used once", read.resourceType)
    found = []
    for (kind, _, _), same in sorted(by_version.items()):
        if len({msgspec.json.encode(msgspec.json.decode(one.line), order="sorted") for one in same}) > 1:
            for _ in same:
                note("two contents under one version, neither used", kind)
        else:
            found.append(same[0])
    return found


def newest_of(inputs: Sequence[StoredVersion]) -> list[StoredVersion]:
    """The version in force of each resource: the highest number; where versions are no numbers, all of them."""
    found: dict[tuple[str, str], list[StoredVersion]] = {}
    for one in inputs:
        found.setdefault((one.read.resourceType, one.read.id), []).append(one)
    newest = []
    for same in found.values():
        if all(one.read.meta.versionId.isdecimal() for one in same):
            same = [max(same, key=lambda one: int(one.read.meta.versionId))]
        newest += same
    return newest


def unit_at(stays: Sequence[StoredVersion], at_s: float) -> str:
    """Where the patient was: the location whose period holds the instant, of the stay that does."""
    for stay in stays:
        for one in stay.read.location:
            period = one.period if one.period.start else stay.read.period
            start, end = seconds(period.start), seconds(period.end) if period.end else float("inf")
            if isinstance(start, float) and isinstance(end, float) and start <= at_s <= end:
                return one.location.display or one.location.reference or NO_UNIT
    return NO_UNIT
