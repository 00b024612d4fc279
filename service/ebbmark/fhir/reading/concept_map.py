"""A site's own codes, units and texts: FHIR R4 ConceptMaps as they are, laid over our table of codes.

Rows that are equal or equivalent to a code of our table, to a quantity of ours or to a UCUM unit are taken. All others
(another target, `unmatched`, `wider` ...) are counted and left: a site's map serves others, too. A group without a
source maps codes that come without a system, as R4 defines it; one whose source is `CODE_TEXT` maps
CodeableConcept.text. What is meant for us and cannot be right stops. Source: FHIR R4 4.0.1,
https://hl7.org/fhir/R4/conceptmap.html. OIDs of code systems: HL7 Terminology (THO), pages of the code systems LOINC,
SNOMED CT, MDC and UCUM.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import msgspec

from ebbmark.fhir.model import ANY_RESOURCE, Bundle, ConceptMap, MapElement, MapGroup
from ebbmark.fhir.naming import LOINC, MDC, SNOMED
from ebbmark.fhir.problems import MOST_TOLD, Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CODES, MEANINGS, NO_CODE_MAP, OWN_QUANTITIES, CodeMap, CodeRow, is_rhythm
from ebbmark.fhir.reading.units import UCUM, UNITS

_OF_SITE = "code map of the site"
_SAME = frozenset({"equal", "equivalent"})
_OURS = frozenset({OWN_QUANTITIES, UCUM, LOINC, MDC, SNOMED})


class MapRows(NamedTuple):
    """What ConceptMaps say.

    Attributes:
        codes: rows for the table of codes.
        units: UCUM by Quantity.system and Quantity.code, or Quantity.unit where there is no code.
        left: how many rows were left, by reason as a phrase.
        problems: what is meant for us and cannot be right.
    """

    codes: list[CodeRow]
    units: dict[tuple[str, str], str]
    left: Counter[str]
    problems: list[Problem]


def read_code_map(*bodies: bytes) -> CodeMap:
    """Read a site's ConceptMaps.

    Args:
        bodies: a ConceptMap each, or a Bundle of them, as JSON.

    Raises:
        Rejected: with every problem found.
    """
    maps = [(one, path) for body in bodies for one, path in _maps_in(body)]
    read = rows_of_all(maps)
    if read.problems:
        raise Rejected(tuple(read.problems))
    if not read.codes and not read.units:
        left = ", ".join(f"{count} {why}" for why, count in read.left.items()) or "no rows"
        raise Rejected((_problem("ConceptMap", left, "rows for us", f"The code map maps nothing of ours: {left}."),))
    return lay_over(NO_CODE_MAP, read)


def _maps_in(body: bytes) -> list[tuple[ConceptMap, str]]:
    try:
        resource = ANY_RESOURCE.decode(body)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        sentence = f"The code map is not a FHIR R4 ConceptMap in JSON: {str(error)[:200]}."
        raise Rejected((_problem("", "unreadable", "ConceptMap", sentence),)) from None
    if isinstance(resource, ConceptMap):
        return [(resource, "ConceptMap")]
    if isinstance(resource, Bundle):
        listed = [(one.resource, f"Bundle.entry[{number}].resource") for number, one in enumerate(resource.entry)]
        maps = [(one, path) for one, path in listed if isinstance(one, ConceptMap)]
        if maps:
            return maps
    found = type(resource).__name__
    sentence = f"The code map must be a ConceptMap, or a Bundle with some; found {found}."
    raise Rejected((_problem("", found, "ConceptMap", sentence),))


def lay_over(below: CodeMap, read: MapRows | Sequence[CodeRow]) -> CodeMap:
    """A map in which these rows come before what is there."""
    codes, units = (read.codes, read.units) if isinstance(read, MapRows) else (read, {})
    table = {**below.table, **{(row.system, row.code): row for row in codes}}
    return replace(below, table=table, units={**below.units, **units}, rules={})


def rows_of(concept_map: ConceptMap, path: str) -> MapRows:
    """What one ConceptMap adds, what of it is left, and everything that is wrong with it."""
    return rows_of_all([(concept_map, path)])


def rows_of_all(maps: Sequence[tuple[ConceptMap, str]]) -> MapRows:
    """What several ConceptMaps add together: two of them may not say two things of one code."""
    codes: dict[tuple[str, str], CodeRow] = {}
    read = MapRows([], {}, Counter(), [])
    for concept_map, path in maps:
        if concept_map.status == "retired":
            sentence = "The map is of status retired: one that is retired is not used."
            read.problems.append(_problem(f"{path}.status", "retired", "active or draft", sentence))
        for number, group in enumerate(concept_map.group):
            for index, element in enumerate(group.element):
                if len(read.problems) >= MOST_TOLD:
                    break
                where = f"{path}.group[{number}].element[{index}]"
                _take(group, element, where, codes, read)
    read.codes.extend(codes.values())
    return read


def _take(
    group: MapGroup, element: MapElement, where: str, codes: dict[tuple[str, str], CodeRow], read: MapRows
) -> None:
    targets = {target.code for target in element.target if target.equivalence in _SAME and target.code}
    odd = next((one.equivalence for one in element.target if one.equivalence not in _EQUIVALENCES | {""}), None)
    if group.target not in _OURS:
        read.left["of another target"] += 1
    elif odd is not None:
        accepted = ", ".join(sorted(_EQUIVALENCES))
        sentence = f"The equivalence {odd[:40]!r} is none of FHIR R4; accepted: {accepted}."
        read.problems.append(_problem(f"{where}.target.equivalence", odd[:40], accepted, sentence))
    elif not element.code or not targets:
        said = {target.equivalence or "nothing" for target in element.target} or {"unmatched"}
        read.left[f"that say {', '.join(sorted(said))}" if said <= _KNOWN else "that are not equivalent"] += 1
    elif group.target == UCUM:
        _take_unit((group.source, element.code), targets, where, read)
    else:
        _take_code(group, element, targets, where, codes, read)


_OTHER = frozenset({"unmatched", "relatedto", "wider", "narrower", "subsumes", "specializes", "inexact", "disjoint"})
_KNOWN = _OTHER | {"nothing"}
_EQUIVALENCES = _SAME | _OTHER
"""FHIR R4 codesystem-concept-map-equivalence.html."""


def _take_unit(key: tuple[str, str], targets: set[str], where: str, read: MapRows) -> None:
    units = targets & UNITS.keys()
    if not units:
        read.left["of units that are not used"] += 1
    elif len(targets) > 1 or read.units.setdefault(key, min(units)) not in units:
        read.problems.append(_problem(where, "several units", "one", f"The unit {key[1]} is mapped to several units."))
    elif key[0] in ("", UCUM) and UNITS.get(key[1], UNITS[min(units)]) != UNITS[min(units)]:
        sentence = f"{key[1]} is a unit of UCUM itself and cannot stand for {min(units)}."
        read.problems.append(_problem(where, key[1], "a spelling that is not UCUM", sentence))


def _take_code(
    group: MapGroup,
    element: MapElement,
    targets: set[str],
    where: str,
    codes: dict[tuple[str, str], CodeRow],
    read: MapRows,
) -> None:
    rows = [row for target in sorted(targets) if (row := _row(group, element.code, target)) is not None]
    if not rows and group.target == OWN_QUANTITIES:
        accepted, target = ", ".join(MEANINGS), min(targets)
        sentence = f"{target} is not a quantity of ours; accepted: {accepted}."
        read.problems.append(_problem(where, target, accepted, sentence))
        return
    if not rows:
        read.left["of codes that are not used"] += 1
        return
    known = codes.setdefault((group.source, element.code), rows[0])
    if any(row.meaning is not known.meaning for row in rows):
        sentence = f"{element.code} is mapped to several meanings."
        read.problems.append(_problem(where, element.code, "one meaning", sentence))


def _row(group: MapGroup, code: str, target: str) -> CodeRow | None:
    if group.target == OWN_QUANTITIES:
        return row_of_meaning(group.source, code, target)
    row = CODES.get((group.target, target))
    if row is None or (row.meaning is None and not is_rhythm(row)):
        return None
    return row._replace(system=group.source, code=code, source=_OF_SITE, mapped_to=(group.target, target))


def row_of_meaning(system: str, code: str, slug: str) -> CodeRow | None:
    """A row of the table for a site's code that means one of ours; None where there is no such meaning.

    Args:
        system: the site's code system; empty for codes that come without one.
        slug: code of our own code system.
    """
    meaning = MEANINGS.get(slug)
    return CodeRow(system, code, slug, meaning, _OF_SITE, mapped_to=(OWN_QUANTITIES, slug)) if meaning else None


def _problem(path: str, found: str, accepted: str, sentence: str) -> Problem:
    return Problem(ProblemKind.CODE_MAP, path, found, accepted, sentence)
