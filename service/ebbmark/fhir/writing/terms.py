"""The codes by which results leave: LOINC where a code exists, our own CodeSystem where none does.

Every CodeableConcept here is encoded once, when the module is loaded.
"""

from __future__ import annotations

import msgspec

from ebbmark.fhir.codesystem import CONCEPTS
from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.fhir.reading.codes import CODES, LOINC

__all__ = [
    "ABSENT_BECAUSE",
    "CATEGORY_EXAM",
    "CATEGORY_PROCEDURE",
    "LOINC_TERMS",
    "OWN",
    "encoded",
    "standard",
    "words_of",
]

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
        {
            "coding": [{"system": LOINC, "code": code, "display": CODES[LOINC, code].display}],
            "text": words,
        }
    )
    for concept, code, words in _LOINC_ROWS
}
"""CodeableConcept by concept."""

OWN: dict[str, msgspec.Raw] = {
    row.code: encoded(
        {
            "coding": [{"system": CODE_SYSTEM, "code": row.code, "display": row.display}],
            "text": row.display,
        }
    )
    for row in CONCEPTS
}
"""CodeableConcept by code of our own CodeSystem."""


def words_of(code: str) -> str:
    """Our plain words for a concept."""
    words = msgspec.json.decode(LOINC_TERMS.get(code) or OWN[code], type=dict[str, object])["text"]
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
        {
            "coding": [{"system": f"{_TERMINOLOGY}/data-absent-reason", "code": code, "display": display}],
            "text": words,
        }
    )
    for code, display, words in _ABSENT_ROWS
}
"""CodeableConcept by code of HL7's data-absent-reason."""
