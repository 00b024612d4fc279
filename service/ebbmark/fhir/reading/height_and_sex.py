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
from math import inf
from typing import NamedTuple

from ebbmark.fhir.model import Extension, Patient
from ebbmark.fhir.naming import SNOMED
from ebbmark.fhir.problems import MOST_TOLD, Problem, ProblemKind, Reason, word_shown
from ebbmark.fhir.reading.codes import CODES, HeightKind, SexKind, sexes_of
from ebbmark.fhir.reading.request import Collected, Height, SexStatement, left_out
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


class Statement(NamedTuple):
    """One statement: `sex` is None where it says neither; `said` is the Observation that it stands in, if any."""

    sex: Sex | None
    value: str
    origin: str
    path: str
    said: SexStatement | None = None


class SexFound(NamedTuple):
    """The outcome: a sex, where it was said, in which Observation if in any; or problems."""

    sex: Sex | None
    origin: str
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]
    said: SexStatement | None = None


def sex_of(
    patient: Patient | None,
    path: str,
    observed: Sequence[SexStatement],
    *,
    asked: Sex | None,
    at_s: float,
    height_cm: float | None,
) -> SexFound:
    """The form of the formula to use.

    Args:
        patient: the Patient, where one was sent.
        asked: the caller's choice (parameter `sex-for-formula`).
        at_s: when the statement has to hold: at the last reading [s since 1970-01-01T00:00:00Z].
        height_cm: for the two weights in the refusal [cm].
    """
    statements = _statements(patient, path, at_s, observed)
    if asked is not None:
        statements.insert(0, Statement(asked, asked.value, "the caller's choice (sex-for-formula)", ""))
    telling = [one for one in statements if one.value not in _SAY_NOTHING]
    first = telling[0] if telling else None
    if first is not None:
        rivals = [one for one in telling[1:] if one.origin == first.origin and one.sex is not first.sex]
        if rivals:
            return SexFound(None, "", (), tuple(_conflict([first, *rivals], height_cm)))
    if first is None or first.sex is None:
        return SexFound(None, "", (), (_ask(first, path, height_cm),))
    notes = tuple(
        f"{one.origin} says {_shown(one)}; {first.origin} was used, which says {_shown(first)}."
        for one in telling[1:]
        if one.sex is not first.sex
    )
    # Named by its element alone: where in the request the Patient stood must not show in the answer.
    place = f" (Patient{first.path.removeprefix(path)})" if first.path else ""
    if first.said is not None:
        place = f" ({first.said.source.reference or 'an Observation'})"
    return SexFound(first.sex, f"{first.sex.value}, from {first.origin}{place}", notes, (), first.said)


def _statements(patient: Patient | None, path: str, at_s: float, observed: Sequence[SexStatement]) -> list[Statement]:
    ordered = sorted(observed, key=_newest_first)
    at_birth, recorded = (
        [Statement(one.sex, one.value, origin, one.path, one) for one in ordered if one.kind is kind]
        for kind, origin in ((SexKind.AT_BIRTH, _AT_BIRTH), (SexKind.RECORDED, "the sex recorded as an Observation"))
    )
    if patient is None:
        return [*at_birth, *recorded]
    extensions = _of_extensions(patient, path, at_s)
    on_patient = _recorded(patient, path, at_s)
    born = [one for one in on_patient if one.origin == _AT_BIRTH]
    later = [one for one in on_patient if one.origin == _ON_PATIENT]
    gender = []
    if patient.gender:
        origin, where = "the administrative gender", f"{path}.gender"
        gender.append(Statement(_GENDERS.get(patient.gender), patient.gender, origin, where))
    return [*extensions, *born, *at_birth, *recorded, *later, *gender]


def _newest_first(one: SexStatement) -> tuple[float, str]:
    """Those of one time by name, so that the order received does not show."""
    return (-one.at_s if one.at_s is not None else inf, one.source.reference)


def _of_extensions(patient: Patient, path: str, at_s: float) -> list[Statement]:
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
            found.append(Statement(_BIRTH_VALUES.get(value), value, _AT_BIRTH, where))
    return found


def _recorded(patient: Patient, path: str, at_s: float) -> list[Statement]:
    """What us-core-sex and individual-recordedSexOrGender say; the type of the latter may be the sex at birth."""
    found: list[Statement] = []
    for number, extension in enumerate(patient.extension):
        where = f"{path}.extension[{number}]"
        if extension.url == US_CORE_SEX:
            sexes = sexes_of([(SNOMED, extension.valueCode)])
            value = next((one.value for one in sexes), extension.valueCode)
            found.append(Statement(next(iter(sexes), None), value, _ON_PATIENT, where))
        elif extension.url == RECORDED and _holds(extension, at_s):
            values, types = _codes(extension, "value"), _codes(extension, "type")
            at_birth = any((meaning := CODES.get(one)) and meaning.meaning is SexKind.AT_BIRTH for one in types)
            sexes = sexes_of(values)
            sex = sexes.pop() if len(sexes) == 1 else None
            value = sex.value if sex is not None else next((code for _, code in values), "")
            found.append(Statement(sex, value, _AT_BIRTH if at_birth else _ON_PATIENT, where))
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
    found = " and ".join(list(dict.fromkeys([_shown(one) for one in statements]))[:_MOST_NAMED])
    named = " and ".join([f"{_shown(one)} ({one.path})" for one in statements[:_MOST_NAMED]])
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


def height_of(collected: Collected) -> Height | None:
    """The height that counts; problems and what was not chosen go to `collected`."""
    heights = sorted(
        collected.heights,
        key=lambda height: (_PREFERENCE[height.kind], -(height.at_s if height.at_s is not None else -1e18)),
    )
    if not heights:
        if not any(_is_about_height(problem) for problem in collected.problems):
            sentence = (
                "No usable body height was sent; send an Observation with LOINC 8302-2 and a value in cm or [in_i]."
            )
            collected.problems.append(Problem(ProblemKind.MISSING, "", "no height", "a body height", sentence))
        return None
    lowest, highest = min(heights, key=_cm), max(heights, key=_cm)
    if highest.cm - lowest.cm > HEIGHT_TOLERANCE_CM:
        found = f"{lowest.cm:g} cm and {highest.cm:g} cm"
        sentence = (
            f"Two heights disagree: {lowest.cm:g} cm ({_where(lowest)}) and {highest.cm:g} cm ({_where(highest)}); "
            f"heights of one adult may differ by {HEIGHT_TOLERANCE_CM:g} cm. Send the right one only."
        )
        for height in (lowest, highest):
            expression = f"{_where(height)}.valueQuantity"
            collected.problems.append(
                Problem(ProblemKind.HEIGHT_CONFLICT, expression, found, "heights that agree", sentence)
            )
        return None
    chosen = heights[0]
    for other in heights[1:]:
        sentence = f"Another height was used: {chosen.cm:g} cm ({_where(chosen)})."
        collected.ignored.append(left_out(other.item, Reason.HEIGHT_NOT_CHOSEN, sentence, other.part))
    return chosen


def _is_about_height(problem: Problem) -> bool:
    return problem.kind in {ProblemKind.HEIGHT_UNIT, ProblemKind.HEIGHT_RANGE}


def _cm(height: Height) -> float:
    return height.cm


def _where(height: Height) -> str:
    return height.item.path + height.part
