"""The types of a review: options and site files, resources of a patient in their versions, tables and the report.

A resource counts once for each version; where the patient was at an instant follows from the Encounters.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import msgspec

from ebbmark.fhir.model import Period
from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.reading.charting import with_zone
from ebbmark.fhir.reading.codes import Personal
from ebbmark.fhir.reading.request import Limits, RequestContext
from ebbmark.fhir.reading.site_file import SiteFileError
from ebbmark.fhir.times import instant, seconds
from ebbmark.keys import PublicKey, read_public_keys
from ebbmark.physiology.protocols import Protocol
from ebbmark.site_files import NO_FILES, SiteFiles, codes_of, site_of, use_messages

WEEK_S = 604_800.0
MOST_WEEKS = 52
"""By which the times of a patient are moved back. This project's choice."""
LIMITS = Limits(max_bytes=500_000_000, max_entries=200_000)


@dataclass(frozen=True, slots=True)
class Options:
    """What a run is made with; part of what names its parts.

    Attributes:
        margin_cmh2o, fall: of the other protocol that every trial is titrated with once more; None as it has them.
        pseudonym_key: identifiers are hashed with it (HMAC-SHA256); empty leaves them as they are.
        coarse_dates: whether times are given as months only.
        shift_dates: whether the times of a patient are moved by some weeks that follow from the key.
        published_keys: JSON Web Key Set to check signatures with; empty for none.
        site_files: of the site, for trials and for replay.
        accept_preliminary: whether Observations of status preliminary count, as where the service is set so.
        other_protocol: slug of the other protocol, among the site's and ours; empty for the default one.
    """

    margin_cmh2o: float | None = None
    fall: float | None = None
    pseudonym_key: bytes = b""
    coarse_dates: bool = False
    shift_dates: bool = False
    published_keys: bytes = b""
    site_files: SiteFiles = NO_FILES
    accept_preliminary: bool = False
    other_protocol: str = ""


@dataclass(frozen=True, slots=True)
class Prepared:
    """Options as they are used: the site's files, protocols and keys read once.

    Attributes:
        context: what everything is read with; its instant is that of each answer or trial.
        other: protocol that every trial is titrated with once more.
        personal: matches the code of a height or a sex, which hold for every trial of the patient.
    """

    options: Options
    context: RequestContext
    other: Protocol
    keys: tuple[PublicKey, ...]
    personal: re.Pattern[bytes]


def prepared(options: Options) -> Prepared:
    """Read what the options hold; from then on this process speaks the language of the site.

    Raises:
        SiteFileError: a file of the site cannot be used, or there is no such protocol.
    """
    site = site_of(options.site_files)
    use_messages(options.site_files)
    slug = options.other_protocol or site.default_protocol.slug
    found = next((protocol for protocol in site.protocols if protocol.slug == slug), None)
    if found is None:
        known = ", ".join(protocol.slug for protocol in site.protocols)
        raise SiteFileError(f"There is no protocol {slug!r}; accepted: {known}")
    other = replace(
        found,
        margin_cmh2o=found.margin_cmh2o if options.margin_cmh2o is None else options.margin_cmh2o,
        fall=found.fall if options.fall is None else options.fall,
    )
    codes = codes_of(options.site_files)
    personal = {code for (_, code), row in codes.table.items() if isinstance(row.meaning, Personal)}
    return Prepared(
        options,
        RequestContext(0.0, site, LIMITS, codes, options.accept_preliminary),
        other,
        read_public_keys(options.published_keys) or (),
        re.compile(b"|".join(sorted(re.escape(msgspec.json.encode(code)) for code in personal))),
    )


def when(at_s: float, name: str, options: Options) -> dict[str, object]:
    """Month and week, by which trials are counted, and the time that stands in tables of single patients.

    Args:
        options: whether times are coarse, or moved.
    """
    shown = instant(at_s - shift_s(name, options))
    return {
        "month": instant(at_s)[:7],
        "week": f"{int(at_s // WEEK_S):05}",
        "ended": shown[:7] if options.coarse_dates else shown,
    }


def shift_s(name: str, options: Options) -> float:
    """How far back the times of this patient are moved: whole weeks, so that weekday and hour stay [s].

    Args:
        options: whether times are moved, and the site's key, without which nobody can move them back.
    """
    if not options.shift_dates:
        return 0.0
    digest = hmac.digest(options.pseudonym_key, b"dates|" + name.encode(), "sha256")
    return WEEK_S * (1 + int.from_bytes(digest[:8]) % MOST_WEEKS)


def without_ids(path: str, options: Options) -> str:
    """A path or reference without the ids of resources, where identifiers are hashed: an id may hold a patient's."""
    return _ID_IN_PATH.sub(r"\1/...", path) if options.pseudonym_key else path


_ID_IN_PATH = re.compile(r"([A-Za-z]+)/[^\s#]+")


def pseudonym(name: str, options: Options) -> str:
    """How the report names a patient or an answer.

    Args:
        options: with the site's key; without one the name stays.
    """
    if not options.pseudonym_key:
        return name
    return hmac.new(options.pseudonym_key, name.encode(), "sha256").hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Listed:
    """One thing that was not used, and why; `place` is the byte in the file (uncompressed), -1 where it has none."""

    file: str
    place: int
    why: str
    what: str = ""


@dataclass(frozen=True, slots=True)
class Reviewed:
    """Where the rows are.

    Attributes:
        folders: of each part, with one Parquet file per table.
        listed: what was not used while sorting lines, and parts that were given up.
        counts: lines read by resource type.
        made: parts that this run made; the others were there.
    """

    folders: tuple[str, ...]
    listed: tuple[Listed, ...]
    counts: Mapping[str, int]
    made: int
    failed: int


Cell = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the report.

    Attributes:
        columns: names, the unit in the name.
        rows: values; None where nothing is known, or where a group is too small to be shown.
        hidden: how many rows were too small.
    """

    name: str
    title: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    hidden: int = 0

    def column(self, name: str) -> list[Cell]:
        """The values of one column."""
        place = self.columns.index(name)
        return [row[place] for row in self.rows]


@dataclass(frozen=True, slots=True)
class Report:
    """All that a report tells, in order.

    Attributes:
        smallest: size from which on a group is shown.
        periods: from when on the second period counts, as YYYY-MM; empty where none was asked for.
    """

    tables: dict[str, Table]
    smallest: int
    options: Options
    periods: str
    failed: int


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
        return next((label.value or label.code for label in labels if label.system == RESULT_SYSTEM), "").partition(
            ":"
        )[0]

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
    for input_ in inputs:
        found.setdefault((input_.read.resourceType, input_.read.id), []).append(input_)
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
