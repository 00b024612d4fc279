"""FHIR terminology of a site: ConceptMaps of its codes of readings, and ValueSets of its codes of conditions.

ConceptMaps: rows that are equal or equivalent to a code of our table, to a quantity of ours or to a UCUM unit are
taken. All others (another target, `unmatched`, `wider` ...) are counted and left: a site's map serves others, too. A
group without a source maps codes that come without a system, as R4 defines it; one whose source is `CODE_TEXT` maps
CodeableConcept.text. What is meant for us and cannot be right stops.

ValueSets: one per risk concept, and one of codes that are known to say nothing that is looked for, since a Condition of
SNOMED CT that is in none of these sets cannot be judged. Published as R4 `compose.include`: SNOMED CT by concept,
ICD-10 by a filter on the code (`regex`), since a prefix is what is compared. Read from a site: listed concepts, an
expansion, and the same filter; what would need a terminology server is refused when the service starts.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/conceptmap.html and /valueset.html.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import msgspec

from ebbmark import __version__
from ebbmark.fhir.model import ANY_RESOURCE, Bundle, ConceptMap, MapElement, MapGroup
from ebbmark.fhir.naming import BASE, DEFINITIONS_DATE, LOINC, MDC, SNOMED
from ebbmark.fhir.problems import MOST_TOLD, Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CODES, MEANINGS, NO_CODE_MAP, OWN_QUANTITIES, CodeMap, CodeRow, is_rhythm
from ebbmark.fhir.reading.condition_codes import LEFT_OPEN, NO_RISK, PERHAPS, READ_IN, ConditionCodes, ConditionRow
from ebbmark.fhir.reading.site_file import SiteFileError, read_site_file
from ebbmark.fhir.reading.units import UCUM, UNITS
from ebbmark.physiology.before.risks import RISK_CONCEPTS, RiskConcept

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
    """A row of the table for a site's code that means one of ours; None where there is no such meaning."""
    meaning = MEANINGS.get(slug)
    return CodeRow(system, code, slug, meaning, _OF_SITE, mapped_to=(OWN_QUANTITIES, slug)) if meaning else None


def _problem(path: str, found: str, accepted: str, sentence: str) -> Problem:
    return Problem(ProblemKind.CODE_MAP, path, found, accepted, sentence)


_SLUGS = (*(concept.slug for concept in RISK_CONCEPTS), NO_RISK)
_PREFIX = re.compile(r"([A-Z0-9.]+)\.\*", re.IGNORECASE)
_MOST_CODES = 20_000


class _Concept(msgspec.Struct, frozen=True):
    code: str
    display: str = ""


class _Filter(msgspec.Struct, frozen=True):
    property: str
    op: str
    value: str


class _Include(msgspec.Struct, frozen=True):
    system: str = ""
    concept: list[_Concept] = []
    filter: list[_Filter] = []
    valueSet: list[str] = []


class _Compose(msgspec.Struct, frozen=True):
    include: list[_Include] = []
    exclude: list[msgspec.Raw] = []


class _Contained(msgspec.Struct, frozen=True):
    system: str = ""
    code: str = ""
    display: str = ""
    abstract: bool = False
    inactive: bool = False
    contains: list[_Contained] = []


class _Expansion(msgspec.Struct, frozen=True):
    contains: list[_Contained] = []


class _ValueSet(msgspec.Struct, frozen=True, tag_field="resourceType", tag="ValueSet"):
    url: str = ""
    status: str = ""
    compose: _Compose | None = None
    expansion: _Expansion | None = None


def _value_set_url(slug: str) -> str:
    """Canonical address of the value set of one concept."""
    return f"{BASE}/ValueSet/{slug}"


def value_set(concept: RiskConcept, codes: ConditionCodes) -> dict[str, object]:
    """FHIR R4 ValueSet of one concept, a site's codes included."""
    rows = codes.of(concept.slug)
    opening = LEFT_OPEN.get(concept.slug, "")
    none = "" if rows else "No code was sure enough to be listed; a site may add its own."
    parts = (f"Conditions that count as {concept.words}. {concept.says} Source: {concept.citation}.", opening, none)
    description = " ".join(part for part in (*parts, _read_in(rows)) if part)
    return _published(concept.slug, concept.words[0].upper() + concept.words[1:], description, rows)


def _read_in(rows: Iterable[ConditionRow]) -> str:
    """Where each code was seen with its meaning."""
    by_source: dict[str, list[str]] = {}
    for row in rows:
        by_source.setdefault(READ_IN.get(row.source, f"in {row.source}"), []).append(row.code)
    said = "; ".join(f"{', '.join(dict.fromkeys(codes))} {where}" for where, codes in by_source.items())
    return f"Codes and their meanings were seen together: {said}." if said else ""


_BESIDE = {
    NO_RISK: (
        "Conditions that are not looked for",
        "Conditions of SNOMED CT that are known here to say nothing that is looked for. One that is in no value set "
        "cannot be judged and stops a plan until a clinician has acknowledged it; a site adds those that it uses. "
        "Codes of ICD-10 need no entry.",
    ),
    PERHAPS: (
        "Conditions that may be one that is looked for",
        "Categories of ICD-10 that hold a condition that is looked for among others. One of them cannot be judged and "
        "stops a plan until a clinician has acknowledged it.",
    ),
}
"""Title and description of the sets that stand for no condition that is looked for, by slug."""


