"""From the files that a site signs to the rules in force: protocols, staircases, completions and stop limits.

The files' shapes stand in `site`. What was read in a publication for this project cannot be changed by a completion;
what it knew at second hand or chose itself can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

from ebbmark.fhir.reading.request import Site
from ebbmark.fhir.reading.site import (
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
from ebbmark.words.messages import spell

_UNREAD = Cell(None, SourceStatus.NOT_VERIFIED, "left out by the site")
_NO_NUMBERS = ("version", "signed_by", "signed_on", "rhythms_that_stop", "oldest_reading_min")
_LIMITS = tuple(one.name for one in fields(StopLimits) if one.name not in _NO_NUMBERS)


def read_stop_limits(name: str, content: bytes) -> StopLimits:
    """Read a file of signed limits.

    Raises:
        SiteFileError: names file and element.
    """
    read = read_site_file(name, content, StopLimitsFile, "a file of stop limits")
    found = {one: Limit(number.value, number.source) for one, number in given_in(read.limits).items()}
    rhythms = read.rhythms_that_stop
    codes = sorted(RhythmCode(one.system, one.code, one.display) for one in rhythms.codes) if rhythms else []
    limits = StopLimits(
        version=read.version,
        signed_by=read.signed_by,
        signed_on=read.signed_on.isoformat(),
        **{one: found.get(one) for one in _LIMITS},
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
    slugs = [*[one.slug for one in together.protocols], *[one.slug for one in together.staircases]]
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
    climb = given.recruitment
    found = StaircaseRules(
        slug=given.slug,
        version=given.version,
        title=given.title,
        citation=given.citation,
        recruitment=RecruitmentRules(
            peep_rise_cmh2o=_cell(climb.peep_rise_cmh2o),
            peep_top_cmh2o=_cell(climb.peep_top_cmh2o),
            pressure_above_peep_cmh2o=_cell(above) if (above := climb.pressure_above_peep_cmh2o) else None,
            pressure_rise_cmh2o=_cell(climb.pressure_rise_cmh2o),
            peak_top_cmh2o=_cell(climb.peak_top_cmh2o),
            hold_s=_cell(climb.hold_s),
        )
        if climb is not None
        else None,
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
    open_ones = [one.slug for one in staircases if one.slug != DEFAULT_STAIRCASE.slug]
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
