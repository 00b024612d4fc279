"""The codes and units by which results leave: LOINC where a code exists, our own CodeSystem where none does.

Every CodeableConcept here is encoded once, when the module is loaded. Each part that a result can have leaves in one
unit.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf
from typing import Final

import msgspec

from ebbmark.data import table
from ebbmark.fhir.answer import UNITS, Amount, Coded, Part, Truth, Unit, Value, quantity
from ebbmark.fhir.codesystem import CONCEPTS
from ebbmark.fhir.naming import CODE_SYSTEM, LOINC
from ebbmark.fhir.reading.codes import CODES

_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"


def encoded(value: object) -> msgspec.Raw:
    """JSON that is written once and copied into every answer."""
    return msgspec.Raw(msgspec.json.encode(value))


def standard(code_system: str, code: str, display: str) -> msgspec.Raw:
    """CodeableConcept of a code from HL7's terminology."""
    return encoded({"coding": [{"system": f"{_TERMINOLOGY}/{code_system}", "code": code, "display": display}]})


_TABLE: Final = table("results")

LOINC_TERMS: Final[dict[str, msgspec.Raw]] = {
    concept: encoded(
        {"coding": [{"system": LOINC, "code": code, "display": CODES[LOINC, code].display}], "text": words}
    )
    for concept, (code, words) in _TABLE["loinc"].items()
}
"""CodeableConcept by concept."""

OWN: dict[str, msgspec.Raw] = {
    row.code: encoded(
        {"coding": [{"system": CODE_SYSTEM, "code": row.code, "display": row.display}], "text": row.display}
    )
    for row in CONCEPTS
}
"""CodeableConcept by code of our own CodeSystem."""


def words_of(code: str) -> str:
    """Our plain words for a concept."""
    words = msgspec.json.decode(code_of(code), type=dict[str, object])["text"]
    return str(words)


# A trial is a procedure; a height and what follows from it are taken with simple instruments.
CATEGORY_PROCEDURE = msgspec.Raw(b"[" + bytes(standard("observation-category", "procedure", "Procedure")) + b"]")
CATEGORY_EXAM = msgspec.Raw(b"[" + bytes(standard("observation-category", "exam", "Exam")) + b"]")

ABSENT_BECAUSE: dict[str, msgspec.Raw] = {
    code: encoded(
        {"coding": [{"system": f"{_TERMINOLOGY}/data-absent-reason", "code": code, "display": display}], "text": words}
    )
    for code, (display, words) in _TABLE["absent"].items()
}
"""CodeableConcept by code of HL7's data-absent-reason."""

_PARTS: Final = {part: UNITS[unit] for unit, parts in _TABLE["parts"].items() for part in parts}
"""Unit by part; the part is a key of our LOINC terms or of our own codes."""


def amount(part: str, value: float) -> Part:
    """A part with a number, in the unit of its row in the table."""
    return part, Amount(value, _PARTS[part])


def amounts(rows: Iterable[tuple[str, float | None]]) -> list[Part]:
    """Parts of the rows that have a value."""
    return [(part, Amount(value, _PARTS[part])) for part, value in rows if value is not None]


_TEMPLATES: dict[tuple[str, Unit], bytes] = {}
"""A part with its code and unit as JSON with one place for the number; as many as there are codes of ours."""


def component(part: Part) -> bytes:
    """Observation.component; an answer with a dozen steps has some hundreds, so that code and unit are encoded once."""
    code, value = part
    if type(value) is Amount:
        number, unit = value
        if 0 <= number < inf:
            template = _TEMPLATES.get((code, unit))
            if template is None:
                fixed = bytes(code_of(code)).replace(b"%", b"%%")
                template = _TEMPLATES[code, unit] = b'{"code":%b,"valueQuantity":%b}' % (fixed, unit.template)
            return template % number
    return b'{"code":%b,%b}' % (bytes(code_of(code)), _element(value))


def _element(value: Value | None) -> bytes:
    """`value[x]` or `dataAbsentReason` as JSON."""
    if isinstance(value, Amount):
        written = quantity(value.value, value.unit)
        if written is not None:
            return b'"valueQuantity":%b' % bytes(written)
        return b'"dataAbsentReason":%b' % bytes(ABSENT_BECAUSE["not-a-number"])
    if isinstance(value, Coded):
        return b'"valueCodeableConcept":%b' % bytes(OWN[value.code])
    if isinstance(value, Truth):
        return b'"valueBoolean":%b' % (b"true" if value.value else b"false")
    if value is None:
        return b'"dataAbsentReason":%b' % bytes(ABSENT_BECAUSE["unknown"])
    return b'"valueInteger":%d' % value.value


def code_of(code: str) -> msgspec.Raw:
    """CodeableConcept of a concept: of LOINC where there is one, else our own."""
    return LOINC_TERMS.get(code) or OWN[code]
