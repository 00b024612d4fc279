"""Which form of the predicted body weight formula applies? Said by someone, never guessed.

Order of preference: the caller's own choice; a sex parameter for clinical use; sex at birth; administrative gender.
Source: HL7 extensions pack, patient-sexParameterForClinicalUse; US Core, us-core-birthsex; FHIR R4 Patient.gender.
The parts and values of the first are from memory; a value that is not known is not used.
"""

from __future__ import annotations

from typing import NamedTuple

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.elements import Extension
from ebbmark.fhir.reading.shapes import Patient
from ebbmark.fhir.reading.times import TimeFault, seconds
from ebbmark.physiology.formulas.body import Sex, predicted_body_weight_kg

__all__ = ["BIRTH_SEX", "CLINICAL_USE", "SexFound", "sex_of"]

CLINICAL_USE = "http://hl7.org/fhir/StructureDefinition/patient-sexParameterForClinicalUse"
BIRTH_SEX = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-birthsex"

_CLINICAL_VALUES = {"male-typical": Sex.MALE, "female-typical": Sex.FEMALE}
_BIRTH_VALUES = {"M": Sex.MALE, "F": Sex.FEMALE}
_GENDERS = {"male": Sex.MALE, "female": Sex.FEMALE}
_SAY_NOTHING = frozenset({"unknown", "UNK", "ASKU", ""})


class Statement(NamedTuple):
    """One statement: `sex` is None where it says neither."""

    sex: Sex | None
    value: str
    origin: str
    path: str


class SexFound(NamedTuple):
    """The outcome: a sex and where it was said, or a problem."""

    sex: Sex | None
    origin: str
    notes: tuple[str, ...]
    problem: Problem | None


def sex_of(patient: Patient | None, path: str, *, asked: Sex | None, at_s: float, height_cm: float | None) -> SexFound:
    """The form of the formula to use.

    Args:
        patient: the Patient, where one was sent.
        path: its FHIRPath.
        asked: the caller's choice (parameter `sex-for-formula`).
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        height_cm: for the two weights in the refusal [cm].
    """
    statements = _statements(patient, path, at_s) if patient is not None else []
    if asked is not None:
        statements.insert(0, Statement(asked, asked.value, "the caller's choice (sex-for-formula)", ""))
    telling = [one for one in statements if one.value not in _SAY_NOTHING]
    first = telling[0] if telling else None
    rivals = [one for one in telling[1:] if first is not None and one.origin == first.origin and one.sex != first.sex]
    if first is None or first.sex is None or rivals:
        return SexFound(None, "", (), _ask(first, path, height_cm))
    notes = tuple(
        f"{one.origin} says {one.value}; {first.origin} was used, which says {first.value}."
        for one in telling[1:]
        if one.sex is not first.sex
    )
    # Named by its element alone: where in the request the Patient stood must not show in the answer.
    place = f" (Patient{first.path.removeprefix(path)})" if first.path else ""
    return SexFound(first.sex, f"{first.sex.value}, from {first.origin}{place}", notes, None)


def _statements(patient: Patient, path: str, at_s: float) -> list[Statement]:
    found: list[Statement] = []
    for number, extension in enumerate(patient.extension):
        where = f"{path}.extension[{number}]"
        if extension.url == CLINICAL_USE and _holds(extension, at_s):
            value = next((_code(part) for part in extension.extension if part.url == "value"), "")
            found.append(Statement(_CLINICAL_VALUES.get(value), value, "the sex parameter for clinical use", where))
    for number, extension in enumerate(patient.extension):
        if extension.url == BIRTH_SEX:
            value = extension.valueCode
            where = f"{path}.extension[{number}]"
            found.append(Statement(_BIRTH_VALUES.get(value), value, "the sex at birth", where))
    if patient.gender:
        origin, where = "the administrative gender", f"{path}.gender"
        found.append(Statement(_GENDERS.get(patient.gender), patient.gender, origin, where))
    return found


def _holds(extension: Extension, at_s: float) -> bool:
    """Whether the statement's period, if any, covers this instant."""
    for part in extension.extension:
        if part.url == "period" and part.valuePeriod is not None:
            start, end = _bound(part.valuePeriod.start), _bound(part.valuePeriod.end)
            if (start is not None and start > at_s) or (end is not None and end < at_s):
                return False
    return True


def _bound(text: str) -> float | None:
    found = seconds(text) if text else TimeFault.INVALID
    if found is TimeFault.DATE_ONLY and len(text) == 10:
        found = seconds(f"{text}T00:00:00Z")
    return found if isinstance(found, float) else None


def _code(part: Extension) -> str:
    if part.valueCodeableConcept is not None and part.valueCodeableConcept.coding:
        return part.valueCodeableConcept.coding[0].code
    return part.valueCode


def _ask(statement: Statement | None, path: str, height_cm: float | None) -> Problem:
    found = (statement.value[:40] if statement else "") or "nothing"
    weights = ""
    if height_cm is not None:
        female, male = (predicted_body_weight_kg(height_cm, sex) for sex in (Sex.FEMALE, Sex.MALE))
        weights = (
            f" Predicted body weight at {height_cm:g} cm is {female:.1f} kg with the female form "
            f"and {male:.1f} kg with the male form."
        )
    sentence = (
        f"Which form of the predicted body weight formula applies was not said (found {found}).{weights} "
        "Choose with the parameter sex-for-formula: female or male."
    )
    expression = (statement.path if statement else "") or (f"{path}.gender" if path else "")
    return Problem(ProblemKind.SEX_NEEDED, expression, found, "female or male", sentence)
