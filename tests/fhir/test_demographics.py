"""Who the page says that the patient is: by FHIR's own rules for names and numbers, by nothing that is no longer so."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.reading.patient import Demographics, PatientNumber, demographics_of

TODAY = date(2026, 3, 10)
MEDICAL_RECORD = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "MR"}]}
ELEMENTS = ["use", "text", "given", "family", "period", "end", "type", "coding", "code", "display", "value"]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(ELEMENTS), inner, max_size=4),
    max_leaves=12,
)


def who(**elements: object) -> Demographics:
    return demographics_of({"resourceType": "Patient", **elements}, today=TODAY)


def test_the_official_name_comes_before_the_usual_one() -> None:
    names = [{"use": "usual", "text": "Al"}, {"use": "official", "given": ["Alder", "B."], "family": "Example"}]

    assert who(name=names).name == "Alder B. Example"


def test_the_text_of_a_name_is_the_name_as_it_should_be_shown() -> None:
    assert who(name=[{"text": "Example Alder", "given": ["Alder"], "family": "Example"}]).name == "Example Alder"


@pytest.mark.parametrize("use", ["old", "maiden", "nickname", "anonymous"])
def test_a_name_that_is_not_in_use_now_is_not_who_somebody_is(use: str) -> None:
    assert who(name=[{"use": use, "text": "Was Example"}]).name == ""


@pytest.mark.parametrize(("end", "shown"), [("2026-03-09", ""), ("2026-03-10", "A"), ("2026-02", ""), ("2026", "A")])
def test_a_name_whose_period_has_ended_is_not_shown(end: str, shown: str) -> None:
    assert who(name=[{"text": "A", "period": {"start": "2001", "end": end}}]).name == shown


def test_medical_record_numbers_come_before_all_other_numbers() -> None:
    numbers = [
        {"value": "777", "type": {"text": "Insurance"}},
        {"use": "official", "value": "B-2", "type": MEDICAL_RECORD},
        {"use": "usual", "value": "A-1", "type": {**MEDICAL_RECORD, "text": "MRN"}},
        {"use": "old", "value": "A-0", "type": MEDICAL_RECORD},
    ]

    assert who(identifier=numbers).numbers == (
        PatientNumber("MRN", "A-1"),
        PatientNumber("Medical record number", "B-2"),
    )


def test_without_a_medical_record_number_every_number_in_use_stands_under_its_own_name() -> None:
    numbers = [{"value": "777", "type": {"coding": [{"code": "PPN", "display": "Passport number"}]}}, {"value": "8"}]

    assert who(identifier=numbers).numbers == (
        PatientNumber("Passport number", "777"),
        PatientNumber("Identifier", "8"),
    )


@pytest.mark.parametrize(
    ("born", "age"),
    [("1967-03-10", "59"), ("1967-03-11", "58"), ("1967", "58 or 59"), ("", ""), ("2027", ""), ("soon", "")],
)
def test_age_is_told_as_exactly_as_the_birth_date_allows(born: str, age: str) -> None:
    assert who(birthDate=born).age == age


def test_somebody_who_has_died_is_said_to_have() -> None:
    assert who(deceasedBoolean=True).deceased
    assert who(deceasedDateTime="2026-03-09").deceased
    assert not who(deceasedBoolean=False).deceased


def test_sex_is_shown_as_charted_or_not_at_all() -> None:
    assert who(gender="other").sex == "other"
    assert who(gender="F").sex == ""


@given(name=JSON, identifier=JSON, birth=JSON)
def test_whatever_a_record_holds_a_header_comes_of_it(name: object, identifier: object, birth: object) -> None:
    shown = who(name=[name], identifier=[identifier], birthDate=birth, gender=birth, deceasedDateTime=name)

    assert isinstance(shown.name, str)
    assert all(number.value for number in shown.numbers)
