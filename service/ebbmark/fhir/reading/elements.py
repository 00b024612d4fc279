"""Which parts of FHIR's data types are read? The small structures of which resources (`shapes`) are made.

Field names are FHIR's own. Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/datatypes.html, /extensibility.html,
/conceptmap.html.
"""

from __future__ import annotations

import msgspec

__all__ = [
    "Codeable",
    "Coding",
    "Extension",
    "Identifier",
    "MapElement",
    "MapGroup",
    "MapTarget",
    "Meta",
    "Period",
    "QuantityValue",
    "Reference",
    "Worded",
    "WordedCoding",
]


class Coding(msgspec.Struct, frozen=True, gc=False):
    """FHIR Coding."""

    system: str = ""
    code: str = ""


class Codeable(msgspec.Struct, frozen=True, gc=False):
    """FHIR CodeableConcept."""

    coding: list[Coding] = []


class WordedCoding(msgspec.Struct, frozen=True, gc=False):
    """FHIR Coding, with its words."""

    system: str = ""
    code: str = ""
    display: str = ""


class Worded(msgspec.Struct, frozen=True, gc=False):
    """FHIR CodeableConcept, with its words."""

    coding: list[WordedCoding] = []
    text: str = ""


class QuantityValue(msgspec.Struct, frozen=True, gc=False):
    """FHIR Quantity."""

    value: float | None = None
    unit: str = ""
    system: str = ""
    code: str = ""
    comparator: str = ""


class Identifier(msgspec.Struct, frozen=True, gc=False):
    """FHIR Identifier."""

    system: str = ""
    value: str = ""


class Reference(msgspec.Struct, frozen=True, gc=False):
    """FHIR Reference."""

    reference: str = ""
    identifier: Identifier | None = None


class Period(msgspec.Struct, frozen=True, gc=False):
    """FHIR Period."""

    start: str = ""
    end: str = ""


class Meta(msgspec.Struct, frozen=True, gc=False):
    """FHIR Meta."""

    versionId: str = ""
    lastUpdated: str = ""


class Extension(msgspec.Struct, frozen=True, gc=False):
    """FHIR Extension, as far as statements about sex need it."""

    url: str = ""
    valueCode: str = ""
    valueCodeableConcept: Codeable | None = None
    valuePeriod: Period | None = None
    extension: list[Extension] = []


class MapTarget(msgspec.Struct, frozen=True, gc=False):
    """FHIR ConceptMap.group.element.target."""

    code: str = ""
    equivalence: str = ""


class MapElement(msgspec.Struct, frozen=True, gc=False):
    """FHIR ConceptMap.group.element."""

    code: str = ""
    target: list[MapTarget] = []


class MapGroup(msgspec.Struct, frozen=True, gc=False):
    """FHIR ConceptMap.group."""

    source: str = ""
    target: str = ""
    element: list[MapElement] = []
