"""The site's own files (codes, protocols, limits, sentences): their bytes, and the rules in force that they hold.

The schema of the JSON files stands in `fhir/reading/site_file`. What was read in a publication for this project cannot
be changed by a completion of a staircase; what it knew at second hand or chose itself can.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.fhir.reading.site_file import (
    Completion,
    Number,
    ProtocolFile,
    ProtocolGiven,
    SiteFileError,
    StaircaseGiven,
    StopLimitsFile,
    given_in,
    read_site_file,
)
from ebbmark.fhir.reading.terminology import read_code_map, with_value_sets
from ebbmark.physiology.before.staircase import (
    DEFAULT_STAIRCASE,
    Cell,
    RecruitmentRules,
    StaircaseRules,
    faults_of_rules,
    origin_words,
    unverified,
)
from ebbmark.physiology.findings import SourceStatus
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol
from ebbmark.physiology.stop.limits import (
    OLDEST_READING,
    Limit,
    RhythmCode,
    RhythmsThatStop,
    StopLimits,
    faults_of_limits,
)
from ebbmark.words.messages import NotACatalogue, read_catalogue, spell, use_catalogue

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
                f"{problem.sentence.rstrip('.')}{f' [{problem.expression}]' if problem.expression else ''}"
                for problem in rejected.problems
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


_UNREAD = Cell(None, SourceStatus.NOT_VERIFIED, "left out by the site")
_SIGNED = ("version", "signed_by", "signed_on", "oldest_reading_min")
_STOP_LIMITS = [field.name for field in fields(StopLimits) if field.name not in _SIGNED]
"""What a trial may be stopped by."""


def read_stop_limits(name: str, content: bytes) -> StopLimits:
    """Read a file of signed limits.

    Raises:
        SiteFileError: names file and element.
    """
    read = read_site_file(name, content, StopLimitsFile, "a file of stop limits")
    found = {one: Limit(number.value, number.source) for one, number in given_in(read.limits).items()}
    rhythms = read.rhythms_that_stop
    codes = sorted(RhythmCode(code.system, code.code, code.display) for code in rhythms.codes) if rhythms else []
    limits = StopLimits(
        version=read.version,
        signed_by=read.signed_by,
        signed_on=read.signed_on.isoformat(),
        **{one: found.get(one) for one in _STOP_LIMITS if one != "rhythms_that_stop"},
        oldest_reading_min=found.get("oldest_reading_min", OLDEST_READING),
        rhythms_that_stop=RhythmsThatStop(tuple(codes), rhythms.source) if rhythms else None,
    )
    faults = faults_of_limits(limits)
    if faults:
        raise SiteFileError(f"{name}: {spell(faults[0]).rstrip('.')}")
    return limits


def with_protocols(site: Site, name: str, content: bytes) -> Site:
    """The site with the protocols of a file beside those that are there.

    Raises:
        SiteFileError: names file, protocol and value.
    """
    read = read_site_file(name, content, ProtocolFile, "a file of protocols")
    protocols = [_protocol(one, f"{name}: protocols[{place}]") for place, one in enumerate(read.protocols)]
    staircases = [_staircase(one, f"{name}: staircases[{place}]") for place, one in enumerate(read.staircases)]
    site = replace(site, staircases=_with_completions(site.staircases, read.completions, f"{name}: completions"))
    together = replace(site, protocols=(*site.protocols, *protocols), staircases=(*site.staircases, *staircases))
    slugs = [
        *[protocol.slug for protocol in together.protocols],
        *[staircase.slug for staircase in together.staircases],
    ]
    twice = next((slug for slug in slugs if slugs.count(slug) > 1), None)
    if twice is not None:
        raise SiteFileError(f"{name}: the slug {twice!r} is there already; give the protocol another one")
    return together


def _protocol(given: ProtocolGiven, path: str) -> Protocol:
    rules = given_in(given.rules)
    values: dict[str, Any] = {
        name: tuple(map(float, one.value)) if isinstance(one.value, list) else one.value for name, one in rules.items()
    }
    sources = "; ".join(f"{rule}: {one.source}" for rule, one in rules.items())
    citation = f"{given.citation.rstrip('.')}. {sources}."
    if len(values) < len(given.rules.__struct_fields__):
        citation += f" What it leaves out is as in {DEFAULT_PROTOCOL.slug} version {DEFAULT_PROTOCOL.version}."
    found = replace(
        DEFAULT_PROTOCOL, slug=given.slug, version=given.version, title=given.title, citation=citation, **values
    )
    margins, rungs = found.margins_cmh2o, found.ladder_ml_per_kg
    if list(margins) != sorted(margins):
        raise SiteFileError(f"{path}: margins_cmh2o must rise")
    if not margins[0] <= found.margin_cmh2o <= margins[-1]:
        raise SiteFileError(f"{path}: margin_cmh2o must lie within margins_cmh2o")
    if list(rungs) != sorted(set(rungs)):
        raise SiteFileError(f"{path}: ladder_ml_per_kg must rise")
    if found.target_ml_per_kg < rungs[0]:
        raise SiteFileError(f"{path}: target_ml_per_kg must not lie below the whole of ladder_ml_per_kg")
    return found


def _cell(one: Number | None) -> Cell:
    return _UNREAD if one is None else Cell(one.value, SourceStatus.SITE, one.source)


def _staircase(given: StaircaseGiven, path: str) -> StaircaseRules:
    climb: dict[str, Any] = {}
    if given.recruitment is not None:
        climb = {name: _cell(getattr(given.recruitment, name)) for name in given.recruitment.__struct_fields__}
        if given.recruitment.pressure_above_peep_cmh2o is None:
            climb["pressure_above_peep_cmh2o"] = None
    found = StaircaseRules(
        slug=given.slug,
        version=given.version,
        title=given.title,
        citation=given.citation,
        recruitment=RecruitmentRules(**climb) if climb else None,
        **{name: _cell(getattr(given.cells, name)) for name in given.cells.__struct_fields__},
        marker=given.marker,
        rule=given.rule,
        margin_on=given.margin_on,
        reopens=given.reopens,
        remark=given.remark,
    )
    faults = faults_of_rules(found)
    if faults:
        raise SiteFileError(f"{path}: {spell(faults[0]).rstrip('.')}")
    return found


def _with_completions(
    staircases: tuple[StaircaseRules, ...], given: Sequence[Completion], path: str
) -> tuple[StaircaseRules, ...]:
    """The staircases, those completed that a site has completed."""
    found = list(staircases)
    open_ones = [staircase.slug for staircase in staircases if staircase.slug != DEFAULT_STAIRCASE.slug]
    for place, one in enumerate(given):
        at = f"{path}[{place}]"
        if one.completes not in open_ones:
            again = any(one.completes == earlier.completes for earlier in given[:place])
            reason = "is completed twice" if again else f"is no published staircase; there are: {', '.join(open_ones)}"
            raise SiteFileError(f"{at}.completes: {one.completes!r} {reason}")
        open_ones.remove(one.completes)
        index = next(number for number, rules in enumerate(found) if rules.slug == one.completes)
        found[index] = _completed(found[index], one, at)
    return tuple(found)


def _completed(rules: StaircaseRules, given: Completion, path: str) -> StaircaseRules:
    signed = f"signed by {given.signed_by.strip()} on {given.signed_on.isoformat()}"
    down, up = given_in(given.cells), given_in(given.recruitment)
    if not down and not up:
        raise SiteFileError(f"{path} gives no number; it completes {given.completes} with cells, recruitment or both")
    climb = rules.recruitment
    if climb is None and up:
        raise SiteFileError(f"{path}.recruitment: {rules.title} describes no recruitment")
    if climb is not None:
        climb = replace(climb, **_filled(climb, up, signed, f"{path}.recruitment"))
    found = replace(
        rules,
        **_filled(rules, down, signed, f"{path}.cells"),
        recruitment=climb,
        reopens=_reopens(rules, given, path),
        version=f"{rules.version}+{given.version}",
        citation=f"{rules.citation.rstrip('.')}; completed by the site, version {given.version}, {signed}",
    )
    faults = faults_of_rules(found)
    if faults:
        raise SiteFileError(f"{path}: {spell(faults[0]).rstrip('.')}")
    missing = unverified(found, with_recruitment=False)
    if missing:
        named = ", the ".join(map(spell, missing.values()))
        raise SiteFileError(f"{path} leaves open the {named}, so {given.completes} still has no way down")
    return found


def _filled(owner: object, given: dict[str, Number], signed: str, path: str) -> dict[str, Any]:
    """The cells of a site; where ours was read in the publication itself, the same number is kept as ours."""
    found: dict[str, Cell] = {}
    for name, one in given.items():
        ours = getattr(owner, name)
        if ours is None or ours.traced is not SourceStatus.VERIFIED:
            found[name] = Cell(one.value, SourceStatus.SITE, f"{one.source.strip().rstrip('.')}; {signed}")
        elif ours.value != one.value:
            origin = spell(origin_words(ours))
            raise SiteFileError(
                f"{path}.{name} is {one.value:g}, but {ours.value:g} is there already ({origin}); "
                "another number belongs into a staircase of the site's own"
            )
    return found


def _reopens(rules: StaircaseRules, completion: Completion, path: str) -> bool | None:
    given = completion.reopens
    if given is None:
        return rules.reopens
    if rules.reopens not in (None, given.value):
        raise SiteFileError(f"{path}.reopens is {given.value}, but {rules.reopens} was read in the publication")
    return given.value
