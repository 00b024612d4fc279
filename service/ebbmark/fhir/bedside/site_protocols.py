"""The protocols that a site follows, from a JSON file that is checked when the service starts.

`protocols` lists rules for reading a trial, `staircases` how a trial is performed; both have slug, version, title and
citation. Each value stands as `{"value": 2, "source": "…"}` under the name that our own rule sets give it: in `rules`
of a protocol, in `cells` and `recruitment` of a staircase. A rule that is left out is as in the default, and
the citation says so; a cell of a staircase that is left out is not verified.

`completions` fill in what could not be read of a published staircase, signed, each number with where it was read:
`{"completes": "art", "version": "1", "signed_by": "…", "signed_on": "2026-02-01", "cells": {"decrement_cmh2o":
{"value": 3, "source": "page 5, table 2"}, …}, "recruitment": {…}, "reopens": {"value": true, "source": "…"}}`. What was
read in the publication for this project cannot be changed; what it knew at second hand or chose itself can.

Rules outside certain ranges are refused: there a slip is likelier than a choice. The ranges are this project's own
choice; the published protocols lie within.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from math import isfinite
from typing import Any

import msgspec

from ebbmark.fhir.bedside.site import Site, SiteFileError, read_site_json, require_date_of_signature
from ebbmark.physiology.before.staircase import (
    COMMON_PRACTICE,
    Cell,
    MarginMarker,
    RecruitmentRules,
    SourceStatus,
    StaircaseRules,
    faults_of_rules,
    origin_words,
    unverified_cells,
)
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol
from ebbmark.words.messages import spell

__all__ = ["with_protocols"]

CELLS = ("start_cmh2o", "decrement_cmh2o", "lowest_cmh2o", "dwell_s", "margin_cmh2o")
CLIMB = tuple(field.name for field in fields(RecruitmentRules))
_UNREAD = Cell(None, SourceStatus.NOT_VERIFIED, "left out by the site")


class Value(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One number, or several, and where it comes from.

    Attributes:
        value: one number; a list only where a rule is one.
        source: page, table, or who decided.
    """

    value: float | list[float]
    source: str


def cell_of(cells: Mapping[str, Value] | None, name: str, path: str) -> Cell:
    """The cell of that name; not verified where it was left out.

    Args:
        cells: as the site wrote them.
        name: of the cell.
        path: for messages.

    Raises:
        SiteFileError: a list instead of one number.
    """
    one = (cells or {}).get(name)
    if one is None:
        return _UNREAD
    if isinstance(one.value, list):
        raise SiteFileError(f"{path}: {name} must be one number")
    return Cell(one.value, SourceStatus.SITE, one.source)


def known(given: Mapping[str, Value], names: Iterable[str], path: str) -> None:
    """Refuse a name that there is not, and a value that names no source.

    Args:
        given: as the site wrote them.
        names: accepted.
        path: for messages.

    Raises:
        SiteFileError: names the value.
    """
    accepted = tuple(names)
    for name, one in given.items():
        if name not in accepted:
            raise SiteFileError(f"{path} has no value {name!r}; accepted: {', '.join(accepted)}")
        if not one.source.strip():
            raise SiteFileError(f"{path}.{name} names no source")


_RANGES: dict[str, tuple[float, float]] = {
    "fall": (0.01, 0.3),
    "margin_cmh2o": (0.0, 6.0),
    "minimum_steps": (3, 20),
    "largest_decrement_cmh2o": (1.0, 10.0),
    "longest_step_s": (120.0, 7200.0),
    "settling_s": (0.0, 600.0),
    "target_ml_per_kg": (4.0, 8.0),
    "plateau_limit_cmh2o": (20.0, 35.0),
    "driving_pressure_limit_cmh2o": (10.0, 20.0),
}
_RUNGS = (4.0, 5.0, 6.0, 7.0, 8.0)


def faults_of_protocol(protocol: Protocol) -> tuple[str, ...]:
    """What a rule set must not contain, one plain sentence each; empty where it may be used.

    Args:
        protocol: for example one of a site's own.
    """
    named = ("slug", "version", "title", "citation")
    faults = [f"The rule set has no {name}." for name in named if not str(getattr(protocol, name)).strip()]
    for name, (low, high) in _RANGES.items():
        value = float(getattr(protocol, name))
        if not (isfinite(value) and low <= value <= high):
            faults.append(f"{name} is {value:g}; accepted is {low:g} to {high:g}.")
    margins = protocol.margins_cmh2o
    if not margins or any(not 0.0 <= one <= 6.0 for one in margins) or list(margins) != sorted(margins):
        faults.append("margins_cmh2o must rise, each from 0 to 6.")
    elif not margins[0] <= protocol.margin_cmh2o <= margins[-1]:
        faults.append("margin_cmh2o must lie within margins_cmh2o.")
    rungs = protocol.ladder_ml_per_kg
    if not rungs or any(one not in _RUNGS for one in rungs) or list(rungs) != sorted(set(rungs)):
        faults.append("ladder_ml_per_kg must rise, each one of 4, 5, 6, 7 and 8.")
    elif not any(one <= protocol.target_ml_per_kg for one in rungs):
        faults.append("target_ml_per_kg must not lie below the whole of ladder_ml_per_kg.")
    return tuple(faults)


