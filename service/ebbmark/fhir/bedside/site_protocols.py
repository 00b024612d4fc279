"""Which protocols does this site follow? A JSON file, checked when the service starts.

`protocols` lists rules for reading a trial, `staircases` how a trial is performed; both have slug, version, title and
citation. Each value stands as `{"value": 2, "source": "…"}` under the name that our own rule sets give it: in `rules`
of a protocol, in `cells` and `recruitment` of a staircase. A rule that is left out is as in the default, and
the citation says so; a cell of a staircase that is left out is not verified. `completions` fill in what could not be
read of a published staircase.
"""

from __future__ import annotations

from dataclasses import fields, replace

import msgspec

from ebbmark.fhir.bedside.rule_ranges import faults_of_protocol
from ebbmark.fhir.bedside.site import Misread, Site
from ebbmark.fhir.bedside.site_cells import CELLS, CLIMB, Value, cell_of, known
from ebbmark.fhir.bedside.site_completions import Completion, with_completions
from ebbmark.fhir.bedside.site_json import read_site_json
from ebbmark.physiology.before.staircase import (
    Marker,
    RecruitmentRules,
    StaircaseRules,
    faults_of_rules,
)
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol

__all__ = ["with_protocols"]

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
        Misread: names file, protocol and value.
    """
    read = read_site_json(name, content, _File, "a file of protocols")
    protocols = [_protocol(one, f"{name}: protocols[{place}]") for place, one in enumerate(read.protocols)]
    staircases = [_staircase(one, f"{name}: staircases[{place}]") for place, one in enumerate(read.staircases)]
    site = replace(site, staircases=with_completions(site.staircases, read.completions, f"{name}: completions"))
    together = replace(site, protocols=(*site.protocols, *protocols), staircases=(*site.staircases, *staircases))
    slugs = [*[one.slug for one in together.protocols], *[one.slug for one in together.staircases]]
    twice = next((slug for slug in slugs if slugs.count(slug) > 1), None)
    if twice is not None:
        raise Misread(f"{name}: the slug {twice!r} is there already; give the protocol another one")
    return together


def _protocol(given: _Protocol, path: str) -> Protocol:
    known(given.rules, _RULES, f"{path}.rules")
    values: dict[str, object] = {}
    for rule, one in given.rules.items():
        several = isinstance(_RULES[rule], tuple)
        if several != isinstance(one.value, list):
            raise Misread(f"{path}.rules.{rule} must be {'a list of numbers' if several else 'one number'}")
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
        raise Misread(f"{path}: {faults[0].rstrip('.')}")
    return found


def _staircase(given: _Staircase, path: str) -> StaircaseRules:
    known(given.cells, CELLS, f"{path}.cells")
    known(given.recruitment or {}, CLIMB, f"{path}.recruitment")
    marker = next((one for one in Marker if one.value == given.marker), None)
    if marker is None:
        raise Misread(f"{path}.marker is {given.marker!r}; accepted: {', '.join(one.value for one in Marker)}")
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
        raise Misread(f"{path}: {faults[0].rstrip('.')}")
    return found
