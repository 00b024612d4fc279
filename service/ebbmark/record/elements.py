"""The parts of FHIR resources that several readers of the record look at."""

from __future__ import annotations

import msgspec

__all__ = ["Entity", "Identifier", "Period", "Reference"]


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
