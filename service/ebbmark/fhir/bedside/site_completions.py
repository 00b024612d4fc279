"""Which published staircase has this site completed, having read the paper? Signed, each number with where it was read.

`{"completes": "art", "version": "1", "signed_by": "…", "signed_on": "2026-02-01", "cells": {"decrement_cmh2o":
{"value": 3, "source": "page 5, table 2"}, …}, "recruitment": {…}, "reopens": {"value": true, "source": "…"}}`. What was
read in the publication for this project cannot be changed; what it knew at second hand or chose itself can.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import msgspec

from ebbmark.fhir.bedside.site import Misread
from ebbmark.fhir.bedside.site_cells import CELLS, CLIMB, Value, cell_of, known
from ebbmark.fhir.bedside.site_json import require_date_of_signature
from ebbmark.physiology.before.published_staircases import COMMON_PRACTICE
from ebbmark.physiology.before.staircase import (
    Cell,
    StaircaseRules,
    Traced,
    faults_of_rules,
    origin_words,
    unverified_cells,
)

__all__ = ["Completion", "with_completions"]


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
        Misread: names the completion and its value.
    """
    found = list(staircases)
    open_ones = [one.slug for one in staircases if one.slug != COMMON_PRACTICE.slug]
    for place, one in enumerate(given):
        at = f"{path}[{place}]"
        if one.completes not in open_ones:
            again = any(one.completes == earlier.completes for earlier in given[:place])
            reason = "is completed twice" if again else f"is no published staircase; there are: {', '.join(open_ones)}"
            raise Misread(f"{at}.completes: {one.completes!r} {reason}")
        open_ones.remove(one.completes)
        index = next(number for number, rules in enumerate(found) if rules.slug == one.completes)
        found[index] = _completed(found[index], one, at)
    return tuple(found)


def _completed(rules: StaircaseRules, given: Completion, path: str) -> StaircaseRules:
    signed = _signature(given, path)
    known(given.cells, CELLS, f"{path}.cells")
    known(given.recruitment, CLIMB, f"{path}.recruitment")
    if not given.cells and not given.recruitment:
        raise Misread(f"{path} gives no number; it completes {given.completes} with cells, recruitment or both")
    down = _filled(rules, given.cells, signed, f"{path}.cells")
    climb = rules.recruitment
    if climb is None and given.recruitment:
        raise Misread(f"{path}.recruitment: {rules.title} describes no recruitment")
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
        raise Misread(f"{path}: {faults[0].rstrip('.')}")
    missing = unverified_cells(found, with_recruitment=False)
    if missing:
        raise Misread(f"{path} leaves open the {', the '.join(missing)}, so {given.completes} still has no way down")
    return found


def _signature(given: Completion, path: str) -> str:
    if not given.version.strip():
        raise Misread(f"{path}.version is empty")
    if not given.signed_by.strip():
        raise Misread(f"{path}.signed_by is empty; whoever has read the publication signs for its numbers")
    require_date_of_signature(given.signed_on, f"{path}.signed_on")
    return f"signed by {given.signed_by.strip()} on {given.signed_on}"


def _filled(owner: object, given: Mapping[str, Value], signed: str, path: str) -> dict[str, Any]:
    """The cells of a site; where ours was read in the publication itself, the same number is kept as ours."""
    found: dict[str, Cell] = {}
    for name in given:
        theirs, ours = cell_of(given, name, path), getattr(owner, name)
        if ours is None or ours.traced is not Traced.VERIFIED:
            found[name] = replace(theirs, source=f"{theirs.source.strip().rstrip('.')}; {signed}")
        elif ours.value != theirs.value:
            raise Misread(
                f"{path}.{name} is {theirs.value:g}, but {ours.value:g} is there already ({origin_words(ours)}); "
                "another number belongs into a staircase of the site's own"
            )
    return found


def _reopens(rules: StaircaseRules, given: _Reopens | None, path: str) -> bool | None:
    if given is None:
        return rules.reopens
    if not given.source.strip():
        raise Misread(f"{path}.reopens names no source")
    if rules.reopens not in (None, given.value):
        raise Misread(f"{path}.reopens is {given.value}, but {rules.reopens} was read in the publication")
    return given.value