def sets_beside(codes: ConditionCodes) -> dict[str, dict[str, object]]:
    """FHIR R4 ValueSets of the codes that say nothing that is looked for, and of those that leave it open, by slug."""
    return {
        slug: _published(slug, title, f"{said} {_read_in(codes.of(slug))}".strip(), codes.of(slug))
        for slug, (title, said) in _BESIDE.items()
    }


def _published(slug: str, title: str, description: str, rows: tuple[ConditionRow, ...]) -> dict[str, object]:
    return {
        "resourceType": "ValueSet",
        "id": slug,
        "url": _value_set_url(slug),
        "version": __version__,
        "name": "".join(part.capitalize() for part in slug.split("-")),
        "title": title,
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": description,
        **({"compose": {"include": list(_includes(rows))}} if rows else {}),
    }


def _includes(rows: Iterable[ConditionRow]) -> Iterator[dict[str, object]]:
    by_system: dict[str, list[ConditionRow]] = {}
    for row in rows:
        for system in row.systems:
            by_system.setdefault(system, []).append(row)
    for system, listed in by_system.items():
        concepts = {row.code: row.display for row in listed if not row.prefix}
        if concepts:
            yield {
                "system": system,
                "concept": [
                    {"code": code, **({"display": display} if display else {})} for code, display in concepts.items()
                ],
            }
        for row in listed:
            if row.prefix:
                pattern = row.code.replace(".", "[.]") + ".*"
                yield {"system": system, "filter": [{"property": "code", "op": "regex", "value": pattern}]}


def with_value_sets(codes: ConditionCodes, files: Iterable[tuple[str, bytes]]) -> ConditionCodes:
    """The table with a site's value sets added.

    Raises:
        SiteFileError: names file and element.
    """
    rows = list(codes.rows)
    for name, content in files:
        rows += read_value_sets(name, content)
    return ConditionCodes(tuple(rows))


def read_value_sets(name: str, content: bytes) -> list[ConditionRow]:
    """The rows that one file adds: a FHIR R4 ValueSet, whose url ends in the slug of a concept.

    Raises:
        SiteFileError: names file and element.
    """
    read = read_site_file(name, content, _ValueSet, "a FHIR R4 ValueSet")
    slug = read.url.rpartition("/ValueSet/")[2].partition("|")[0]
    if slug not in _SLUGS:
        accepted = ", ".join(_SLUGS)
        raise SiteFileError(
            f"{name}: ValueSet.url must end in /ValueSet/ and one of: {accepted}; found {read.url[:200]!r}"
        )
    if read.status == "retired":
        raise SiteFileError(f"{name}: ValueSet.status is retired; remove the file or publish it again")
    if read.compose is not None and read.compose.exclude:
        raise SiteFileError(f"{name}: ValueSet.compose.exclude is not understood here; leave the codes out instead")
    rows = list(_listed(name, slug, read))
    if not rows:
        raise SiteFileError(f"{name}: the ValueSet lists no code")
    if len(rows) > _MOST_CODES:
        raise SiteFileError(f"{name}: the ValueSet lists {len(rows):,} codes; at most {_MOST_CODES:,} are read")
    return rows


def _listed(name: str, slug: str, read: _ValueSet) -> Iterator[ConditionRow]:
    source = f"site file {name}"
    if read.expansion is not None:
        yield from _expanded(name, slug, read.expansion.contains, "ValueSet.expansion", source)
        return
    for number, include in enumerate(read.compose.include if read.compose else []):
        path = f"ValueSet.compose.include[{number}]"
        if not include.system or include.valueSet:
            raise SiteFileError(f"{name}: {path} needs a system and no valueSet; send the expansion instead")
        if not include.concept and not include.filter:
            raise SiteFileError(f"{name}: {path} would take the whole of {include.system}; list its concepts")
        for concept in include.concept:
            yield ConditionRow(slug, (include.system,), concept.code, False, concept.display, source)
        for place, one in enumerate(include.filter):
            match = _PREFIX.fullmatch(one.value.replace("[.]", ".").replace("\\.", "."))
            if (one.property, one.op) != ("code", "regex") or match is None or len(include.filter) > 1:
                raise SiteFileError(
                    f"{name}: {path}.filter[{place}] ({one.property} {one.op} {one.value[:60]}) needs a terminology "
                    "server; read are filters on code with op regex and a prefix such as J93[.]0.*; or send the "
                    "expansion"
                )
            yield ConditionRow(slug, (include.system,), match.group(1), True, "", source)


def _expanded(name: str, slug: str, contains: Iterable[_Contained], path: str, source: str) -> Iterator[ConditionRow]:
    for number, one in enumerate(contains):
        here = f"{path}.contains[{number}]"
        if one.code and not one.abstract:
            if not one.system:
                raise SiteFileError(f"{name}: {here} has a code and no system")
            yield ConditionRow(slug, (one.system,), one.code, False, one.display, source)
        yield from _expanded(name, slug, one.contains, here, source)
