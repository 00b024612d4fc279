"""A sex that was charted as an Observation: which codes say it, what it is preferred to, what is refused and listed."""

from __future__ import annotations

import json
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from answers import resources
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Reason, Rejected
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.height_and_sex import BIRTH_SEX, CLINICAL_USE
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from ebbmark.fhir.reading.terminology import read_code_map
from ebbmark.fhir.writing.identity import input_digest
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from fhir_builders import LOINC, Json, bundle, height, parameters, patient, to_bytes, trial_observations

NOW_S = 1772355600.0 + 86400.0  # 2026-03-02
SNOMED = "http://snomed.info/sct"
V3_GENDER = "http://terminology.hl7.org/CodeSystem/v3-AdministrativeGender"
V3_NULL = "http://terminology.hl7.org/CodeSystem/v3-NullFlavor"
GENDER = "http://hl7.org/fhir/administrative-gender"
FEMALE, MALE = (SNOMED, "248152002"), (SNOMED, "248153007")
AT_BIRTH, RECORDED = "76689-9", "46098-0"


def coded(*codings: tuple[str, str], text: str = "") -> Json:
    concept: Json = {"coding": [{"system": system, "code": code} for system, code in codings]}
    return concept | ({"text": text} if text else {})


def sex_observation(
    code: str, *codings: tuple[str, str], identity: str = "sx", version: str = "1", **more: object
) -> Json:
    built: Json = {
        "resourceType": "Observation",
        "id": identity,
        "meta": {"versionId": version},
        "status": "final",
        "code": coded((LOINC, code)),
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2020-05-01",
        "valueCodeableConcept": coded(*codings),
    }
    return present(built | more)


def present(resource: Json) -> Json:
    return {name: item for name, item in resource.items() if item is not None}


def birth_sex(value: str) -> Json:
    return {"url": BIRTH_SEX, "valueCode": value}


def clinical_use(value: str) -> Json:
    return {"url": CLINICAL_USE, "extension": [{"url": "value", "valueCodeableConcept": coded(("", value))}]}


def person(*extensions: Json, gender: str | None = "female") -> Json:
    return {**patient(gender=gender), "extension": list(extensions)}


def read(
    *resources: Json, sex: str | None = None, code_map: CodeMap = NO_CODE_MAP, accept_preliminary: bool = False
) -> Request:
    content = bundle(*resources, height(), *trial_observations())
    body = to_bytes(parameters(bundle=content, sex_for_formula=sex) if sex else content)
    return read_request(
        TITRATE_PEEP, body, RequestContext(NOW_S, code_map=code_map, accept_preliminary=accept_preliminary)
    )


def refusal(*resources: Json) -> Rejected:
    with pytest.raises(Rejected) as caught:
        read(*resources)
    return caught.value


@pytest.mark.parametrize("code", [AT_BIRTH, RECORDED])
@pytest.mark.parametrize(
    ("coding", "expected"),
    [
        # Sources: the module `coded_sex`, each pair in two official documents.
        ((SNOMED, "248152002"), "female"),
        ((SNOMED, "248153007"), "male"),
        ((V3_GENDER, "F"), "female"),
        ((V3_GENDER, "M"), "male"),
        ((GENDER, "female"), "female"),
        ((GENDER, "male"), "male"),
    ],
)
def test_a_coded_sex_decides_the_form_where_the_patient_says_none(
    code: str, coding: tuple[str, str], expected: str
) -> None:
    request = read(person(gender=None), sex_observation(code, coding))

    assert request.known_person.sex.value == expected
    assert not request.ignored


@pytest.mark.parametrize(
    ("resources", "sex", "expected", "origin"),
    [
        ((person(), sex_observation(AT_BIRTH, MALE)), None, "male", "the sex at birth (Observation/sx/_history/1)"),
        ((person(), sex_observation(RECORDED, MALE)), None, "male", "recorded as an Observation (Observation/sx/"),
        (
            (person(), sex_observation(RECORDED, FEMALE), sex_observation(AT_BIRTH, MALE, identity="born")),
            None,
            "male",
            "the sex at birth (Observation/born/_history/1)",
        ),
        ((person(birth_sex("M")), sex_observation(RECORDED, FEMALE)), None, "male", "(Patient.extension[0])"),
        ((person(clinical_use("male-typical")), sex_observation(AT_BIRTH, FEMALE)), None, "male", "clinical use"),
        ((person(gender="male"), sex_observation(AT_BIRTH, MALE)), "female", "female", "the caller's choice"),
        ((person(birth_sex("UNK")), sex_observation(AT_BIRTH, MALE)), None, "male", "(Observation/sx/_history/1)"),
        ((person(birth_sex("M")), sex_observation(AT_BIRTH, (V3_NULL, "UNK"))), None, "male", "extension[0]"),
        ((person(gender="male"), sex_observation(RECORDED, (SNOMED, "184115007"))), None, "male", "Patient.gender"),
    ],
)
def test_the_most_telling_statement_decides_wherever_it_stands(
    resources: tuple[Json, ...], sex: str | None, expected: str, origin: str
) -> None:
    chosen = read(*resources, sex=sex).known_person

    assert chosen.sex.value == expected
    assert origin in chosen.sex_origin


