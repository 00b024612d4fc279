"""Whose readings, how tall, which form of the formula: what is preferred, what is noted, what is refused."""

from __future__ import annotations

import pytest

from ebbmark.fhir.naming import SNOMED
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.height_and_sex import BIRTH_SEX, CLINICAL_USE, RECORDED, US_CORE_SEX
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from fhir_builders import (
    LOINC,
    Json,
    at,
    bundle,
    height,
    observation,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_observations,
)

NOW_S = 1772355600.0 + 86400.0  # 2026-03-02


def read(*resources: Json, sex: str | None = None) -> Request:
    content = bundle(*resources, *trial_observations())
    body = to_bytes(parameters(bundle=content, sex_for_formula=sex) if sex else content)
    return read_request(TITRATE_PEEP, body, RequestContext(NOW_S))


def kinds(*resources: Json) -> list[ProblemKind]:
    with pytest.raises(Rejected) as caught:
        read(*resources)
    return [problem.kind for problem in caught.value.problems]


def clinical_use(value: str, **period: str) -> Json:
    parts: list[Json] = [{"url": "value", "valueCodeableConcept": {"coding": [{"code": value}]}}]
    if period:
        parts.append({"url": "period", "valuePeriod": period})
    return {"url": CLINICAL_USE, "extension": parts}


def birth_sex(value: str) -> Json:
    return {"url": BIRTH_SEX, "valueCode": value}


def us_core_sex(value: str) -> Json:
    return {"url": US_CORE_SEX, "valueCode": value}


def recorded(value: str, kind: str = "46098-0", system: str = SNOMED, **period: str) -> Json:
    """HL7 extensions pack, individual-recordedSexOrGender."""
    parts: list[Json] = [
        {"url": "value", "valueCodeableConcept": {"coding": [{"system": system, "code": value}]}},
        {"url": "type", "valueCodeableConcept": {"coding": [{"system": LOINC, "code": kind}]}},
    ]
    if period:
        parts.append({"url": "effectivePeriod", "valuePeriod": period})
    return {"url": RECORDED, "extension": parts}


MALE, FEMALE = "248153007", "248152002"


def person(*extensions: Json, gender: str | None = "female") -> Json:
    return {**patient(gender=gender), "extension": list(extensions)}


def tall(cm: float, code: str = "8302-2", identity: str = "h", when: str | None = None) -> Json:
    built: Json = {
        **observation(f"{LOINC}|{code}", cm, unit="cm", identity=identity),
        "effectiveDateTime": when,
    }
    return {name: item for name, item in built.items() if item is not None}


@pytest.mark.parametrize(
    ("resource", "sex", "expected", "origin"),
    [
        (person(clinical_use("male-typical"), birth_sex("M")), "female", "female", "the caller's choice"),
        (person(clinical_use("male-typical"), birth_sex("F")), None, "male", "clinical use"),
        (person(birth_sex("M")), None, "male", "sex at birth"),
        (person(), None, "female", "administrative gender"),
        (person(birth_sex("UNK")), None, "female", "administrative gender"),
        (person(clinical_use("male-typical", end="2020-01-01")), None, "female", "administrative gender"),
        (person(clinical_use("male-typical", start="2027-01-01")), None, "female", "administrative gender"),
        (person(clinical_use("male-typical", start="2020-01-01")), None, "male", "clinical use"),
        (person(gender="other"), "male", "male", "the caller's choice"),
        (person(us_core_sex(MALE)), None, "male", "the sex recorded on the Patient (Patient.extension[0])"),
        (person(us_core_sex("asked-declined")), None, "female", "administrative gender"),
        (person(us_core_sex(MALE), birth_sex("F")), None, "female", "sex at birth"),
        (person(recorded(MALE)), None, "male", "the sex recorded on the Patient"),
        (person(recorded("male", system="http://hl7.org/fhir/administrative-gender")), None, "male", "on the Patient"),
        (person(recorded(MALE, "76689-9"), us_core_sex(FEMALE)), None, "male", "sex at birth (Patient.extension[0])"),
        (person(recorded(MALE, end="2020-01-01")), None, "female", "administrative gender"),
    ],
)
def test_the_most_telling_statement_decides_the_form(
    resource: Json, sex: str | None, expected: str, origin: str
) -> None:
    request = read(resource, height(), sex=sex)

    assert request.known_person.sex.value == expected
    assert origin in request.known_person.sex_origin


def test_the_origin_names_its_element_wherever_the_patient_stood() -> None:
    who = person({"url": "urn:x"}, birth_sex("M"))

    origins = {read(*resources).known_person.sex_origin for resources in ((who, height()), (height(), who))}

    assert origins == {"male, from the sex at birth (Patient.extension[1])"}


def test_statements_that_disagree_are_noted() -> None:
    notes = read(person(birth_sex("M")), height()).notes

    assert any("administrative gender says female" in note for note in notes)


