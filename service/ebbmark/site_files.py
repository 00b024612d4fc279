"""The site's own files (codes, protocols, limits, sentences): their bytes, and what is read from them, or why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import TypeVar

import msgspec

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.fhir.reading.site import SiteFileError
from ebbmark.fhir.reading.site_rules import read_stop_limits, with_protocols
from ebbmark.fhir.reading.terminology import read_code_map, with_value_sets
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.words.messages import NotACatalogue, read_catalogue, use_catalogue

_Read = TypeVar("_Read")


Files = tuple[tuple[str, bytes], ...]
"""Name and content of each file."""


@dataclass(frozen=True, slots=True)
class SiteFiles:
    """The site's own files as they were read: bytes, so that they can be sent to another process.

    Attributes:
        code_map: ConceptMaps for the site's own codes of readings.
        messages: its sentences in another language.
    """

    code_map: Files = ()
    charting: Files = ()
    protocols: Files = ()
    stop_limits: Files = ()
    value_sets: Files = ()
    messages: Files = ()


NO_FILES = SiteFiles()


def files_of(**places: Path | None) -> SiteFiles:
    """Read the site's files.

    Args:
        places: by the name of each attribute of `SiteFiles`; for `code_map` and `value_sets` also a folder of .json
            files; None where there is none.

    Raises:
        SiteFileError: names setting and file.
    """
    read = {
        name: tuple(_files(name, place)) if name in _FOLDERS else ((place.name, content_of(_setting(name), place)),)
        for name, place in places.items()
        if place is not None
    }
    return SiteFiles(**read)


def site_of(read: SiteFiles) -> Site:
    """The site's protocols, stop limits and codes of conditions.

    Raises:
        SiteFileError: names setting, file and element.
    """
    site = NO_SITE
    for name, content in read.protocols:
        site = _of("protocols", partial(with_protocols, site, name, content))
    codes, limits = site.condition_codes, site.stop_limits
    if read.value_sets:
        codes = _of("value_sets", partial(with_value_sets, codes, list(read.value_sets)))
    for name, content in read.stop_limits:
        limits = _of("stop_limits", partial(read_stop_limits, name, content))
    return Site(codes, site.protocols, site.staircases, limits)


def codes_of(read: SiteFiles) -> CodeMap:
    """The site's own codes of readings, and how it charts.

    Raises:
        SiteFileError: names setting, file and element.
    """
    codes = NO_CODE_MAP
    if read.code_map:
        try:
            codes = read_code_map(*[content for _, content in read.code_map])
        except Rejected as rejected:
            names = ", ".join(name for name, _ in read.code_map)
            told = [
                f"{one.sentence.rstrip('.')}{f' [{one.expression}]' if one.expression else ''}"
                for one in rejected.problems
            ]
            raise SiteFileError(f"EBBMARK_CODE_MAP: {names}: {'; '.join(told)}") from None
    for name, content in read.charting:
        codes = _of("charting", partial(with_charting, codes, name, content))
    return codes


def faults_of(**places: Path | None) -> tuple[list[str], int]:
    """What is wrong with the site's files, at most one sentence for each setting, and how many settings name any.

    Args:
        places: as `files_of` takes them.
    """
    faults: list[str] = []
    usable = NO_FILES
    given = {name: place for name, place in places.items() if place is not None}
    for name, place in given.items():
        try:
            one = files_of(**{name: place})
            if name == "messages":
                use_messages(one)
            elif name in ("code_map", "charting"):
                # A charting table names codes that the code map makes known.
                usable = replace(usable, **{name: getattr(one, name)})
                codes_of(usable)
            else:
                site_of(one)
        except SiteFileError as fault:
            faults.append(f"{str(fault).rstrip('.')}.")
            usable = replace(usable, code_map=()) if name == "code_map" else usable
    return faults, len(given)


_STOP_LIMITS = [
    one.name
    for one in fields(StopLimits)
    if one.name not in ("version", "signed_by", "signed_on", "oldest_reading_min")
]
"""What a trial may be stopped by."""


class _SignedOn(msgspec.Struct):
    signed_on: str = ""


class _SignedFile(_SignedOn):
    completions: list[_SignedOn] = []


def remarks_on(read: SiteFiles, *, today: date) -> list[str]:
    """What a person should look at in files that can be used, as sentences.

    Args:
        read: the site's files, which can be used.
        today: what a signature may not be later than.
    """
    found = []
    for setting in ("charting", "protocols", "stop_limits"):
        for name, content in getattr(read, setting):
            signed = msgspec.json.decode(content, type=_SignedFile)
            later = [one.signed_on for one in (signed, *signed.completions) if one.signed_on > today.isoformat()]
            found += [f"{_setting(setting)}: {name}: signed_on lies ahead ({one})." for one in later]
    limits = site_of(read).stop_limits
    checked = [one for one in _STOP_LIMITS if getattr(limits, one) is not None]
    if read.stop_limits and not checked:
        found.append("EBBMARK_STOP_LIMITS: no limit is set: nothing is checked that would stop a trial.")
    for key, row in codes_of(replace(read, charting=())).table.items():
        ours = NO_CODE_MAP.table.get(key)
        if ours is not None and ours.meaning is not None and ours.meaning is not row.meaning:
            found.append(
                f"EBBMARK_CODE_MAP: {key[0]}|{key[1]} ({ours.display}) is mapped to another meaning than its own."
            )
    return found


def use_messages(read: SiteFiles) -> None:
    """Lay the site's language over the English sentences, for this process; English where there is no file.

    Raises:
        SiteFileError: names setting, file and each message that cannot be used.
    """
    translated: Mapping[str, str] = {}
    for name, content in read.messages:
        try:
            translated = read_catalogue(content.decode())
        except (NotACatalogue, UnicodeDecodeError) as fault:
            raise SiteFileError(f"EBBMARK_MESSAGES: {name}: {fault}") from None
    use_catalogue(translated)


_FOLDERS = ("code_map", "value_sets")


def _setting(name: str) -> str:
    return f"EBBMARK_{name.upper()}"


def _of(name: str, read: Callable[[], _Read]) -> _Read:
    """What was read, or the fault with the setting whose file it is in."""
    try:
        return read()
    except SiteFileError as fault:
        raise SiteFileError(f"{_setting(name)}: {fault}") from None


def _files(name: str, place: Path) -> list[tuple[str, bytes]]:
    if not place.is_dir():
        return [(place.name, content_of(_setting(name), place))]
    found = sorted(place.glob("*.json"))
    if not found:
        raise SiteFileError(f"{_setting(name)}: the folder {place} holds no .json file")
    return [(one.name, content_of(_setting(name), one)) for one in found]


def content_of(setting: str, file: Path) -> bytes:
    """Read a file that the operator named.

    Raises:
        SiteFileError: names setting and file.
    """
    try:
        return file.read_bytes()
    except OSError as error:
        raise SiteFileError(f"{setting}: {file} cannot be read ({error.strerror})") from None