def test_a_statement_of_lower_rank_that_disagrees_is_noted_and_listed() -> None:
    request = read(person(birth_sex("M")), sex_observation(RECORDED, FEMALE))

    assert any("the sex recorded as an Observation says female" in note for note in request.notes)
    assert [(one.code, one.path) for one in request.ignored] == [("sex-not-chosen", "Bundle.entry[1].resource")]
    assert "male, from the sex at birth" in request.ignored[0].reason


def test_a_gender_that_disagrees_with_the_observation_used_is_noted() -> None:
    notes = read(person(gender="female"), sex_observation(AT_BIRTH, MALE)).notes

    assert any("administrative gender says female" in note for note in notes)


CONTRADICTIONS = [
    # the resources, FHIRPath of each statement
    (
        (person(), sex_observation(AT_BIRTH, MALE, identity="a"), sex_observation(AT_BIRTH, FEMALE, identity="b")),
        {"Bundle.entry[1].resource.valueCodeableConcept", "Bundle.entry[2].resource.valueCodeableConcept"},
    ),
    (
        (person(), sex_observation(RECORDED, MALE, identity="a"), sex_observation(RECORDED, FEMALE, identity="b")),
        {"Bundle.entry[1].resource.valueCodeableConcept", "Bundle.entry[2].resource.valueCodeableConcept"},
    ),
    (
        (person(birth_sex("M")), sex_observation(AT_BIRTH, FEMALE)),
        {"Bundle.entry[0].resource.extension[0]", "Bundle.entry[1].resource.valueCodeableConcept"},
    ),
    (
        (person(birth_sex("OTH")), sex_observation(AT_BIRTH, FEMALE)),
        {"Bundle.entry[0].resource.extension[0]", "Bundle.entry[1].resource.valueCodeableConcept"},
    ),
    (
        (person(birth_sex("M"), birth_sex("F")),),
        {"Bundle.entry[0].resource.extension[0]", "Bundle.entry[0].resource.extension[1]"},
    ),
]


@pytest.mark.parametrize(("resources", "paths"), CONTRADICTIONS)
def test_statements_of_one_rank_that_disagree_are_refused_by_name(resources: tuple[Json, ...], paths: set[str]) -> None:
    problems = refusal(*resources).problems

    assert {problem.kind for problem in problems} == {ProblemKind.SEX_CONFLICT}
    assert {problem.expression for problem in problems} == paths
    assert all(path in problem.sentence for problem in problems for path in paths)
    assert all("female form" in problem.sentence and "male form" in problem.sentence for problem in problems)


@pytest.mark.parametrize(("resources", "paths"), CONTRADICTIONS)
def test_the_callers_choice_settles_a_contradiction(resources: tuple[Json, ...], paths: set[str]) -> None:
    del paths

    assert read(*resources, sex="male").known_person.sex.value == "male"


@given(
    said=st.lists(
        st.tuples(st.sampled_from([AT_BIRTH, RECORDED]), st.sampled_from(["female", "male"])), min_size=1, max_size=4
    ),
    extension=st.sampled_from([None, "F", "M"]),
    order=st.randoms(use_true_random=False),
)
def test_an_answer_is_given_exactly_where_the_highest_rank_speaks_with_one_voice(
    said: list[tuple[str, str]], extension: str | None, order: Random
) -> None:
    observed = [sex_observation(code, (GENDER, sex), identity=f"sx{number}") for number, (code, sex) in enumerate(said)]
    order.shuffle(observed)
    at_birth: set[str] = {sex for code, sex in said if code == AT_BIRTH}
    at_birth |= {{"F": "female", "M": "male"}[extension]} if extension else set()
    deciding = at_birth or {sex for _, sex in said}
    who = person(*([birth_sex(extension)] if extension else []), gender="unknown")

    if len(deciding) > 1:
        assert {problem.kind for problem in refusal(who, *observed).problems} == {ProblemKind.SEX_CONFLICT}
        return
    request = read(who, *observed)
    used = 0 if request.known_person.sex_source is None else 1

    assert {request.known_person.sex.value} == deciding
    assert used == (0 if extension else 1)
    assert [one.code for one in request.ignored] == ["sex-not-chosen"] * (len(observed) - used)


def test_of_several_that_agree_the_newest_is_used_in_whatever_order_they_come() -> None:
    old = sex_observation(AT_BIRTH, MALE, identity="old", effectiveDateTime="2001-01-01T00:00:00Z")
    new = sex_observation(AT_BIRTH, MALE, identity="new", effectiveDateTime="2021-01-01T00:00:00Z")

    origins = {read(person(), *pair).known_person.sex_origin for pair in ((old, new), (new, old))}

    assert origins == {"male, from the sex at birth (Observation/new/_history/1)"}