@pytest.mark.parametrize(
    "resource",
    [
        person(gender="unknown"),
        person(gender=None),
        person(birth_sex("OTH")),
        person(clinical_use("specified")),
        person(recorded("a local code", system="urn:local")),
    ],
)
def test_a_form_that_is_not_said_is_asked_for(resource: Json) -> None:
    assert kinds(resource, height()) == [ProblemKind.SEX_NEEDED]


@pytest.mark.parametrize(
    ("born", "expected"),
    [("2008-03-02", 18.0), ("2008-02", 18.0), ("2007", 18.0), ("1960-05-17", 65.0), ("1960-02-29", 66.0)],
)
def test_an_adult_is_told_from_a_full_or_partial_birth_date(born: str, expected: float) -> None:
    assert read(patient(born=born), height()).known_person.age_years == expected


@pytest.mark.parametrize("born", ["2008-03", "2008"])
def test_a_birth_date_that_leaves_the_age_open_is_refused(born: str) -> None:
    assert kinds(patient(born=born), height()) == [ProblemKind.AGE_UNCLEAR]


def test_the_day_before_the_eighteenth_birthday_is_a_child() -> None:
    assert kinds(patient(born="2008-03-03"), height()) == [ProblemKind.CHILD]


def test_no_birth_date_is_noted() -> None:
    request = read(patient(born=None), height())

    assert request.known_person.age_years is None
    assert any("birth date" in note for note in request.notes)


@pytest.mark.parametrize(
    ("codes", "expected"),
    [
        (["8302-2", "3137-7"], 171.0),
        (["3138-5", "8302-2"], 171.0),
        (["8301-4", "3138-5"], 171.0),
        (["8306-3", "8302-2"], 171.0),
    ],
)
def test_the_better_kind_of_height_is_used(codes: list[str], expected: float) -> None:
    heights = [tall(170.0 + number, code, identity=f"h{number}") for number, code in enumerate(codes)]

    assert read(patient(), *heights).known_person.height_cm == expected


@pytest.mark.parametrize(
    "when", ["0001", "9999", "1899-12-31", "2026-03-04", "0001-01-01T10:00:00Z", "2026-03-04T10:00:00Z"]
)
def test_a_height_at_a_time_that_cannot_be_is_left_out_with_its_reason(when: str) -> None:
    request = read(patient(), tall(170.0, identity="a"), tall(165.0, identity="b", when=when))

    assert request.known_person.height_cm == 170.0
    assert [one.code for one in request.ignored] in (["invalid-time"], ["in-the-future"])


def test_the_latest_of_several_heights_is_used() -> None:
    request = read(
        patient(),
        tall(170.0, identity="a", when="2026-02-01"),
        tall(172.0, identity="b", when="2026-02-20T08:00:00Z"),
        tall(171.0, identity="c", when="2025-02-20T08:00:00Z"),
    )

    assert request.known_person.height_cm == 172.0
    assert [one.code for one in request.ignored] == ["height-not-chosen"] * 2


@pytest.mark.parametrize(("code", "word"), [("3138-5", "stated"), ("8301-4", "estimated"), ("8306-3", "lying")])
def test_a_height_that_deserves_doubt_says_so(code: str, word: str) -> None:
    assert word in read(patient(), tall(170.0, code)).known_person.height_note


def test_a_plain_height_raises_no_doubt() -> None:
    assert read(patient(), tall(170.0)).known_person.height_note == ""


def test_the_height_is_among_the_sources() -> None:
    request = read(patient(), tall(170.0, when=at(0)))

    source = request.sources[request.known_person.height_source]
    assert source.path == "Bundle.entry[1].resource"
    assert source.value.startswith("height|170.0|cm|")


@pytest.mark.parametrize(
    ("value", "unit", "expected"), [(66.0, "[in_i]", 167.64), (1.7, "m", 170.0), (5.5, "[ft_i]", 167.64)]
)
def test_a_height_in_any_unit_of_length_becomes_cm(value: float, unit: str, expected: float) -> None:
    assert read(patient(), height(value, unit)).known_person.height_cm == pytest.approx(expected, rel=1e-12)


def test_two_heights_within_three_centimetres_are_one_adult() -> None:
    assert read(patient(), tall(170.0, identity="a"), tall(173.0, identity="b")).known_person.height_cm in {
        170.0,
        173.0,
    }


def test_two_heights_that_disagree_are_both_named() -> None:
    with pytest.raises(Rejected) as caught:
        read(patient(), tall(170.0, identity="a"), tall(173.5, identity="b"))

    assert [problem.expression for problem in caught.value.problems] == [
        "Bundle.entry[1].resource.valueQuantity",
        "Bundle.entry[2].resource.valueQuantity",
    ]


def test_a_height_from_the_future_does_not_count() -> None:
    assert kinds(patient(), tall(170.0, when="2031-01-01T00:00:00Z")) == [ProblemKind.MISSING]


