"""Height, and the sex that chooses the form of the predicted body weight formula: said by someone, never guessed.

Order of preference of the sex: the caller's own choice; a sex parameter for clinical use; sex at birth; a sex recorded
as an Observation; one recorded on the Patient; administrative gender. Where statements of one rank disagree, none of
them is chosen.
Source: HL7 extensions pack, patient-sexParameterForClinicalUse and individual-recordedSexOrGender (parts value, type
and effectivePeriod, as national guides show them); US Core, us-core-birthsex and us-core-sex (valueCode, SNOMED CT);
FHIR R4 Patient.gender; Observations as in `codes` and `coded_sex`; the order is ours. The parts and values of the first
are from memory; a value that is not known is not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from math import inf
from typing import NamedTuple

from ebbmark.fhir.model import Extension, Patient
from ebbmark.fhir.naming import SNOMED
from ebbmark.fhir.problems import MOST_TOLD, Problem, ProblemKind, Reason, word_shown
from ebbmark.fhir.reading.codes import CODES, HeightKind, SexKind, sexes_of
from ebbmark.fhir.reading.request import BodyMeasure, Collected, Received, SexStatement, left_out
from ebbmark.fhir.times import TimeFault, seconds
from ebbmark.physiology.mechanics import Sex, predicted_body_weight_kg

HEIGHT_TOLERANCE_CM = 3.0
"""Two heights of one adult that differ by more do not belong to one adult, or one is wrong; our choice."""

_PREFERENCE = {kind: place for place, kind in enumerate(HeightKind)}

CLINICAL_USE = "http://hl7.org/fhir/StructureDefinition/patient-sexParameterForClinicalUse"
BIRTH_SEX = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-birthsex"
US_CORE_SEX = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-sex"
RECORDED = "http://hl7.org/fhir/StructureDefinition/individual-recordedSexOrGender"

_AT_BIRTH, _ON_PATIENT = "the sex at birth", "the sex recorded on the Patient"
_CLINICAL_VALUES = {"male-typical": Sex.MALE, "female-typical": Sex.FEMALE}
_BIRTH_VALUES = {"M": Sex.MALE, "F": Sex.FEMALE}
_GENDERS = {"male": Sex.MALE, "female": Sex.FEMALE}
_WORDS = frozenset(
    {*_CLINICAL_VALUES, *_BIRTH_VALUES, *_GENDERS, "other", "unknown", "specified", "OTH", "UNK", "ASKU"}
)
_SAY_NOTHING = frozenset({"unknown", "UNK", "ASKU", "asked-declined", ""})
_PERIODS = ("period", "effectivePeriod")
_CHOOSE = "Choose with the parameter sex-for-formula: female or male."
_LONGEST = 80
_MOST_NAMED = 4


class _Rank(IntEnum):
    """Order of preference."""

    CLINICAL_USE = 0
    BIRTH_SEX = 1
    AT_BIRTH = 2
    OBSERVED_AT_BIRTH = 3
    OBSERVED = 4
    ON_PATIENT = 5
    GENDER = 6


class Statement(NamedTuple):
    """One statement: `sex` is None where it says neither; `said` is the Observation that it stands in, if any."""

    sex: Sex | None
    value: str
    origin: str
    path: str
    said: SexStatement | None = None


class ChosenSex(NamedTuple):
    """The form of the formula to use, where it was said, and in which Observation if in any."""

    sex: Sex
    origin: str
    said: SexStatement | None


def sex_of(
    received: Received[Patient] | None, collected: Collected, *, asked: Sex | None, at_s: float, height_cm: float | None
) -> ChosenSex | None:
    """The form of the formula to use; problems, remarks and what was not chosen go to `collected`.

    Args:
        asked: the caller's choice (parameter `sex-for-formula`).
        at_s: when the statement has to hold: at the last reading [s since 1970-01-01T00:00:00Z].
        height_cm: for the two weights in the refusal [cm].
    """
    path = received.path if received is not None else ""
    ranked = _observed(collected.sexes)
    ranked += _on_patient(received.resource, path, at_s) if received is not None else []
    statements = [statement for _, statement in sorted(ranked, key=lambda one: one[0])]
    if asked is not None:
        statements.insert(0, Statement(asked, asked.value, "the caller's choice (sex-for-formula)", ""))
    telling = [statement for statement in statements if statement.value not in _SAY_NOTHING]
    first = telling[0] if telling else None
    if first is not None:
        rivals = [one for one in telling[1:] if one.origin == first.origin and one.sex is not first.sex]
        if rivals:
            collected.problems += _conflict([first, *rivals], height_cm)
            return None
    if first is None or first.sex is None:
        collected.problems.append(_ask(first, path, height_cm))
        return None
    for one in telling[1:]:
        if one.sex is not first.sex:
            note = f"{one.origin} says {_shown(one)}; {first.origin} was used, which says {_shown(first)}."
            collected.notes[note] = None
    # Named by its element alone: where in the request the Patient stood must not show in the answer.
    place = f" (Patient{first.path.removeprefix(path)})" if first.path else ""
    if first.said is not None:
        place = f" ({first.said.source.reference or 'an Observation'})"
    origin = f"{first.sex.value}, from {first.origin}{place}"
    for other in collected.sexes:
        if other is not first.said:
            neither = f"It says neither female nor male ({other.value}). " if other.sex is None else ""
            sentence = f"{neither}Another statement of sex was used: {origin}."
            collected.ignored.append(left_out(other.item, Reason.SEX_NOT_CHOSEN, sentence, other.part))
    return ChosenSex(first.sex, origin, first.said)


def _observed(observed: Sequence[SexStatement]) -> list[tuple[_Rank, Statement]]:
    """What Observations say, the newest first; those of one time by name, so that the order received does not show."""
    ordered = sorted(observed, key=lambda one: (-one.at_s if one.at_s is not None else inf, one.source.reference))
    ranks = {
        SexKind.AT_BIRTH: (_Rank.OBSERVED_AT_BIRTH, _AT_BIRTH),
        SexKind.RECORDED: (_Rank.OBSERVED, "the sex recorded as an Observation"),
    }
    return [(ranks[one.kind][0], Statement(one.sex, one.value, ranks[one.kind][1], one.path, one)) for one in ordered]


def _on_patient(patient: Patient, path: str, at_s: float) -> list[tuple[_Rank, Statement]]:
    """What the extensions and the gender of the Patient say; the type of a recorded sex may be the sex at birth."""
    found: list[tuple[_Rank, Statement]] = []
    for number, extension in enumerate(patient.extension):
        where, url, value = f"{path}.extension[{number}]", extension.url, extension.valueCode
        if url == CLINICAL_USE and _holds(extension, at_s):
            value = next((_code(part) for part in extension.extension if part.url == "value"), "")
            origin = "the sex parameter for clinical use"
            found.append((_Rank.CLINICAL_USE, Statement(_CLINICAL_VALUES.get(value), value, origin, where)))
        elif url == BIRTH_SEX:
            found.append((_Rank.BIRTH_SEX, Statement(_BIRTH_VALUES.get(value), value, _AT_BIRTH, where)))
        elif url == US_CORE_SEX:
            sex = next(iter(sexes_of([(SNOMED, value)])), None)
            found.append((_Rank.ON_PATIENT, Statement(sex, sex.value if sex else value, _ON_PATIENT, where)))
        elif url == RECORDED and _holds(extension, at_s):
            codes, types = _codes(extension, "value"), _codes(extension, "type")
            at_birth = any((row := CODES.get(one)) and row.meaning is SexKind.AT_BIRTH for one in types)
            sexes = sexes_of(codes)
            sex = sexes.pop() if len(sexes) == 1 else None
            value = sex.value if sex is not None else next((code for _, code in codes), "")
            rank, origin = (_Rank.AT_BIRTH, _AT_BIRTH) if at_birth else (_Rank.ON_PATIENT, _ON_PATIENT)
            found.append((rank, Statement(sex, value, origin, where)))
    if patient.gender:
        gender = Statement(_GENDERS.get(patient.gender), patient.gender, "the administrative gender", f"{path}.gender")
        found.append((_Rank.GENDER, gender))
    return found


def _codes(extension: Extension, url: str) -> list[tuple[str, str]]:
    concepts = [part.valueCodeableConcept for part in extension.extension if part.url == url]
    return [(one.system, one.code) for concept in concepts if concept is not None for one in concept.coding]


def _holds(extension: Extension, at_s: float) -> bool:
    """Whether the statement's period, if any, covers this instant."""
    for part in extension.extension:
        if part.url in _PERIODS and part.valuePeriod is not None:
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
    found = (_shown(statement) if statement else "") or "nothing"
    sentence = (
        f"Which form of the predicted body weight formula applies was not said (found {found})."
        f"{_weights(height_cm)} {_CHOOSE}"
    )
    expression = (statement.path if statement else "") or (f"{path}.gender" if path else "")
    return Problem(ProblemKind.SEX_NEEDED, expression, found, "female or male", sentence)


