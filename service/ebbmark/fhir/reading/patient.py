"""The one patient of a request: subject, age, height and form of the formula; and who it is, for the head of a page.

Of name, birth date, sex as charted and the record's own numbers nothing enters a number, a digest or a log.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/patient.html, /datatypes.html#HumanName (text is the name as it should be
shown; old, maiden, nickname and anonymous names are not who somebody is now), /datatypes.html#Identifier; type MR:
http://terminology.hl7.org/CodeSystem/v2-0203.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

import msgspec

from ebbmark.fhir.model import Patient
from ebbmark.fhir.naming import reference_to, tail_of, unversioned
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.height_and_sex import height_of, sex_of
from ebbmark.fhir.reading.request import Collected, Person, Received
from ebbmark.fhir.times import age_range_years, is_after, latest_second
from ebbmark.physiology.findings import IN_USE, PatientStatus
from ebbmark.physiology.mechanics import Sex

ADULT_YEARS = 18
"""The formulas and the trials behind them are of adults."""


def read_person(
    patients: Sequence[Received[Patient]], asked_sex: Sex | None, as_of_s: float, collected: Collected
) -> Person | None:
    """The one patient; problems, remarks and the source of the height go to `collected`."""
    before = len(collected.problems)
    received = _the_one(patients, collected)
    collected.subject = _subject(received, collected)
    age = _age(received, as_of_s, collected)
    height = height_of(collected)
    at_s, height_cm = _last_reading_s(collected, as_of_s), height.value if height else None
    sex = sex_of(received, collected, asked=asked_sex, at_s=at_s, height_cm=height_cm)
    if len(collected.problems) > before or height is None or sex is None:
        return None
    height_source = len(collected.sources)
    collected.sources += [height.source, *([sex.said.source] if sex.said is not None else [])]
    return Person(
        height_cm=height.value,
        height_source=height_source,
        height_note=height.kind.doubt,
        sex=sex.sex,
        sex_origin=sex.origin,
        age_years=age,
        age_at_trial_years=_age_at_trial(received, collected) if age is not None else None,
        version=_version(patients),
        in_use=received is None or received.resource.active is not False,
        sex_source=height_source + 1 if sex.said is not None else None,
    )


def status_of(patients: Sequence[Received[Patient]], as_of_s: float) -> PatientStatus:
    """What the Patient says of itself: died, and no longer used."""
    if not patients:
        return IN_USE
    one = patients[0].resource
    died = one.deceasedBoolean is True or bool(one.deceasedDateTime)
    died_s = latest_second(one.deceasedDateTime) if one.deceasedDateTime else None
    return PatientStatus(died, died_s, one.active is False, died and not is_after(one.deceasedDateTime, as_of_s))


def _the_one(patients: Sequence[Received[Patient]], collected: Collected) -> Received[Patient] | None:
    if not patients:
        return None
    first = patients[0]
    if first.resource.modifierExtension:
        sentence = "The Patient carries a modifier extension that is not known here, which FHIR forbids to pass over."
        path = f"{first.path}.modifierExtension"
        collected.problems.append(Problem(ProblemKind.PATIENT_MODIFIED, path, "a modifier", "none", sentence))
    if any(link.type == _REPLACED_BY for link in first.resource.link):
        accepted = "the Patient that replaces it"
        sentence = (
            "This Patient was replaced by another one (Patient.link of type replaced-by): what is charted here may be "
            "incomplete or of two people. Ask with the Patient that the link names."
        )
        path = f"{first.path}.link"
        collected.problems.append(Problem(ProblemKind.PATIENT_REPLACED, path, "replaced-by", accepted, sentence))
    for other in patients[1:]:
        if _unversioned(other) != _unversioned(first):
            sentence = "The request holds more than one Patient, or copies of one that differ; send exactly one."
            collected.problems.append(
                Problem(ProblemKind.MIXED_PATIENTS, other.path, f"{len(patients)} Patients", "one", sentence)
            )
            break
    return first


def _unversioned(received: Received[Patient]) -> Patient:
    return msgspec.structs.replace(received.resource, meta=None)


def _version(patients: Sequence[Received[Patient]]) -> str:
    """The Patient in its version, where that is known; a name that only the request knows has none."""
    versions = {patient.resource.meta.versionId if patient.resource.meta else "" for patient in patients}
    named = patients[0].resource.id if len(versions) == 1 else ""
    reference = reference_to("Patient", named, versions.pop(), "") if named else ""
    return reference if "/_history/" in reference else ""


def _subject(received: Received[Patient] | None, collected: Collected) -> str:
    """What results name as subject; adds a problem for every Observation of someone else."""
    if collected.without_subject:
        collected.notes["Observations without a subject were taken as this patient's."] = None
    subjects = {unversioned(reference): path for reference, path in reversed(collected.subjects.items())}
    if received is None:
        absolute = {reference for reference in subjects if "://" in reference}
        tails = {tail_of(reference) for reference in subjects}
        if len(absolute) > 1 or len(tails) > 1 or len(collected.identified_subjects) + len(tails) > 1:
            _mixed(next(iter(reversed(subjects.values())), ""), "more than one patient", collected)
        if not subjects:
            sentence = (
                "No Observation names its patient, and no Patient was sent; send the Patient."
                if not collected.identified_subjects
                else "The Observations name their patient by identifier only; send the Patient too."
            )
            collected.problems.append(Problem(ProblemKind.MISSING, "", "no Patient", "one Patient", sentence))
            return ""
        return min(absolute, default="") or min(subjects)
    patient, full_url = received.resource, received.full_url
    own = f"Patient/{patient.id}" if patient.id else ""
    for reference, path in subjects.items():
        same_tail = bool(own) and tail_of(reference) == own
        elsewhere = "://" in reference and full_url.startswith("http")
        if reference != full_url and (not same_tail or elsewhere):
            _mixed(path, "another patient", collected)
    identifiers = {(identifier.system, identifier.value) for identifier in patient.identifier}
    for named, path in collected.identified_subjects.items():
        if named not in identifiers:
            _mixed(path, "another patient", collected)
    return own or full_url


def _mixed(path: str, found: str, collected: Collected) -> None:
    sentence = "The Observations are not all of one patient; send those of exactly one patient."
    expression = f"{path}.subject" if path else ""
    collected.problems.append(Problem(ProblemKind.MIXED_PATIENTS, expression, found, "exactly one patient", sentence))


def _age(received: Received[Patient] | None, as_of_s: float, collected: Collected) -> float | None:
    if received is None or not received.resource.birthDate:
        collected.notes["No birth date was sent; the formulas are for adults."] = None
        return None
    path = f"{received.path}.birthDate"
    ages = age_range_years(received.resource.birthDate, datetime.fromtimestamp(as_of_s, UTC).date())
    accepted = f"an adult, {ADULT_YEARS} years or older"
    if ages is None or ages[1] < 0:
        sentence = "The birth date is not a date before now, so that the age cannot be told."
        collected.problems.append(Problem(ProblemKind.AGE_UNCLEAR, path, "no usable date", accepted, sentence))
        return None
    youngest, oldest = ages
    if oldest < ADULT_YEARS:
        sentence = f"The patient is a child; the formulas and the trials behind them are for {accepted}."
        collected.problems.append(Problem(ProblemKind.CHILD, path, "a child", accepted, sentence))
    elif youngest < ADULT_YEARS:
        sentence = "The partial birth date does not tell whether the patient is an adult; send the full date."
        collected.problems.append(Problem(ProblemKind.AGE_UNCLEAR, path, "a partial date", accepted, sentence))
    return float(youngest)


def _age_at_trial(received: Received[Patient] | None, collected: Collected) -> float | None:
    if received is None or not collected.readings:
        return None
    last_s = _last_reading_s(collected, 0.0)
    ages = age_range_years(received.resource.birthDate, datetime.fromtimestamp(last_s, UTC).date())
    return float(ages[0]) if ages is not None and ages[0] >= 0 else None


def _last_reading_s(collected: Collected, otherwise_s: float) -> float:
    """End of the last reading, so that what holds at that time follows from the inputs alone."""
    return max([reading[3] for reading in collected.readings], default=otherwise_s)


_NOT_NOW: Final = frozenset({"old", "maiden", "nickname", "anonymous"})
_NAME_ORDER: Final = ("official", "usual", "", "temp")
_NUMBER_ORDER: Final = ("usual", "official", "", "secondary", "temp")
_MEDICAL_RECORD: Final = "MR"
_REPLACED_BY: Final = "replaced-by"
"""Patient.link.type of a record that was merged into another. Source: https://hl7.org/fhir/R4/valueset-link-type.html."""

