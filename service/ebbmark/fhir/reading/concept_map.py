"""A site's own codes: a FHIR R4 ConceptMap, laid over our table of codes.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/conceptmap.html. Only targets that are `equal` or `equivalent` count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import msgspec

from ebbmark.fhir.codesystem import BASE
from ebbmark.fhir.model import ANY_RESOURCE, ConceptMap, MapElement, MapGroup
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CODES, CodeRow, is_rhythm
from ebbmark.fhir.reading.coding import QuickPlan
from ebbmark.fhir.reading.repeated import MOST_TOLD
from ebbmark.physiology.readings import Quantity

__all__ = ["NO_CODE_MAP", "OWN_QUANTITIES", "CodeMap", "lay_over", "read_code_map", "rows_of"]

OWN_QUANTITIES = f"{BASE}/CodeSystem/quantities"
"""Code system of our own quantity slugs, for use as ConceptMap.group.target."""

_BY_SLUG = {quantity.slug: quantity for quantity in Quantity}
_OF_SITE = "code map of the site"
_SAME = frozenset({"equal", "equivalent"})


@dataclass(frozen=True, slots=True)
class CodeMap:
    """The codes that are understood.

    Attributes:
        table: by (system, code); a site's rows come before ours.
        plans: how values are read, by system and code of the concept and UCUM code; filled as they first come up, for
            codes and units of the tables only, so that no caller can make it grow beyond these.
        rhythms: system and code of every code of the table that stands for the rhythm of the heart.
    """

    table: Mapping[tuple[str, str], CodeRow]
    plans: dict[tuple[str, str, str], QuickPlan] = field(default_factory=dict, compare=False, repr=False)
    rhythms: frozenset[tuple[str, str]] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        rhythms = frozenset(key for key, row in self.table.items() if row.meaning is None and is_rhythm(row))
        object.__setattr__(self, "rhythms", rhythms)


NO_CODE_MAP = CodeMap(CODES)
"""Our own table alone."""


def read_code_map(body: bytes) -> CodeMap:
    """Read a site's ConceptMap.

    Raises:
        Rejected: with every problem found.
    """
    try:
        resource = ANY_RESOURCE.decode(body)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        sentence = f"The code map is not a FHIR R4 ConceptMap in JSON: {str(error)[:200]}."
        raise Rejected((Problem(ProblemKind.CODE_MAP, "", "unreadable", "ConceptMap", sentence),)) from None
    if not isinstance(resource, ConceptMap):
        found = type(resource).__name__
        sentence = f"The code map must be a ConceptMap; found {found}."
        raise Rejected((Problem(ProblemKind.CODE_MAP, "", found, "ConceptMap", sentence),))
    rows, problems = rows_of(resource, "ConceptMap")
    if problems:
        raise Rejected(tuple(problems))
    return lay_over(NO_CODE_MAP, rows)


def lay_over(below: CodeMap, rows: list[CodeRow]) -> CodeMap:
    """A map in which these rows come before what is there."""
    return CodeMap({**below.table, **{(row.system, row.code): row for row in rows}})


def rows_of(concept_map: ConceptMap, path: str) -> tuple[list[CodeRow], list[Problem]]:
    """The rows that a ConceptMap adds, and everything that is wrong with it."""
    rows: dict[tuple[str, str], CodeRow] = {}
    problems: list[Problem] = []
    if not concept_map.group:
        problems.append(_problem(path, "no group", "at least one group", "The ConceptMap maps nothing."))
    for number, group in enumerate(concept_map.group):
        where = f"{path}.group[{number}]"
        if not group.source or not group.target:
            problems.append(
                _problem(where, "no source or target", "both", "Each group needs its source and target system.")
            )
            continue
        for index, element in enumerate(group.element):
            if len(problems) >= MOST_TOLD:
                break
            row = _row(group, element, f"{where}.element[{index}]")
            if isinstance(row, Problem):
                problems.append(row)
            elif rows.setdefault((row.system, row.code), row).meaning is not row.meaning:
                problems.append(
                    _problem(f"{where}.element[{index}]", row.code, "one meaning", f"{row.code} is mapped twice.")
                )
    return list(rows.values()), problems[:MOST_TOLD]


def _row(group: MapGroup, element: MapElement, path: str) -> CodeRow | Problem:
    same = [target.code for target in element.target if target.equivalence in _SAME]
    if not element.code or len(same) != 1:
        found = f"{len(same)} equal or equivalent targets"
        sentence = f"The code {element.code or '(none)'} needs exactly one target that is equal or equivalent."
        return _problem(path, found, "one", sentence)
    target = same[0]
    if group.target == OWN_QUANTITIES:
        quantity = _BY_SLUG.get(target)
        if quantity is None:
            accepted = ", ".join(_BY_SLUG)
            return _problem(path, target, accepted, f"{target} is not a quantity of ours; accepted: {accepted}.")
        return CodeRow(group.source, element.code, quantity.slug, quantity, _OF_SITE, mapped_to=(group.target, target))
    row = CODES.get((group.target, target))
    if row is None or (row.meaning is None and not is_rhythm(row)):
        sentence = f"{group.target}|{target} is not among the LOINC and MDC codes that are used here."
        return _problem(path, f"{group.target}|{target}", "a code of the table", sentence)
    return row._replace(system=group.source, code=element.code, source=_OF_SITE, mapped_to=(group.target, target))


def _problem(path: str, found: str, accepted: str, sentence: str) -> Problem:
    return Problem(ProblemKind.CODE_MAP, path, found, accepted, sentence)