def _conflict(statements: Sequence[Statement], height_cm: float | None) -> list[Problem]:
    """One problem for each statement of one rank, each naming all of them."""
    found = " and ".join(list(dict.fromkeys([_shown(statement) for statement in statements]))[:_MOST_NAMED])
    named = " and ".join([f"{_shown(statement)} ({statement.path})" for statement in statements[:_MOST_NAMED]])
    if len(statements) > _MOST_NAMED:
        named = f"{named} and {len(statements) - _MOST_NAMED} more"
    sentence = (
        f"Statements of {statements[0].origin} disagree: {named}.{_weights(height_cm)} Send the right one only, or "
        f"{_CHOOSE[0].lower()}{_CHOOSE[1:]}"
    )
    told = statements[:MOST_TOLD]
    return [Problem(ProblemKind.SEX_CONFLICT, one.path, found, "statements that agree", sentence) for one in told]


def _shown(statement: Statement) -> str:
    """What a statement says, where it says it in a word or in codes that are known."""
    if statement.said is not None:
        return statement.value
    return word_shown(statement.value, _WORDS, "another value")


def _weights(height_cm: float | None) -> str:
    if height_cm is None:
        return ""
    female, male = (predicted_body_weight_kg(height_cm, sex) for sex in (Sex.FEMALE, Sex.MALE))
    return (
        f" Predicted body weight at {height_cm:g} cm is {female:.1f} kg with the female form "
        f"and {male:.1f} kg with the male form."
    )


