"""How are the codes of a condition published, and how does a site add its own? FHIR ValueSets, one per risk concept.

Beside them stands one of codes that are known to say nothing that is looked for: a Condition of SNOMED CT that is in
none of these sets cannot be judged here.
Published as R4 `compose.include`: SNOMED CT by concept, ICD-10 by a filter on the code (`regex`), since a prefix is
what is compared here. Read from a site: listed concepts, an expansion, and the same filter; what would need a
terminology server is refused when the service starts.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/valueset.html.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import msgspec

from ebbmark import __version__
from ebbmark.fhir.naming import BASE, DEFINITIONS_DATE
from ebbmark.fhir.reading.condition_codes import LEFT_OPEN, NO_RISK, PERHAPS, READ_IN, ConditionCodes, ConditionRow
from ebbmark.fhir.reading.site import SiteFileError, read_site_file
from ebbmark.physiology.before.risks import RISK_CONCEPTS, RiskConcept

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
    """FHIR R4 ValueSet of one concept, a site's codes included.

    Args:
        concept: of the table of risks.
    """
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

    Args:
        files: name and content of each file.

    Raises:
        SiteFileError: names file and element.
    """
    rows = list(codes.rows)
    for name, content in files:
        rows += read_value_sets(name, content)
    return ConditionCodes(tuple(rows))


def read_value_sets(name: str, content: bytes) -> list[ConditionRow]:
    """The rows that one file adds: a FHIR R4 ValueSet, whose url ends in the slug of a concept.

    Args:
        name: of the file, for messages.

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