class _Reopens(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    value: bool
    source: str


class Completion(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a site read of a published staircase.

    Attributes:
        completes: slug of the staircase.
        version: of the completion.
        signed_by: who has read the publication and answers for the numbers.
        signed_on: when, as a date.
        cells: of the way down, by name.
        recruitment: cells of the way up, by name.
        reopens: whether the lung is opened again before PEEP is set.
    """

    completes: str
    version: str
    signed_by: str
    signed_on: str
    cells: dict[str, Value] = {}
    recruitment: dict[str, Value] = {}
    reopens: _Reopens | None = None


def with_completions(
    staircases: tuple[StaircaseRules, ...], given: Sequence[Completion], path: str
) -> tuple[StaircaseRules, ...]:
    """The staircases, those completed that a site has completed.

    Args:
        staircases: known here.
        given: as the site wrote them.
        path: of the list, for messages.

    Raises:
        SiteFileError: names the completion and its value.
    """
    found = list(staircases)
    open_ones = [one.slug for one in staircases if one.slug != COMMON_PRACTICE.slug]
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
    signed = _signature(given, path)
    known(given.cells, CELLS, f"{path}.cells")
    known(given.recruitment, CLIMB, f"{path}.recruitment")
    if not given.cells and not given.recruitment:
        raise SiteFileError(f"{path} gives no number; it completes {given.completes} with cells, recruitment or both")
    down = _filled(rules, given.cells, signed, f"{path}.cells")
    climb = rules.recruitment
    if climb is None and given.recruitment:
        raise SiteFileError(f"{path}.recruitment: {rules.title} describes no recruitment")
    if climb is not None:
        climb = replace(climb, **_filled(climb, given.recruitment, signed, f"{path}.recruitment"))
    found = replace(
        rules,
        **down,
        recruitment=climb,
        reopens=_reopens(rules, given.reopens, path),
        version=f"{rules.version}+{given.version}",
        citation=f"{rules.citation.rstrip('.')}; completed by the site, version {given.version}, {signed}",
    )
    faults = faults_of_rules(found)
    if faults:
        raise SiteFileError(f"{path}: {spell(faults[0]).rstrip('.')}")
    missing = unverified_cells(found, with_recruitment=False)
    if missing:
        named = ", the ".join(map(spell, missing))
        raise SiteFileError(f"{path} leaves open the {named}, so {given.completes} still has no way down")
    return found


def _signature(given: Completion, path: str) -> str:
    if not given.version.strip():
        raise SiteFileError(f"{path}.version is empty")
    if not given.signed_by.strip():
        raise SiteFileError(f"{path}.signed_by is empty; whoever has read the publication signs for its numbers")
    require_date_of_signature(given.signed_on, f"{path}.signed_on")
    return f"signed by {given.signed_by.strip()} on {given.signed_on}"


def _filled(owner: object, given: Mapping[str, Value], signed: str, path: str) -> dict[str, Any]:
    """The cells of a site; where ours was read in the publication itself, the same number is kept as ours."""
    found: dict[str, Cell] = {}
    for name in given:
        theirs, ours = cell_of(given, name, path), getattr(owner, name)
        if ours is None or ours.traced is not SourceStatus.VERIFIED:
            found[name] = replace(theirs, source=f"{theirs.source.strip().rstrip('.')}; {signed}")
        elif ours.value != theirs.value:
            origin = spell(origin_words(ours))
            raise SiteFileError(
                f"{path}.{name} is {theirs.value:g}, but {ours.value:g} is there already ({origin}); "
                "another number belongs into a staircase of the site's own"
            )
    return found


def _reopens(rules: StaircaseRules, given: _Reopens | None, path: str) -> bool | None:
    if given is None:
        return rules.reopens
    if not given.source.strip():
        raise SiteFileError(f"{path}.reopens names no source")
    if rules.reopens not in (None, given.value):
        raise SiteFileError(f"{path}.reopens is {given.value}, but {rules.reopens} was read in the publication")
    return given.value


_NAMED = ("slug", "version", "title", "citation")
_RULES = {field.name: getattr(DEFAULT_PROTOCOL, field.name) for field in fields(Protocol) if field.name not in _NAMED}


class _Protocol(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slug: str
    version: str
    title: str
    citation: str
    rules: dict[str, Value] = {}


class _Staircase(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    slug: str
    version: str
    title: str
    citation: str
    marker: str = "compliance"
    rule: str = ""
    margin_on: str = "closing"
    reopens: bool = False
    remark: str = ""
    cells: dict[str, Value] = {}
    recruitment: dict[str, Value] | None = None


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    protocols: list[_Protocol] = []
    staircases: list[_Staircase] = []
    completions: list[Completion] = []


def with_protocols(site: Site, name: str, content: bytes) -> Site:
    """The site with the protocols of a file beside those that are there.

    Args:
        site: what there is.
        name: of the file, for messages.
        content: JSON.

    Raises:
        SiteFileError: names file, protocol and value.
    """
    read = read_site_json(name, content, _File, "a file of protocols")
    protocols = [_protocol(one, f"{name}: protocols[{place}]") for place, one in enumerate(read.protocols)]
    staircases = [_staircase(one, f"{name}: staircases[{place}]") for place, one in enumerate(read.staircases)]
    site = replace(site, staircases=with_completions(site.staircases, read.completions, f"{name}: completions"))
    together = replace(site, protocols=(*site.protocols, *protocols), staircases=(*site.staircases, *staircases))
    slugs = [*[one.slug for one in together.protocols], *[one.slug for one in together.staircases]]
    twice = next((slug for slug in slugs if slugs.count(slug) > 1), None)
    if twice is not None:
        raise SiteFileError(f"{name}: the slug {twice!r} is there already; give the protocol another one")
    return together


def _protocol(given: _Protocol, path: str) -> Protocol:
    known(given.rules, _RULES, f"{path}.rules")
    values: dict[str, object] = {}
    for rule, one in given.rules.items():
        several = isinstance(_RULES[rule], tuple)
        if several != isinstance(one.value, list):
            raise SiteFileError(f"{path}.rules.{rule} must be {'a list of numbers' if several else 'one number'}")
        values[rule] = tuple(one.value) if isinstance(one.value, list) else one.value
    if "minimum_steps" in values:
        values["minimum_steps"] = int(str(values["minimum_steps"]).partition(".")[0])
    sources = "; ".join(f"{rule}: {one.source}" for rule, one in given.rules.items())
    left_out = "What it leaves out is as in " if len(values) < len(_RULES) else ""
    rest = f" {left_out}{DEFAULT_PROTOCOL.slug} version {DEFAULT_PROTOCOL.version}." if left_out else ""
    named = {
        "slug": given.slug,
        "version": given.version,
        "title": given.title,
        "citation": f"{given.citation.rstrip('.')}. {sources}.{rest}",
    }
    found = Protocol(**{**_RULES, **values, **named})
    faults = faults_of_protocol(found)
    if faults:
        raise SiteFileError(f"{path}: {spell(faults[0]).rstrip('.')}")
    return found


def _staircase(given: _Staircase, path: str) -> StaircaseRules:
    known(given.cells, CELLS, f"{path}.cells")
    known(given.recruitment or {}, CLIMB, f"{path}.recruitment")
    marker = next((one for one in MarginMarker if one.value == given.marker), None)
    if marker is None:
        raise SiteFileError(
            f"{path}.marker is {given.marker!r}; accepted: {', '.join(one.value for one in MarginMarker)}"
        )
    climb = given.recruitment
    above = (
        cell_of(climb, "pressure_above_peep_cmh2o", path) if climb and "pressure_above_peep_cmh2o" in climb else None
    )
    found = StaircaseRules(
        slug=given.slug,
        version=given.version,
        title=given.title,
        citation=given.citation,
        recruitment=RecruitmentRules(
            peep_rise_cmh2o=cell_of(climb, "peep_rise_cmh2o", path),
            peep_top_cmh2o=cell_of(climb, "peep_top_cmh2o", path),
            pressure_above_peep_cmh2o=above,
            pressure_rise_cmh2o=cell_of(climb, "pressure_rise_cmh2o", path),
            peak_top_cmh2o=cell_of(climb, "peak_top_cmh2o", path),
            hold_s=cell_of(climb, "hold_s", path),
        )
        if climb is not None
        else None,
        start_cmh2o=cell_of(given.cells, "start_cmh2o", path),
        decrement_cmh2o=cell_of(given.cells, "decrement_cmh2o", path),
        lowest_cmh2o=cell_of(given.cells, "lowest_cmh2o", path),
        dwell_s=cell_of(given.cells, "dwell_s", path),
        marker=marker,
        rule=given.rule,
        margin_cmh2o=cell_of(given.cells, "margin_cmh2o", path),
        margin_on=given.margin_on,
        reopens=given.reopens,
        remark=given.remark,
    )
    faults = faults_of_rules(found)
    if faults:
        raise SiteFileError(f"{path}: {spell(faults[0]).rstrip('.')}")
    return found
