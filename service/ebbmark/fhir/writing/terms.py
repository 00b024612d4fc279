"""The codes and units by which results leave: LOINC where a code exists, our own CodeSystem where none does.

Every CodeableConcept here is encoded once, when the module is loaded. Each part that a result can have leaves in one
unit.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

import msgspec

from ebbmark.fhir.answer import (
    BLOOD_PRESSURE,
    COMPLIANCE,
    FRACTION,
    PER_MINUTE,
    PERCENT,
    POWER,
    PRESSURE,
    PROBABILITY,
    SECONDS,
    VOLUME,
    VOLUME_PER_WEIGHT,
    Amount,
    Coded,
    Part,
    Truth,
    Unit,
    Value,
    quantity,
)
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


# concept -> LOINC code, our plain words for it
_LOINC_ROWS: tuple[tuple[str, str, str], ...] = (
    # LOINC has no code of its own for predicted body weight; Observation.method names the formula.
    ("predicted-body-weight", "50064-5", "Predicted body weight (ARDS Network)"),
    ("peep-set", "20077-4", "Set PEEP of the step"),
    ("peep-measured", "76248-4", "Measured PEEP of the step"),
    ("compliance-static", "60828-1", "Static compliance of the respiratory system"),
    ("compliance-dynamic", "60827-3", "Dynamic compliance of the respiratory system"),
    ("tidal-volume", "76222-9", "Tidal volume"),
    ("plateau-pressure", "76259-1", "Plateau pressure"),
    ("peak-pressure", "76531-3", "Peak inspiratory pressure"),
    ("driving-pressure", "76154-4", "Driving pressure, plateau less total PEEP"),
    ("mean-arterial-pressure", "8478-0", "Mean arterial pressure"),
    ("systolic-arterial-pressure", "8480-6", "Systolic arterial pressure"),
    ("heart-rate", "8867-4", "Heart rate"),
    ("oxygen-saturation", "59408-5", "Oxygen saturation by pulse oximetry"),
    ("arterial-ph", "2744-1", "Arterial pH"),
    ("end-tidal-carbon-dioxide", "19891-1", "End-tidal carbon dioxide tension"),
    ("oxygen-set", "19994-3", "FiO2 as set"),
    ("oxygen-measured", "71835-3", "FiO2 as measured"),
    ("respiratory-rate-set", "19834-1", "Respiratory rate as set"),
    ("respiratory-rate", "19840-8", "Respiratory rate as measured"),
    ("respiratory-rate-spontaneous", "19839-0", "Rate of spontaneous breaths"),
    ("pressure-support-set", "20079-0", "Pressure support as set"),
    ("tidal-volume-set", "20112-9", "Tidal volume as set"),
    ("tidal-volume-inspired", "20109-5", "Inspired tidal volume"),
    ("tidal-volume-expired", "76007-4", "Expired tidal volume"),
    ("arterial-carbon-dioxide", "2019-8", "Arterial carbon dioxide tension"),
)

LOINC_TERMS: dict[str, msgspec.Raw] = {
    concept: encoded(
        {"coding": [{"system": LOINC, "code": code, "display": CODES[LOINC, code].display}], "text": words}
    )
    for concept, code, words in _LOINC_ROWS
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

_ABSENT_ROWS: tuple[tuple[str, str, str], ...] = (
    # Closing exists in every lung; this trial did not show where.
    ("unknown", "Unknown", "Not known from this trial"),
    # Without a closing pressure, or beyond the limits, there is no pressure to suggest.
    ("not-applicable", "Not Applicable", "No pressure is suggested"),
    ("not-a-number", "Not a Number (NaN)", "Not a finite number"),
)

ABSENT_BECAUSE: dict[str, msgspec.Raw] = {
    code: encoded(
        {"coding": [{"system": f"{_TERMINOLOGY}/data-absent-reason", "code": code, "display": display}], "text": words}
    )
    for code, display, words in _ABSENT_ROWS
}
"""CodeableConcept by code of HL7's data-absent-reason."""

_PARTS_BY_UNIT: dict[Unit, tuple[str, ...]] = {
    VOLUME_PER_WEIGHT: ("tidal-volume-per-predicted-weight",),
    VOLUME: (
        "tidal-volume-at-4-ml-per-kg", "tidal-volume-at-5-ml-per-kg", "tidal-volume-at-6-ml-per-kg",
        "tidal-volume-at-7-ml-per-kg", "tidal-volume-at-8-ml-per-kg", "tidal-volume-used", "tidal-volume",
        "tidal-volume-set", "tidal-volume-inspired", "tidal-volume-expired",
    ),
    PROBABILITY: (
        "verdict-probability", "not-reached-probability", "falling-from-first-step-probability",
        "closing-probability",
    ),
    PRESSURE: (
        "interval-low", "interval-high", "margin", "margin-used", "what-if-peep", "expected-total-peep",
        "expected-driving-pressure", "expected-plateau-pressure", "peep-set", "peep-measured", "plateau-pressure",
        "peak-pressure", "driving-pressure", "total-peep", "pressure-support-set",
    ),
    FRACTION: ("fall-threshold",),
    COMPLIANCE: (
        "expected-compliance", "compliance-static", "compliance-dynamic", "fitted-compliance",
        "fitted-compliance-low", "fitted-compliance-high",
    ),
    POWER: ("expected-mechanical-power",),
    PERCENT: ("oxygen-saturation", "least-saturation", "oxygen-set", "oxygen-measured"),
    BLOOD_PRESSURE: (
        "mean-arterial-pressure", "least-mean-arterial-pressure", "systolic-arterial-pressure",
        "least-systolic-arterial-pressure", "end-tidal-carbon-dioxide", "arterial-carbon-dioxide",
    ),
    PER_MINUTE: (
        "heart-rate", "greatest-heart-rate", "respiratory-rate-set", "respiratory-rate",
        "respiratory-rate-spontaneous",
    ),
    SECONDS: ("oldest-vital-sign-age",),
}  # fmt: skip
"""Parts of results by the unit in which they leave; the rungs of every protocol must be here (held by a test)."""

_PARTS = {part: unit for unit, parts in _PARTS_BY_UNIT.items() for part in parts}
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