@pytest.mark.parametrize("when", [None, "2026-02-01", "2026-02-01T08:00:00"])
def test_a_height_needs_no_exact_time(when: str | None) -> None:
    assert read(patient(), tall(170.0, when=when)).known_person.height_cm == 170.0


def test_a_corrected_height_replaces_the_wrong_one() -> None:
    wrong = {**tall(107.0), "meta": {"versionId": "1"}}
    right = {**tall(170.0), "meta": {"versionId": "2"}, "status": "corrected"}

    assert read(patient(), right, wrong).known_person.height_cm == 170.0


def test_a_percentile_or_a_weight_is_no_height() -> None:
    percentile = {**tall(60.0, "8303-0", identity="p"), "valueQuantity": quantity(60.0, "%")}
    weight = {**tall(80.0, "29463-7", identity="w"), "valueQuantity": quantity(80.0, "kg")}

    assert kinds(patient(), percentile, weight) == [ProblemKind.MISSING]


def weighed(kg: float, when: str = at(-60), code: str = "29463-7", unit: str = "kg", identity: str = "w") -> Json:
    return {**observation(f"{LOINC}|{code}", kg, when=when, identity=identity), "valueQuantity": quantity(kg, unit)}


@pytest.mark.parametrize(
    ("weights", "obese"),
    [
        ([weighed(84.5)], False),  # 29.94 kg/m2 at 168 cm; the World Health Organization's limit is 30
        ([weighed(84.8)], True),  # 30.05
        ([weighed(187.0, unit="[lb_av]", code="3141-9")], True),
        ([weighed(120.0, at(-600), identity="a"), weighed(80.0)], False),
        ([weighed(80.0, at(-600), identity="a"), weighed(120.0)], True),
        ([weighed(80.0), weighed(120.0, at(600), identity="later")], False),
        ([weighed(120.0, "2025-02-27T09:00:00Z")], False),
        ([weighed(120.0, "2025-03-02T09:00:00Z")], True),
        ([weighed(24.0)], False),
        ([weighed(120.0, unit="cm")], False),
    ],
    ids=["below", "above", "pounds", "lost", "gained", "after the trial", "old", "a year", "too light", "no weight"],
)
def test_a_body_mass_index_of_thirty_counts_as_obesity_with_the_newest_weight(weights: list[Json], obese: bool) -> None:
    request = read(patient(), height(), *weights)

    assert [one.concepts for one, _ in request.conditions] == [("obesity",)] * obese
    assert (request.body_mass_index is not None) is obese
    assert len(request.ignored) == len(weights) - obese


def test_obesity_by_body_mass_index_names_weight_height_and_source() -> None:
    request = read(patient(), height(), weighed(110.0))

    ((said, source),) = request.conditions
    assert request.sources[source].reference == "Observation/w"
    assert "110 kg (2026-03-01T08:00:00Z) with a height of 168 cm" in request.charted[said.source.path]
    assert "body mass index 39 kg/m2, obesity from 30 (World Health Organization" in request.charted[said.source.path]


def test_one_patient_sent_twice_is_one_patient() -> None:
    assert read(patient(), patient(), height()).subject == "Patient/p1"


def of_version(version: str, **more: Json) -> Json:
    return {**patient(), "meta": {"versionId": version}, **more}


def test_the_version_of_the_patient_is_kept_where_it_is_known() -> None:
    assert read(of_version("7"), height()).known_person.version == "Patient/p1/_history/7"
    assert read(patient(), height()).known_person.version == ""


def test_one_patient_sent_in_two_versions_that_say_the_same_has_no_version() -> None:
    assert read(of_version("7"), of_version("8"), height()).known_person.version == ""


def test_a_patient_whom_only_the_request_knows_has_no_version() -> None:
    nameless = {name: value for name, value in of_version("7").items() if name != "id"}
    ours = "urn:uuid:0b1c8a52-95a3-4d0c-9c4e-3f5f2c7a9d11"
    trial = [{**one, "subject": {"reference": ours}} for one in (height(), *trial_observations())]
    body = {**bundle(*trial), "entry": [{"fullUrl": ours, "resource": nameless}, *entries(bundle(*trial))]}

    assert read_request(TITRATE_PEEP, to_bytes(body), RequestContext(NOW_S)).known_person.version == ""


def entries(content: Json) -> list[Json]:
    listed = content["entry"]
    assert isinstance(listed, list)
    return listed


def test_the_age_at_the_trial_follows_from_the_inputs_alone() -> None:
    ten_years_s = 10 * 365.25 * 86400.0
    content = to_bytes(bundle(patient(born="1960-05-17"), height(), *trial_observations()))

    now, later = (
        read_request(TITRATE_PEEP, content, RequestContext(at_s)).known_person for at_s in (NOW_S, NOW_S + ten_years_s)
    )

    assert (now.age_at_trial_years, later.age_at_trial_years) == (65.0, 65.0)
    assert later.age_years == 75.0
