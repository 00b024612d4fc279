"""Every kind of problem, from bytes: the kind, the FHIRPath and the status that the caller sees."""

from __future__ import annotations

import json

import pytest

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected, operation_outcome, status_of
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Limits, RequestContext
from fhir_builders import (
    Json,
    at,
    bundle,
    charted_sex,
    height,
    observation,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_bundle,
    trial_observations,
)

NOW_S = 1772355600.0 + 86400.0  # the day after the builders' trial


def rejected(body: bytes, limits: Limits | None = None) -> Rejected:
    with pytest.raises(Rejected) as caught:
        read_request(TITRATE_PEEP, body, RequestContext(NOW_S, limits=limits or Limits()))
    return caught.value


def trial_with(*resources: Json) -> bytes:
    """A trial without Patient and height, and these."""
    return to_bytes(bundle(*resources, *trial_observations()))


def asking(**named: object) -> bytes:
    return to_bytes(parameters(bundle=trial_bundle(), **named))


def changed(resource: Json, **more: object) -> Json:
    return {**resource, **more}


def typed(text: str) -> bytes:
    return to_bytes(trial_bundle()).replace(b'"final"', text.encode(), 1)


CODE_MAP: Json = {
    "resourceType": "ConceptMap",
    "status": "active",
    "group": [
        {
            "source": "urn:example:codes",
            "target": "https://ebbmark.example/fhir/CodeSystem/quantities",
            "element": [{"code": "PEEP", "target": [{"code": "peep", "equivalence": "equal"}]}],
        }
    ],
}

