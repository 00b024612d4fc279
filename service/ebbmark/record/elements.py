"""The parts of FHIR resources that several readers of the record look at."""

from __future__ import annotations

import msgspec

__all__ = ["Entity", "Identifier", "Meta", "Period", "Reference", "Tag"]


class Identifier(msgspec.Struct):
    """FHIR Identifier."""

    system: str = ""
    value: str = ""


class Reference(msgspec.Struct):
    """FHIR Reference, by address."""

    reference: str = ""


class Period(msgspec.Struct):
    """FHIR Period."""

    start: str = ""
    end: str = ""


class Entity(msgspec.Struct):
    """FHIR Provenance.entity."""

    what: Reference = msgspec.field(default_factory=Reference)


class Tag(msgspec.Struct):
    """FHIR Coding of a tag."""

    system: str = ""
    code: str = ""


class Meta(msgspec.Struct):
    """FHIR Meta, as far as it tells what a resource is to us."""

    lastUpdated: str = ""
    tag: list[Tag] = []
