"""The site's own files (codes, protocols, stop limits), read to one value, or why not to start."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

from ebbmark.fhir.bedside.site import NO_SITE, Misread, Site
from ebbmark.fhir.bedside.site_limits import read_stop_limits
from ebbmark.fhir.bedside.site_protocols import with_protocols
from ebbmark.fhir.bedside.value_sets import with_value_sets
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.concept_map import NO_CODE_MAP, CodeMap, read_code_map
from ebbmark.words.messages import NotACatalogue, read_catalogue, use_catalogue

__all__ = ["content_of", "read_codes", "read_site", "use_messages"]

_Read = TypeVar("_Read")


def read_site(*, value_sets: Path | None, protocols: Path | None, stop_limits: Path | None) -> Site:
    """Read the site's files.

    Args:
        value_sets: a file, or a folder of .json files.
        protocols: a file.
        stop_limits: a file.

    Raises:
        Misread: names setting, file and element.
    """
    site = NO_SITE
    if protocols is not None:
        content = content_of("EBBMARK_PROTOCOLS", protocols)
        site = _of("EBBMARK_PROTOCOLS", partial(with_protocols, site, protocols.name, content))
    codes, limits = site.condition_codes, site.stop_limits
    if value_sets is not None:
        files = _files("EBBMARK_VALUE_SETS", value_sets)
        codes = _of("EBBMARK_VALUE_SETS", partial(with_value_sets, codes, files))
    if stop_limits is not None:
        content = content_of("EBBMARK_STOP_LIMITS", stop_limits)
        limits = _of("EBBMARK_STOP_LIMITS", partial(read_stop_limits, stop_limits.name, content))
    return Site(codes, site.protocols, site.staircases, limits)


def read_codes(*, code_map: Path | None, charting: Path | None) -> CodeMap:
    """Read the site's own codes of readings, and how it charts.

    Args:
        code_map: a ConceptMap, or a folder with some; None where there is none.
        charting: the signed charting table; None where there is none.

    Raises:
        Misread: names setting, file and element.
    """
    codes = NO_CODE_MAP
    if code_map is not None:
        files = _files("EBBMARK_CODE_MAP", code_map)
        try:
            codes = read_code_map(*[content for _, content in files])
        except Rejected as rejected:
            one = rejected.problems[0]
            place = f" [{one.expression}]" if one.expression else ""
            raise Misread(f"EBBMARK_CODE_MAP: {one.sentence.rstrip('.')}{place}") from None
    if charting is not None:
        content = content_of("EBBMARK_CHARTING", charting)
        codes = _of("EBBMARK_CHARTING", partial(with_charting, codes, charting.name, content))
    return codes


def use_messages(file: Path | None) -> None:
    """Lay the site's language over the English sentences, for this process.

    Args:
        file: a file; None for English.

    Raises:
        Misread: names setting, file and each message that cannot be used.
    """
    if file is None:
        use_catalogue({})
        return
    try:
        use_catalogue(read_catalogue(content_of("EBBMARK_MESSAGES", file).decode()))
    except (NotACatalogue, UnicodeDecodeError) as fault:
        raise Misread(f"EBBMARK_MESSAGES: {file.name}: {fault}") from None


def _of(setting: str, read: Callable[[], _Read]) -> _Read:
    """What was read, or the fault with the setting whose file it is in."""
    try:
        return read()
    except Misread as fault:
        raise Misread(f"{setting}: {fault}") from None


def _files(setting: str, place: Path) -> list[tuple[str, bytes]]:
    if not place.is_dir():
        return [(place.name, content_of(setting, place))]
    found = sorted(place.glob("*.json"))
    if not found:
        raise Misread(f"{setting}: the folder {place} holds no .json file")
    return [(one.name, content_of(setting, one)) for one in found]


def content_of(setting: str, file: Path) -> bytes:
    """Read a file that the operator named.

    Args:
        setting: whose file it is.
        file: where.

    Raises:
        Misread: names setting and file.
    """
    try:
        return file.read_bytes()
    except OSError as error:
        raise Misread(f"{setting}: {file} cannot be read ({error.strerror})") from None