REFUSED: list[tuple[str, ProblemKind, str, bytes]] = [
    # what was sent, kind, FHIRPath, body
    ("nothing", ProblemKind.NOT_JSON, "", b""),
    ("half a body", ProblemKind.NOT_JSON, "", to_bytes(trial_bundle())[:-40]),
    ("bytes that are not UTF-8", ProblemKind.NOT_UTF8, "", b'{"resourceType":"Bundle","x":"\xff"}'),
    ("UTF-16", ProblemKind.NOT_UTF8, "", to_bytes(trial_bundle()).decode().encode("utf-16")),
    ("XML", ProblemKind.XML, "", b'<?xml version="1.0"?><Bundle xmlns="http://hl7.org/fhir"/>'),
    (
        "a key that stands twice",
        ProblemKind.REPEATED_KEY,
        "Bundle.type",
        b'{"resourceType":"Bundle","type":"batch","type":"collection","entry":[]}',
    ),
    ("NaN", ProblemKind.NOT_A_JSON_NUMBER, "", b'{"resourceType":"Bundle","type":"collection","entry":[NaN]}'),
    ("Infinity", ProblemKind.NOT_A_JSON_NUMBER, "", b'{"resourceType":"Bundle","x":-Infinity}'),
    ("deep nesting", ProblemKind.TOO_DEEP, "", b'{"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}"),
    ("a list", ProblemKind.WRONG_TYPE, "", b"[]"),
    ("a Patient", ProblemKind.NOT_FHIR, "Patient", to_bytes(patient())),
    ("an object without type", ProblemKind.NOT_FHIR, "resourceType", b"{}"),
    (
        "a resource type that R4 does not know",
        ProblemKind.NOT_FHIR,
        "Bundle.entry[0].resource.resourceType",
        trial_with({"resourceType": "Breath"}),
    ),
    ("a number as status", ProblemKind.WRONG_TYPE, "Bundle.entry[1].resource.status", typed("7")),
    (
        "a value as text",
        ProblemKind.WRONG_TYPE,
        "Bundle.entry[0].resource.valueQuantity.value",
        trial_with({**observation("peep-set", 10.0), "valueQuantity": {"value": "10"}}),
    ),
    (
        "an Observation without code",
        ProblemKind.ELEMENT_MISSING,
        "Bundle.entry[0].resource.code",
        trial_with({"resourceType": "Observation", "status": "final"}),
    ),
    (
        "an entry without resource",
        ProblemKind.ELEMENT_MISSING,
        "Bundle.entry[0].resource",
        to_bytes({"resourceType": "Bundle", "type": "collection", "entry": [{"fullUrl": "urn:uuid:1"}]}),
    ),
    (
        "two values",
        ProblemKind.TWO_VALUES,
        "Bundle.entry[0].resource",
        trial_with(observation("peep-set", 10.0, valueString="ten")),
    ),
    (
        "two times",
        ProblemKind.TWO_VALUES,
        "Bundle.entry[0].resource",
        trial_with(observation("peep-set", 10.0, effectiveInstant=at(1))),
    ),
    (
        "a status that R4 does not know",
        ProblemKind.INVALID_CODE,
        "Bundle.entry[0].resource.status",
        trial_with(observation("peep-set", 10.0, status="done")),
    ),
    ("a message", ProblemKind.BUNDLE_TYPE, "Bundle.type", to_bytes(trial_bundle(kind="message"))),
    ("an unknown parameter", ProblemKind.UNKNOWN_PARAMETER, "Parameters.parameter[1].name", asking(peep="high")),
    (
        "a parameter twice",
        ProblemKind.REPEATED_PARAMETER,
        "Parameters.parameter[2]",
        asking(write_back=[True, False]),
    ),
    ("an unknown protocol", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(protocol="mine")),
    (
        "an unknown version",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter[1]",
        asking(protocol="compliance-closing|0"),
    ),
    (
        "a margin that the protocol forbids",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter[1].valueQuantity",
        asking(margin=quantity(9.0)),
    ),
    (
        "to make current what is not to be written",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter.where(name='make-current')",
        asking(make_current=True),
    ),
    ("a margin as volume", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(margin=quantity(2.0, "mL"))),
    ("a sex that is no form", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(sex_for_formula="other")),
    (
        "a time to come",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter[1]",
        asking(as_of="2036-01-01T00:00:00Z"),
    ),
    (
        "a time to come",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter[1]",
        asking(as_of="0001-01-01T00:00:00+10:00"),
    ),
    ("write-back as a word", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(write_back="yes")),
    (
        "accept-preliminary as a word",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter[1]",
        asking(accept_preliminary="yes"),
    ),
    ("a Patient as Observation", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(observation=patient())),
    ("an Observation as Patient", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(patient=height())),
    ("a Patient as code map", ProblemKind.BAD_PARAMETER, "Parameters.parameter[1]", asking(concept_map=patient())),
    (
        "a Patient as Bundle",
        ProblemKind.BAD_PARAMETER,
        "Parameters.parameter[0]",
        to_bytes(parameters(bundle=patient())),
    ),
    (
        "a code map to no quantity of ours",
        ProblemKind.CODE_MAP,
        "Parameters.parameter[1].resource.group[0].element[0]",
        asking(concept_map=CODE_MAP),
    ),
    (
        "Observations of another patient",
        ProblemKind.MIXED_PATIENTS,
        "Bundle.entry[26].resource.subject",
        to_bytes(trial_bundle(observation("peep-set", 8.0, subject="Patient/p2", when=at(40)))),
    ),
    (
        "two Patients",
        ProblemKind.MIXED_PATIENTS,
        "Bundle.entry[1].resource",
        trial_with(patient(), patient("p2"), height()),
    ),
    (
        "a Patient with a modifier extension",
        ProblemKind.PATIENT_MODIFIED,
        "Bundle.entry[0].resource.modifierExtension",
        trial_with({**patient(), "modifierExtension": [{"url": "urn:example:not"}]}, height()),
    ),
    (
        "a Patient that was replaced by another",
        ProblemKind.PATIENT_REPLACED,
        "Bundle.entry[0].resource.link",
        trial_with({**patient(), "link": [{"type": "replaced-by", "other": {"reference": "Patient/p2"}}]}, height()),
    ),
    (
        "gender other",
        ProblemKind.SEX_NEEDED,
        "Bundle.entry[0].resource.gender",
        trial_with(patient(gender="other"), height()),
    ),
    (
        "no gender",
        ProblemKind.SEX_NEEDED,
        "Bundle.entry[0].resource.gender",
        trial_with(patient(gender=None), height()),
    ),
    (
        "two statements of the sex at birth",
        ProblemKind.SEX_CONFLICT,
        "Bundle.entry[2].resource.valueCodeableConcept",
        trial_with(patient(), *[charted_sex(letter, identity=f"sex-{letter}") for letter in ("F", "M")], height()),
    ),
    (
        "a child",
        ProblemKind.CHILD,
        "Bundle.entry[0].resource.birthDate",
        trial_with(patient(born="2015-02-03"), height()),
    ),
    (
        "a birth year that leaves the age open",
        ProblemKind.AGE_UNCLEAR,
        "Bundle.entry[0].resource.birthDate",
        trial_with(patient(born="2008"), height()),
    ),
    (
        "a birth date that is none",
        ProblemKind.AGE_UNCLEAR,
        "Bundle.entry[0].resource.birthDate",
        trial_with(patient(born="17.05.1960"), height()),
    ),
    (
        "a birth date to come",
        ProblemKind.AGE_UNCLEAR,
        "Bundle.entry[0].resource.birthDate",
        trial_with(patient(born="2031-01-01"), height()),
    ),
    ("no height", ProblemKind.MISSING, "", trial_with(patient())),
    ("no patient at all", ProblemKind.MISSING, "", to_bytes(bundle(height(subject=None)))),
    ("no PEEP", ProblemKind.MISSING, "", to_bytes(bundle(patient(), height()))),
    (
        "readings, but none of PEEP",
        ProblemKind.MISSING,
        "",
        to_bytes(bundle(patient(), height(), observation("plateau-pressure", 20.0))),
    ),
    (
        "67 without unit",
        ProblemKind.HEIGHT_UNIT,
        "Bundle.entry[1].resource.valueQuantity",
        trial_with(patient(), changed(height(), valueQuantity={"value": 67})),
    ),
    (
        "a height in a unit that is not known",
        ProblemKind.HEIGHT_UNIT,
        "Bundle.entry[1].resource.valueQuantity",
        trial_with(patient(), changed(height(), valueQuantity=quantity(67, "ells"))),
    ),
    ("17 cm", ProblemKind.HEIGHT_RANGE, "Bundle.entry[1].resource.valueQuantity", trial_with(patient(), height(17.0))),
    (
        "1750 cm",
        ProblemKind.HEIGHT_RANGE,
        "Bundle.entry[1].resource.valueQuantity",
        trial_with(patient(), height(1750.0)),
    ),
    (
        "two heights",
        ProblemKind.HEIGHT_CONFLICT,
        "Bundle.entry[2].resource.valueQuantity",
        trial_with(patient(), height(168.0), changed(height(175.0), id="second")),
    ),
    (
        "mmol/L as pressure",
        ProblemKind.WRONG_DIMENSION,
        "Bundle.entry[0].resource.valueQuantity",
        trial_with(observation("peep-set", 10.0, unit="mmol/L"), patient(), height()),
    ),
    (
        "times without zone only",
        ProblemKind.TIME_UNUSABLE,
        "Bundle.entry[2].resource",
        to_bytes(bundle(patient(), height(), observation("peep-set", 10.0, when="2026-03-01T10:00:00"))),
    ),
    (
        "times in the future only",
        ProblemKind.TIME_UNUSABLE,
        "Bundle.entry[2].resource",
        to_bytes(bundle(patient(), height(), observation("peep-set", 10.0, when="2036-03-01T10:00:00Z"))),
    ),
    (
        "no times",
        ProblemKind.TIME_UNUSABLE,
        "Bundle.entry[2].resource",
        to_bytes(bundle(patient(), height(), observation("peep-set", 10.0, effectiveDateTime=None))),
    ),
    (
        "a number out of range",
        ProblemKind.NOT_A_JSON_NUMBER,
        "Bundle.entry[1].resource.valueQuantity.value",
        to_bytes(trial_bundle()).replace(b"168.0", b"1e999"),
    ),
]


@pytest.mark.parametrize(("kind", "path", "body"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_what_cannot_be_used_is_named_with_its_path(kind: ProblemKind, path: str, body: bytes) -> None:
    problems = rejected(body).problems

    assert (kind, path) in {(problem.kind, problem.expression) for problem in problems}


@pytest.mark.parametrize("body", [row[3] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_every_refusal_has_a_sentence_and_a_status_below_500(body: bytes) -> None:
    problems = rejected(body).problems

    assert all(problem.sentence.endswith((".", "female or male.")) for problem in problems)
    assert 400 <= status_of(problems) < 500


def test_a_body_that_is_too_long_is_refused_with_413() -> None:
    refusal = rejected(to_bytes(trial_bundle()), Limits(max_bytes=1000))

    assert [problem.kind for problem in refusal.problems] == [ProblemKind.TOO_LARGE]
    assert status_of(refusal.problems) == 413


@pytest.mark.parametrize(
    "body",
    [to_bytes(trial_bundle()), to_bytes(parameters(observation=trial_observations()))],
    ids=["Bundle", "Parameters"],
)
def test_too_many_entries_are_refused_with_413(body: bytes) -> None:
    refusal = rejected(body, Limits(max_entries=20))

    assert status_of(refusal.problems) in {413, 422}
    assert ProblemKind.TOO_MANY_ENTRIES in {problem.kind for problem in refusal.problems}


def kinds_of(body: bytes) -> set[ProblemKind]:
    """Kinds of problem, none where the body is read."""
    try:
        read_request(TITRATE_PEEP, body, RequestContext(NOW_S))
    except Rejected as refusal:
        return {problem.kind for problem in refusal.problems}
    return set()


def test_nesting_at_the_edge_of_what_can_be_followed_is_read_or_refused() -> None:
    copies = [observation("peep-set", 10.0, identity="x", contained="@") for _ in range(2)]
    template = to_bytes(trial_bundle(*copies))

    found = [kinds_of(template.replace(b'"@"', b"[" * depth + b"]" * depth)) for depth in range(700, 1000)]

    assert set().union(*found) == {ProblemKind.TOO_DEEP}


OWN_TESTS = {
    ProblemKind.TOO_LARGE,
    ProblemKind.TOO_MANY_ENTRIES,
    ProblemKind.NOT_AN_ID,
    ProblemKind.IMPLICIT_RULES,
}


def test_every_kind_of_problem_of_reading_is_produced_here() -> None:
    produced = {row[1] for row in REFUSED} | OWN_TESTS

    assert produced == {kind for kind in ProblemKind if kind.found_by == "reading"}


def test_all_problems_are_told_at_once() -> None:
    body = trial_with(
        patient(gender="unknown", born="2020-01-01"),
        height(17.0),
        observation("plateau-pressure", 20.0, unit="mmol/L"),
        observation("peep-set", 8.0, subject="Patient/p9", when=at(50)),
    )

    kinds = {problem.kind for problem in rejected(body).problems}

    assert kinds >= {
        ProblemKind.CHILD,
        ProblemKind.SEX_NEEDED,
        ProblemKind.HEIGHT_RANGE,
        ProblemKind.WRONG_DIMENSION,
        ProblemKind.MIXED_PATIENTS,
    }


def test_several_malformed_observations_are_each_named() -> None:
    broken = {"resourceType": "Observation", "status": 1, "code": {"coding": "20077-4"}}
    body = trial_with(patient(), height(), broken, {**broken, "status": "final"})

    paths = [problem.expression for problem in rejected(body).problems]

    assert paths == [
        "Bundle.entry[2].resource.status",
        "Bundle.entry[2].resource.code.coding",
        "Bundle.entry[3].resource.code.coding",
    ]


def test_a_malformed_observation_in_parameters_is_named_at_its_place() -> None:
    wrong = observation("peep-set", 10.0, effectiveDateTime=20260301)

    refusal = rejected(to_bytes(parameters(as_of=at(0), bundle=trial_bundle(wrong))))

    assert [problem.expression for problem in refusal.problems] == [
        "Parameters.parameter[1].resource.entry[26].resource.effectiveDateTime"
    ]


def test_what_could_not_be_read_is_not_called_missing() -> None:
    body = trial_with(patient(), changed(height(), valueQuantity={"value": "168"}))

    kinds = [problem.kind for problem in rejected(body).problems]

    assert kinds == [ProblemKind.WRONG_TYPE]


def test_a_refusal_gives_both_predicted_weights_where_the_sex_is_not_said() -> None:
    # 50 or 45.5 + 0.91 x (170 - 152.4): ARDS Network, N Engl J Med 2000;342:1301-8
    refusal = rejected(trial_with(patient(gender="other"), height(170.0)))

    sentence = refusal.problems[0].sentence
    assert "61.5 kg with the female form" in sentence
    assert "66.0 kg with the male form" in sentence
    assert "sex-for-formula" in sentence


def test_a_refusal_carries_what_was_ignored() -> None:
    body = to_bytes(bundle(patient(), height(), observation("peep-set", 10.0, status="entered-in-error")))

    refusal = rejected(body)

    assert [ignored.code for ignored in refusal.ignored] == ["entered-in-error"]


def test_the_outcome_lists_problems_first_and_ignored_inputs_after_them() -> None:
    body = to_bytes(
        bundle(patient(), height(), observation("peep-set", 10.0, identity="o1", version="3", status="cancelled"))
    )
    refusal = rejected(body)

    outcome = operation_outcome(refusal.problems, refusal.ignored)

    assert outcome["resourceType"] == "OperationOutcome"
    issues = json.loads(json.dumps(outcome))["issue"]
    assert [issue["severity"] for issue in issues] == ["error", "warning"]
    assert issues[1]["expression"] == ["Bundle.entry[2].resource"]
    assert issues[1]["details"]["text"].startswith("Observation/o1/_history/3: ")


def test_no_message_carries_a_name_a_birth_date_or_an_identifier() -> None:
    secret: Json = {
        "name": [{"family": "Invented"}],
        "birthDate": "2019-04-03",
        "identifier": [{"system": "urn:example:mrn", "value": "MRN-4711"}],
    }
    other: Json = {"identifier": {"system": "urn:example:mrn", "value": "MRN-4712"}}
    body = trial_with(
        {**patient(gender="other"), **secret}, observation("peep-set", 9.0, subject=None) | {"subject": other}
    )

    refusal = rejected(body)

    told = " ".join(f"{problem.sentence} {problem.found} {problem.expression}" for problem in refusal.problems)
    assert not any(word in told for word in ("Invented", "2019", "MRN-47"))


def test_a_unit_without_system_in_a_height_is_read_by_the_table() -> None:
    request = read_request(
        TITRATE_PEEP,
        trial_with(patient(), changed(height(), valueQuantity={"value": 66, "unit": "inch"})),
        RequestContext(NOW_S),
    )

    assert request.known_person.height_cm == pytest.approx(167.64)
    assert any("inch" in note for note in request.notes)


def test_a_byte_order_mark_is_no_reason_to_refuse() -> None:
    request = read_request(TITRATE_PEEP, b"\xef\xbb\xbf" + to_bytes(trial_bundle()), RequestContext(NOW_S))

    assert len(request.readings) == 24


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (asking(margn="2"), "is margin meant?"),
        (asking(margin=quantity(2, "kg")), "found valueQuantity: 2 with kg."),
        (asking(protocol="Ottilie"), "found valueCode: another word."),
        (
            trial_with(patient(), changed(height(), valueQuantity={"value": 168, "unit": "CM", "code": "CM"})),
            "found CM;",
        ),
    ],
)
def test_a_refusal_says_what_was_found_without_repeating_words_that_may_be_a_name(body: bytes, says: str) -> None:
    sentence = rejected(body).problems[0].sentence

    assert says in sentence
    assert "Ottilie" not in sentence


@pytest.mark.parametrize("odd", ["Smith, J", "a/b", "a\nb", "ä", "x_y"])
def test_an_id_that_is_no_id_of_fhir_is_refused_and_not_repeated(odd: str) -> None:
    one = observation("peep-set", 10.0, when=at(50), identity=odd, version=odd)

    found = rejected(trial_with(patient(), height(), one))

    assert [(problem.kind, problem.expression) for problem in found.problems] == [
        (ProblemKind.NOT_AN_ID, "Bundle.entry[2].resource.id"),
        (ProblemKind.NOT_AN_ID, "Bundle.entry[2].resource.meta.versionId"),
        *(
            [(ProblemKind.NOT_AN_ID, "Bundle.entry[2].fullUrl")]
            if not odd.isascii() or "," in odd or "\n" in odd
            else []
        ),
    ]
    assert odd not in json.dumps(operation_outcome(found.problems, found.ignored), ensure_ascii=False)


@pytest.mark.parametrize("whole", [bundle(patient()), parameters(bundle=bundle(patient()))])
def test_rules_of_its_own_are_not_followed(whole: Json) -> None:
    problem, *_ = rejected(to_bytes({**whole, "implicitRules": "https://rules.example/reversed"})).problems

    assert (problem.kind, problem.expression) == (
        ProblemKind.IMPLICIT_RULES,
        f"{whole['resourceType']}.implicitRules",
    )
