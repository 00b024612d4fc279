"""Who is this, for people: name, birth date, sex as charted and the record's own numbers, for the head of a page.

Nothing of this enters a number, a digest or a log. Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/patient.html,
/datatypes.html#HumanName (text is the name as it should be shown; old, maiden, nickname and anonymous names are not
who somebody is now), /datatypes.html#Identifier; type MR: http://terminology.hl7.org/CodeSystem/v2-0203.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from ebbmark.fhir.times import age_range_years

__all__ = ["REPLACED_BY", "Demographics", "PatientNumber", "demographics_of"]

_NOT_NOW: Final = frozenset({"old", "maiden", "nickname", "anonymous"})
_NAME_ORDER: Final = ("official", "usual", "", "temp")
_NUMBER_ORDER: Final = ("usual", "official", "", "secondary", "temp")
_MEDICAL_RECORD: Final = "MR"
REPLACED_BY: Final = "replaced-by"
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
    """Read a Patient for its header; whatever has not the shape of FHIR is passed over as not given.

    Args:
        patient: FHIR R4 Patient as JSON values.
        today: the day that counts as now.
    """
    birth_date, gender = _text(patient.get("birthDate")), _text(patient.get("gender"))
    return Demographics(
        name=_name(patient, today),
        birth_date=birth_date,
        age=_age(birth_date, today),
        sex=gender if gender in _SEX else "",
        numbers=_numbers(patient, today),
        deceased=patient.get("deceasedBoolean") is True or bool(_text(patient.get("deceasedDateTime"))),
        not_in_use=_not_in_use(patient),
    )


def _not_in_use(patient: Mapping[str, object]) -> str:
    links = [one for one in _objects(patient.get("link")) if _text(one.get("type")) == REPLACED_BY]
    if links:
        others = [_object(one.get("other")) for one in links]
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
    return _text(kind.get("text")) or next((one for one in displays if one), "") or "Identifier"


def _codes(identifier: Mapping[str, object]) -> list[str]:
    return [_text(one.get("code")) for one in _objects(_object(identifier.get("type")).get("coding"))]


def _age(birth_date: str, today: date) -> str:
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
