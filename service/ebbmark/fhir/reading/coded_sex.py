"""Which sex does a coded value say? Codes that two official sources name alike; a free text is never interpreted.

Sources: SNOMED CT, US Core 6.0.0-ballot (value set us-core-sex-for-clinical-use, its mapping to SNOMED CT) and WHO,
Global Digital Health Certification Network (ConceptMap ICVP.Core); v3 AdministrativeGender, FHIR R4 4.0.1
(/v3/AdministrativeGender/vs.html) and HL7 C-CDA 5.0.0 (Birth Sex Observation); FHIR AdministrativeGender, FHIR R4 4.0.1
(/valueset-administrative-gender.html) and the same ConceptMap. UNK, ASKU: US Core, value set birthsex.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from ebbmark.fhir.model import Codeable, Coding, Component, Observation
from ebbmark.fhir.reading.codes import SNOMED
from ebbmark.fhir.reading.coding import Unusable
from ebbmark.fhir.reading.quoting import code_shown
from ebbmark.fhir.reasons import Reason
from ebbmark.physiology.formulas.body import Sex

__all__ = ["CodedSex", "coded_sex"]

_V3_GENDER = "http://terminology.hl7.org/CodeSystem/v3-AdministrativeGender"
_V3_NULL = "http://terminology.hl7.org/CodeSystem/v3-NullFlavor"
_GENDER = "http://hl7.org/fhir/administrative-gender"

_SEXES = {
    (SNOMED, "248152002"): Sex.FEMALE,
    (SNOMED, "248153007"): Sex.MALE,
    (_V3_GENDER, "F"): Sex.FEMALE,
    (_V3_GENDER, "M"): Sex.MALE,
    (_GENDER, "female"): Sex.FEMALE,
    (_GENDER, "male"): Sex.MALE,
}
_NOT_KNOWN = frozenset({(SNOMED, "184115007"), (_V3_NULL, "UNK"), (_V3_NULL, "ASKU"), (_GENDER, "unknown")})
_NEITHER = frozenset({(_V3_GENDER, "UN"), (_GENDER, "other")})
_MOST_NAMED = 4


def _shown(coding: Coding) -> str:
    pair = (coding.system, coding.code)
    known = pair in _NEITHER or pair in _NOT_KNOWN or pair in _SEXES
    return f"{coding.system}|{coding.code}" if known else code_shown(coding)


class CodedSex(NamedTuple):
    """What is said: a sex, or None with the codes that say neither."""

    sex: Sex | None
    value: str


def coded_sex(holder: Observation | Component, others: list[str]) -> CodedSex | Unusable:
    """Read valueCodeableConcept.

    Codes that are not known here may stand beside one that is; two that are known and contradict each other say
    neither.

    Args:
        holder: the Observation or its component.
        others: names of the values that are there, but for a Quantity.
    """
    if holder.valueCodeableConcept is None:
        found = others[0] if others else "valueQuantity" if holder.valueQuantity is not None else ""
        if not found:
            return Unusable(Reason.NO_VALUE, "It has no value.")
        return Unusable(Reason.NOT_CODED, f"It has {found}; a sex is read from valueCodeableConcept only.")
    try:
        concept = msgspec.convert(holder.valueCodeableConcept, Codeable)
    except msgspec.ValidationError:
        return Unusable(Reason.NOT_CODED, "Its value does not have the shape of a CodeableConcept.")
    pairs = [(coding.system, coding.code) for coding in concept.coding if coding.code]
    if not pairs:
        return Unusable(Reason.NOT_CODED, "Its value has no code; the sex is not read from a text.")
    sexes = {_SEXES[pair] for pair in pairs if pair in _SEXES}
    if len(sexes) == 1:
        sex = sexes.pop()
        return CodedSex(sex, sex.value)
    listed = ", ".join([_shown(coding) for coding in concept.coding if coding.code][:_MOST_NAMED])
    if not sexes and _NOT_KNOWN.intersection(pairs):
        return Unusable(Reason.DATA_ABSENT, f"It says that the sex is not known ({listed}).")
    return CodedSex(None, listed)