def height_of(collected: Collected) -> BodyMeasure[HeightKind] | None:
    """The height that counts; problems and what was not chosen go to `collected`."""
    heights = sorted(
        collected.heights,
        key=lambda one: (_PREFERENCE[one.kind], -(one.at_s if one.at_s is not None else -1e18)),
    )
    if not heights:
        if not any(
            problem.kind in (ProblemKind.HEIGHT_UNIT, ProblemKind.HEIGHT_RANGE) for problem in collected.problems
        ):
            sentence = (
                "No usable body height was sent; send an Observation with LOINC 8302-2 and a value in cm or [in_i]."
            )
            collected.problems.append(Problem(ProblemKind.MISSING, "", "no height", "a body height", sentence))
        return None
    lowest, highest = (of(heights, key=lambda one: one.value) for of in (min, max))
    if highest.value - lowest.value > HEIGHT_TOLERANCE_CM:
        sentence = (
            f"Two heights disagree: {lowest.value:g} cm ({lowest.path}) and {highest.value:g} cm ({highest.path}); "
            f"heights of one adult may differ by {HEIGHT_TOLERANCE_CM:g} cm. Send the right one only."
        )
        found, accepted = f"{lowest.value:g} cm and {highest.value:g} cm", "heights that agree"
        for one in (lowest, highest):
            where = f"{one.path}.valueQuantity"
            collected.problems.append(Problem(ProblemKind.HEIGHT_CONFLICT, where, found, accepted, sentence))
        return None
    chosen = heights[0]
    for other in heights[1:]:
        sentence = f"Another height was used: {chosen.value:g} cm ({chosen.path})."
        collected.ignored.append(left_out(other.item, Reason.HEIGHT_NOT_CHOSEN, sentence, other.part))
    return chosen
