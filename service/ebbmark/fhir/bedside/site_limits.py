"""Which stop limits did a clinician of this site sign? A JSON file, checked when the service starts.

`{"version": "2", "signed_by": "…", "signed_on": "2026-02-01", "limits": {"spo2_below_percent": {"value": 88,
"source": "…"}, …}}`. A limit that is left out keeps no default: it is not checked, and every answer names it as not
signed. So does a file that was signed before there was such a limit: `systolic_arterial_pressure_below_mmhg` is the
youngest. Heart rhythms are signed as codes, beside the limits: `"rhythms_that_stop": {"codes": [{"system": "…",
"code": "…", "display": "…"}], "source": "…"}`; left out, no rhythm stops by itself. Only the age from which a reading
no longer counts (`oldest_reading_min`) keeps its default.
"""

from __future__ import annotations

from dataclasses import fields

import msgspec

from ebbmark.fhir.bedside.site import SiteFileError, read_site_json, require_date_of_signature
from ebbmark.physiology.stop.limits import (
    OLDEST_READING,
    Limit,
    RhythmCode,
    RhythmsThatStop,
    StopLimits,
    faults_of_limits,
)
from ebbmark.words.messages import spell

__all__ = ["LIMIT_NAMES", "read_stop_limits"]

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


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
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
    read = read_site_json(name, content, _File, "a file of stop limits")
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
