"""What this site has decided for itself, in one value, and how the JSON files that it signs are read.

One shape, each name once, dates as people read them. JSON readers take the last of two equal names without a word: in a
file of limits that is a limit nobody meant.

Stop limits that a clinician of the site signed are one such file:
`{"version": "2", "signed_by": "…", "signed_on": "2026-02-01", "limits": {"spo2_below_percent": {"value": 88,
"source": "…"}, …}}`. A limit that is left out keeps no default: it is not checked, and every answer names it as not
signed. So does a file that was signed before there was such a limit: `systolic_arterial_pressure_below_mmhg` is the
youngest. Heart rhythms are signed as codes, beside the limits: `"rhythms_that_stop": {"codes": [{"system": "…",
"code": "…", "display": "…"}], "source": "…"}`; left out, no rhythm stops by itself. Only the age from which a reading
no longer counts (`oldest_reading_min`) keeps its default.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from datetime import date
from typing import TypeVar

import msgspec

from ebbmark.fhir.bedside.condition_codes import BUILT_IN, ConditionCodes
from ebbmark.physiology.before.staircase import COMMON_PRACTICE, STAIRCASES, StaircaseRules
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, PROTOCOLS, Protocol
from ebbmark.physiology.stop.limits import (
    DEFAULT_STOP_LIMITS,
    OLDEST_READING,
    Limit,
    RhythmCode,
    RhythmsThatStop,
    StopLimits,
    faults_of_limits,
)
from ebbmark.words.messages import spell

__all__ = [
    "LIMIT_NAMES",
    "NO_SITE",
    "Site",
    "SiteFileError",
    "read_site_json",
    "read_stop_limits",
    "require_date_of_signature",
]


class SiteFileError(ValueError):
    """A file of the site that cannot be used; the message names the file's element and holds no patient data."""


@dataclass(frozen=True, slots=True)
class Site:
    """The rules in force here.

    Attributes:
        condition_codes: which codes stand for which condition.
        protocols: rules for reading a trial; the first is the default.
        staircases: how a trial is performed; the first is the default.
        stop_limits: signed by a clinician of the site, or the defaults.
    """

    condition_codes: ConditionCodes = BUILT_IN
    protocols: tuple[Protocol, ...] = PROTOCOLS
    staircases: tuple[StaircaseRules, ...] = STAIRCASES
    stop_limits: StopLimits = DEFAULT_STOP_LIMITS

    @property
    def default_protocol(self) -> Protocol:
        """Applied where the request names none."""
        return DEFAULT_PROTOCOL

    @property
    def default_staircase(self) -> StaircaseRules:
        """Laid out where the request names none."""
        return COMMON_PRACTICE


NO_SITE = Site()
"""What holds where a site has configured nothing."""

_Shape = TypeVar("_Shape", bound=msgspec.Struct)


def read_site_json(name: str, content: bytes, shape: type[_Shape], what: str) -> _Shape:
    """Read a file of a site.

    Args:
        name: of the file, for messages.
        content: JSON.
        shape: what it must be.
        what: the same for people, as "a file of stop limits".

    Raises:
        SiteFileError: it has another shape, or two entries of one name; names file and entry.
    """
    try:
        read = msgspec.json.decode(content, type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise SiteFileError(f"{name} is not {what}: {error}") from None
    _refuse_repeated_names(name, content)
    return read


def _refuse_repeated_names(name: str, content: bytes) -> None:

    def once(pairs: list[tuple[str, object]]) -> None:
        names = [one for one, _ in pairs]
        for one in names:
            if names.count(one) > 1:
                raise SiteFileError(f"{name}: {one[:60]!r} stands there twice, and only one of them can be meant")

    try:
        json.loads(content, object_pairs_hook=once)
    except SiteFileError:
        raise
    except (ValueError, RecursionError):
        return


def require_date_of_signature(text: str, named: str) -> None:
    """Let a date pass that is written as year-month-day; other forms of ISO 8601 are misread by people.

    Args:
        text: as it stands in the file.
        named: the element, for the message.

    Raises:
        SiteFileError: it is none.
    """
    try:
        well_written = date.fromisoformat(text).isoformat() == text
    except ValueError:
        well_written = False
    if not well_written:
        raise SiteFileError(f"{named} is {text!r}, not a date such as 2026-02-01")


_NO_NUMBERS = ("version", "signed_by", "signed_on", "rhythms_that_stop")
LIMIT_NAMES = tuple(one.name for one in fields(StopLimits) if one.name not in _NO_NUMBERS)


class _Limit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    value: float
    source: str


class _Rhythm(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    system: str
    code: str
    display: str


class _Rhythms(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    codes: list[_Rhythm]
    source: str


class _LimitsFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    version: str
    signed_by: str
    signed_on: str
    limits: dict[str, _Limit]
    rhythms_that_stop: _Rhythms | None = None


def read_stop_limits(name: str, content: bytes) -> StopLimits:
    """Read a file of signed limits.

    Args:
        name: of the file, for messages.
        content: JSON.

    Raises:
        SiteFileError: names file and element.
    """
    read = read_site_json(name, content, _LimitsFile, "a file of stop limits")
    unknown = sorted(set(read.limits) - set(LIMIT_NAMES))
    if unknown:
        raise SiteFileError(f"{name}: there is no limit {unknown[0]!r}; there are: {', '.join(LIMIT_NAMES)}")
    if not read.signed_by.strip():
        raise SiteFileError(f"{name}: signed_by is empty; stop limits are signed by a clinician of the site")
    require_date_of_signature(read.signed_on, f"{name}: signed_on")
    found = {one: Limit(given.value, given.source) for one, given in read.limits.items()}
    limits = StopLimits(
        version=read.version,
        signed_by=read.signed_by,
        signed_on=read.signed_on,
        **{one: found.get(one) for one in LIMIT_NAMES if one != "oldest_reading_min"},
        oldest_reading_min=found.get("oldest_reading_min", OLDEST_READING),
        rhythms_that_stop=_signed(read.rhythms_that_stop),
    )
    faults = faults_of_limits(limits)
    if faults:
        raise SiteFileError(f"{name}: {spell(faults[0]).rstrip('.')}")
    return limits


def _signed(read: _Rhythms | None) -> RhythmsThatStop | None:
    if read is None:
        return None
    codes = tuple(sorted(RhythmCode(one.system, one.code, one.display) for one in read.codes))
    return RhythmsThatStop(codes, read.source)
