"""What this site has decided for itself, in one value, and how the JSON files that it signs are read.

One shape, each name once, dates as people read them. JSON readers take the last of two equal names without a word: in a
file of limits that is a limit nobody meant.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

import msgspec

from ebbmark.fhir.bedside.condition_codes import BUILT_IN, ConditionCodes
from ebbmark.physiology.before.staircase import COMMON_PRACTICE, STAIRCASES, StaircaseRules
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, PROTOCOLS, Protocol
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, StopLimits

__all__ = ["NO_SITE", "Site", "SiteFileError", "read_site_json", "require_date_of_signature"]


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

_File = TypeVar("_File", bound=msgspec.Struct)


def read_site_json(name: str, content: bytes, shape: type[_File], what: str) -> _File:
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