@pytest.mark.parametrize(
    "coding", [(SNOMED, "32570681000036106"), (V3_GENDER, "UN"), (GENDER, "other"), ("urn:example:local", "1")]
)
def test_a_value_that_says_neither_is_refused_with_both_weights(coding: tuple[str, str]) -> None:
    problems = refusal(person(), sex_observation(AT_BIRTH, coding)).problems

    assert [problem.kind for problem in problems] == [ProblemKind.SEX_NEEDED]
    assert problems[0].expression == "Bundle.entry[1].resource.valueCodeableConcept"
    assert coding[1] in problems[0].sentence
    assert "female form" in problems[0].sentence


def test_two_codings_that_contradict_each_other_say_neither() -> None:
    assert [problem.kind for problem in refusal(person(), sex_observation(AT_BIRTH, MALE, FEMALE)).problems] == [
        ProblemKind.SEX_NEEDED
    ]


def test_a_local_code_may_stand_beside_a_known_one() -> None:
    assert read(person(), sex_observation(AT_BIRTH, ("urn:example:local", "1"), MALE)).known_person.sex.value == "male"


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"status": "entered-in-error"}, Reason.ENTERED_IN_ERROR),
        ({"status": "preliminary"}, Reason.PRELIMINARY),
        ({"status": "cancelled"}, Reason.CANCELLED),
        ({"valueCodeableConcept": {"text": "male"}}, Reason.NOT_CODED),
        ({"valueCodeableConcept": "male"}, Reason.NOT_CODED),
        ({"valueCodeableConcept": None, "valueString": "male"}, Reason.NOT_CODED),
        ({"valueCodeableConcept": None, "valueQuantity": {"value": 1}}, Reason.NOT_CODED),
        ({"valueCodeableConcept": None}, Reason.NO_VALUE),
        ({"valueCodeableConcept": None, "dataAbsentReason": coded((V3_NULL, "UNK"))}, Reason.DATA_ABSENT),
        ({"valueCodeableConcept": coded((V3_NULL, "ASKU"))}, Reason.DATA_ABSENT),
        ({"effectiveDateTime": "2031-01-01T00:00:00Z"}, Reason.FUTURE),
        ({"modifierExtension": [{"url": "urn:x"}]}, Reason.MODIFIER_EXTENSION),
    ],
)
def test_what_does_not_count_is_listed_and_the_next_statement_speaks(more: Json, reason: Reason) -> None:
    request = read(person(), present(sex_observation(AT_BIRTH, MALE) | more))

    assert request.known_person.sex.value == "female"
    assert [(one.code, one.path) for one in request.ignored] == [(reason.slug, "Bundle.entry[1].resource")]


def test_a_preliminary_one_counts_where_those_are_accepted() -> None:
    request = read(person(), sex_observation(AT_BIRTH, MALE, status="preliminary"), accept_preliminary=True)

    assert request.known_person.sex.value == "male"


def test_a_sex_of_somebody_else_is_refused() -> None:
    other = sex_observation(AT_BIRTH, MALE, subject={"reference": "Patient/p2"})

    assert [problem.kind for problem in refusal(person(), other).problems] == [ProblemKind.MIXED_PATIENTS]


def test_the_newest_version_of_an_observation_speaks() -> None:
    request = read(
        person(), sex_observation(AT_BIRTH, FEMALE, version="1"), sex_observation(AT_BIRTH, MALE, version="2")
    )

    assert request.known_person.sex_origin == "male, from the sex at birth (Observation/sx/_history/2)"


def test_a_site_may_map_its_own_code_of_the_question() -> None:
    mapped = read_code_map(
        json.dumps(
            {
                "resourceType": "ConceptMap",
                "group": [
                    {
                        "source": "urn:example:local",
                        "target": LOINC,
                        "element": [{"code": "SEX", "target": [{"code": RECORDED, "equivalence": "equivalent"}]}],
                    }
                ],
            }
        ).encode()
    )
    local = sex_observation(RECORDED, MALE) | {"code": coded(("urn:example:local", "SEX"))}

    assert read(person(), local, code_map=mapped).known_person.sex.value == "male"


def test_the_observation_used_is_an_input_of_the_weight_and_of_the_whole_answer() -> None:
    observed = sex_observation(AT_BIRTH, MALE, version="3")
    body = to_bytes(bundle(person(), observed, height(), *trial_observations()))

    written = write_bundle(answer_request(TITRATE_PEEP, body, RequestContext(NOW_S)), recorded_s=NOW_S)

    (provenance,) = resources(written, "Provenance")
    (weight,) = [
        resource
        for resource in resources(written, "Observation")
        if "45.5" in str(resource) or "50 + 0.91" in str(resource)
    ]
    named = {"reference": "Observation/sx/_history/3"}
    assert named in [one["what"] for one in provenance["entity"]]
    assert named in weight["derivedFrom"]
    assert "male, from the sex at birth (Observation/sx/_history/3)" in weight["note"][0]["text"]


def test_another_version_of_the_observation_is_another_input() -> None:
    digests = {input_digest(read(person(), sex_observation(AT_BIRTH, MALE, version=version))) for version in ("1", "2")}

    assert len(digests) == 2
