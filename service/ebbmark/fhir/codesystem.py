"""Codes that are published: our own, where no standard code was found, and all that are read.

Our own stand in `data/own_codes.toml`. Of what is read, quantities are a CodeSystem, all codes a ValueSet and their
meanings a ConceptMap; a site maps its own codes to the same targets. Nothing is written twice.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/codesystem.html, /valueset.html, /conceptmap.html.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Final, NamedTuple

from ebbmark import __version__
from ebbmark.data import table
from ebbmark.fhir.naming import BASE, CODE_SYSTEM, DEFINITIONS_DATE
from ebbmark.fhir.reading.codes import CODE_TEXT, MEANINGS, OWN_QUANTITIES, RANGES, ROWS, CodeRow, Personal
from ebbmark.fhir.reading.units import ACCEPTED
from ebbmark.physiology.after.comparison import Measure
from ebbmark.physiology.before.risks import RISK_CONCEPTS
from ebbmark.physiology.readings import Quantity
from ebbmark.words.messages import ENGLISH, capital

_TABLE: Final = table("own_codes")


class Concept(NamedTuple):
    """One row: stable code, what people read, and what exactly it means."""

    code: str
    display: str
    definition: str


TOPIC: Final = Concept(**_TABLE["topic"])
"""What every card is about."""

OVERRIDE_REASONS: Final = tuple(Concept(*row) for row in _TABLE["reasons"]["against_card"])
"""Reasons a person may give for not following a card."""


def _of_groups() -> Iterator[Concept]:
    for group in _TABLE["group"]:
        yield from (Concept(*row) for row in group["codes"])
        if group.get("then") == "conditions":
            for one in RISK_CONCEPTS:
                yield Concept(one.slug, capital(one.words), f"{one.says} Source: {one.citation}.")
        elif group.get("then") == "measures":
            for measure in Measure:
                words = ENGLISH[f"measure.{measure.slug}"]
                definition = (
                    f"{capital(words)} before the trial and at the new settings, with what its readings wander by "
                    "themselves."
                )
                yield Concept(f"change-of-{measure.slug}", f"Change of {words}", definition)


CONCEPTS: Final = (*_of_groups(), TOPIC, *OVERRIDE_REASONS)
"""In the order of the published CodeSystem."""


def code_system() -> dict[str, object]:
    """FHIR R4 CodeSystem of every code of ours that leaves."""
    return {
        "resourceType": "CodeSystem",
        **_head(
            "ebbmark", CODE_SYSTEM, "Ebbmark", "Ebbmark: results of a PEEP trial for which no standard code was found"
        ),
        "description": (
            "Results of reading a decremental PEEP trial, their parts, cautions, and the reasons for which an input "
            "did not count. The address is an identifier in a reserved domain and leads nowhere."
        ),
        "caseSensitive": True,
        "content": "complete",
        "count": len(CONCEPTS),
        "concept": [{"code": row.code, "display": row.display, "definition": row.definition} for row in CONCEPTS],
    }


_READABLE_CODES = f"{BASE}/ValueSet/readable-codes"
_STANDARD_CODES = f"{BASE}/ConceptMap/standard-codes"


def display_of(slug: str) -> str:
    """The words of a code of ours: `peep-set` is "PEEP set"."""
    words = " ".join(_TABLE["spelled"].get(word, word) for word in slug.split("-"))
    return capital(words) if words.split()[0] not in _TABLE["spelled"].values() else words


def quantities() -> dict[str, object]:
    """FHIR R4 CodeSystem of what a code can mean: the targets for a site's ConceptMap."""
    concepts = [
        {"code": slug, "display": display_of(slug), "definition": _definition(slug, meaning)}
        for slug, meaning in MEANINGS.items()
    ]
    return {
        "resourceType": "CodeSystem",
        **_head("quantities", OWN_QUANTITIES, "Quantities", "What a code can mean for Ebbmark"),
        "description": "The quantities, heights, weights and sexes that are read. Targets for ConceptMaps of a site: "
        "local codes that are equal or equivalent to one of these are read as it.",
        "caseSensitive": True,
        "content": "complete",
        "count": len(concepts),
        "concept": concepts,
    }


def readable_codes() -> dict[str, object]:
    """FHIR R4 ValueSet of the standard codes that are read."""
    read = [row for row in ROWS if row.meaning is not None]
    include = [
        {"system": system, "concept": [{"code": row.code, "display": row.display} for row in rows]}
        for system, rows in _by_system(read)
    ]
    return {
        "resourceType": "ValueSet",
        **_head("readable-codes", _READABLE_CODES, "ReadableCodes", "Standard codes that Ebbmark reads"),
        "description": "Codes of LOINC, ISO/IEEE 11073-10101 (MDC) and SNOMED CT whose values are read.",
        "compose": {"include": include},
    }


def standard_codes() -> dict[str, object]:
    """FHIR R4 ConceptMap from standard codes to our quantities; known codes that are not used say why."""
    groups = [
        {"source": system, "target": OWN_QUANTITIES, "element": [_element(row) for row in rows]}
        for system, rows in _by_system(list(ROWS))
    ]
    return {
        "resourceType": "ConceptMap",
        **_head("standard-codes", _STANDARD_CODES, "StandardCodes", "What standard codes mean for Ebbmark"),
        "description": "As what each known code is read. A site's own ConceptMap is laid over it; its groups may have "
        f"the target {OWN_QUANTITIES}, LOINC, MDC or SNOMED CT. The source {CODE_TEXT} stands for texts.",
        "group": groups,
    }


def _head(slug: str, url: str, name: str, title: str) -> dict[str, object]:
    return {
        "id": slug,
        "url": url,
        "version": __version__,
        "name": name,
        "title": title,
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
    }


def _definition(slug: str, meaning: Quantity | Personal) -> str:
    if not isinstance(meaning, Quantity):
        return str(_TABLE["personal"][slug])
    low, high = RANGES[meaning]
    unit = "" if meaning.unit == "1" else f" {meaning.unit}"
    return f"{display_of(slug)}; units: {ACCEPTED[meaning.unit]}; accepted from {low:g} to {high:g}{unit}."


def _element(row: CodeRow) -> dict[str, object]:
    slug = next((slug for slug, meaning in MEANINGS.items() if meaning is row.meaning), "")
    remarks = [row.reason] if row.reason else []
    if row.ambiguous:
        remarks.append("In use for settings and measurements; the category of the DeviceMetric tells them apart.")
    if row.narrows_to:
        remarks.append("Another coding of the same concept may say it more exactly.")
    comment = {"comment": " ".join(remarks)} if remarks else {}
    target = {"code": slug, "equivalence": "equivalent"} if slug else {"equivalence": "unmatched"}
    return {"code": row.code, "display": row.display, "target": [{**target, **comment}]}


def _by_system(rows: list[CodeRow]) -> list[tuple[str, list[CodeRow]]]:
    return [(key, list(group)) for key, group in groupby(sorted(rows, key=_system), key=_system)]


def _system(row: CodeRow) -> str:
    return row.system