_SEX: Final = frozenset({"male", "female", "other", "unknown"})
_LONGEST: Final = 200
"""Characters shown of one text; what a record holds beyond that is no name."""


@dataclass(frozen=True, slots=True)
class PatientNumber:
    """One number by which the record knows the patient, with what it is called there."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class Demographics:
    """What stands at the head of a page.

    Attributes:
        name: as the record gives it; empty where it gives none.
        birth_date: full or partial, as the record gives it; empty where it gives none.
        age: in completed years, as `58` or, from a partial birth date, `58 or 59`; empty where not known.
        sex: administrative gender as charted; empty where not charted.
        numbers: medical record numbers where there are any, else the other numbers that are in use.
        deceased: whether the record says that the patient has died.
        not_in_use: that this Patient was replaced by another, or is inactive, in a sentence; empty where it is in use.
    """

    name: str
    birth_date: str
    age: str
    sex: str
    numbers: tuple[PatientNumber, ...]
    deceased: bool
    not_in_use: str


def demographics_of(patient: Mapping[str, object], *, today: date) -> Demographics:
    """Read a Patient for its header; whatever has not the shape of FHIR is passed over as not given."""
    birth_date, gender = _text(patient.get("birthDate")), _text(patient.get("gender"))
    return Demographics(
        name=_name(patient, today),
        birth_date=birth_date,
        age=_age_in_words(birth_date, today),
        sex=gender if gender in _SEX else "",
        numbers=_numbers(patient, today),
        deceased=patient.get("deceasedBoolean") is True or bool(_text(patient.get("deceasedDateTime"))),
        not_in_use=_not_in_use(patient),
    )


def _not_in_use(patient: Mapping[str, object]) -> str:
    links = [one for one in _objects(patient.get("link")) if _text(one.get("type")) == _REPLACED_BY]
    if links:
        others = [_object(link.get("other")) for link in links]
        named = [_text(one.get("reference")) or _text(one.get("display")) for one in others]
        successor = " and ".join(one for one in named if one) or "another one"
        return f"This patient record was replaced by {successor}. Open that one instead."
    inactive = patient.get("active") is False
    return "This patient record is marked inactive: the record no longer uses it." if inactive else ""


def _name(patient: Mapping[str, object], today: date) -> str:
    found = [one for one in _objects(patient.get("name")) if _text(one.get("use")) not in _NOT_NOW]
    for name in sorted((one for one in found if _in_force(one, today)), key=lambda one: _place(one, _NAME_ORDER)):
        parts = [*_texts(name.get("given")), _text(name.get("family"))]
        said = _text(name.get("text")) or " ".join(part for part in parts if part)
        if said:
            return said
    return ""


def _numbers(patient: Mapping[str, object], today: date) -> tuple[PatientNumber, ...]:
    found = [one for one in _objects(patient.get("identifier")) if _text(one.get("use")) != "old"]
    found = [one for one in found if _text(one.get("value")) and _in_force(one, today)]
    found.sort(key=lambda one: _place(one, _NUMBER_ORDER))
    medical = [one for one in found if _MEDICAL_RECORD in _codes(one)]
    return tuple(PatientNumber(_label(one), _text(one.get("value"))) for one in medical or found)


def _label(identifier: Mapping[str, object]) -> str:
    kind = _object(identifier.get("type"))
    displays = [_text(one.get("display")) for one in _objects(kind.get("coding"))]
    if _MEDICAL_RECORD in _codes(identifier):
        return _text(kind.get("text")) or "Medical record number"
    return _text(kind.get("text")) or next((display for display in displays if display), "") or "Identifier"


def _codes(identifier: Mapping[str, object]) -> list[str]:
    return [_text(one.get("code")) for one in _objects(_object(identifier.get("type")).get("coding"))]


def _age_in_words(birth_date: str, today: date) -> str:
    ages = age_range_years(birth_date, today)
    if ages is None or ages[0] < 0:
        return ""
    return f"{ages[0]}" if ages[0] == ages[1] else f"{ages[0]} or {ages[1]}"


def _place(one: Mapping[str, object], order: tuple[str, ...]) -> int:
    use = _text(one.get("use"))
    return order.index(use) if use in order else len(order)


def _in_force(one: Mapping[str, object], today: date) -> bool:
    """Whether its period, if any, has not ended before today; a partial date ends with what it names."""
    end = _text(_object(one.get("period")).get("end"))
    return not end or today.isoformat()[: len(end[:10])] <= end[:10]


def _objects(value: object) -> Iterator[Mapping[str, object]]:
    return (one for one in value if isinstance(one, dict)) if isinstance(value, list) else iter(())


def _object(value: object) -> Mapping[str, object]:
    return value if isinstance(value, dict) else {}


def _texts(value: object) -> list[str]:
    return [_text(one) for one in value] if isinstance(value, list) else []


def _text(value: object) -> str:
    return " ".join(value.split())[:_LONGEST] if isinstance(value, str) else ""
