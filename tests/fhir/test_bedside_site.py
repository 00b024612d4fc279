"""What a site may write in its files, and how a slip is named when the service starts."""

from __future__ import annotations

import dataclasses
import json
import re
import typing
from typing import Any

import pytest
from fhir.resources.R4B.operationdefinition import OperationDefinition
from fhir.resources.R4B.plandefinition import PlanDefinition
from fhir.resources.R4B.valueset import ValueSet
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmark.data import table
from ebbmark.fhir.definitions import definition_of, plan_definitions
from ebbmark.fhir.naming import ALL_ICD, SNOMED
from ebbmark.fhir.operations import OPERATIONS
from ebbmark.fhir.reading.condition_codes import AS_WIDE, BUILT_IN, CONDITION_ROWS, NO_RISK, PERHAPS, READ_IN
from ebbmark.fhir.reading.conditions import ruled_out
from ebbmark.fhir.reading.request import NO_SITE
from ebbmark.fhir.reading.site_file import ProtocolGiven, SiteFileError, StopLimitsFile
from ebbmark.fhir.reading.terminology import read_value_sets, sets_beside, value_set, with_value_sets
from ebbmark.physiology.before.risks import RISK_CONCEPTS, RiskConcept
from ebbmark.physiology.findings import SourceStatus
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.site_files import read_stop_limits, with_protocols
from ebbmark.words.messages import spell

# Verhoeff's dihedral check digit, as SNOMED CT's release file specification prints its tables (section 5.5).
MULTIPLY = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9), (1, 2, 3, 4, 0, 6, 7, 8, 9, 5), (2, 3, 4, 0, 1, 7, 8, 9, 5, 6),
    (3, 4, 0, 1, 2, 8, 9, 5, 6, 7), (4, 0, 1, 2, 3, 9, 5, 6, 7, 8), (5, 9, 8, 7, 6, 0, 4, 3, 2, 1),
    (6, 5, 9, 8, 7, 1, 0, 4, 3, 2), (7, 6, 5, 9, 8, 2, 1, 0, 4, 3), (8, 7, 6, 5, 9, 3, 2, 1, 0, 4),
    (9, 8, 7, 6, 5, 4, 3, 2, 1, 0),
)  # fmt: skip
PERMUTE = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def verhoeff(number: str) -> int:
    check = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit)
        for _ in range(place % 8):
            value = PERMUTE[value]
        check = MULTIPLY[check][value]
    return check


@pytest.mark.parametrize("code", [row.code for row in CONDITION_ROWS if SNOMED in row.systems])
def test_every_snomed_code_has_its_check_digit(code: str) -> None:
    assert verhoeff(code) == 0
    assert code[-3] == "0"  # partition 00: a concept of the international edition


def test_the_check_digit_would_notice_a_slip() -> None:
    assert verhoeff("36118009") != 0


@pytest.mark.parametrize("code", [row.code for row in CONDITION_ROWS if row.prefix])
def test_every_icd_code_has_the_shape_of_one(code: str) -> None:
    assert re.fullmatch(r"[A-TV-Z]\d[0-9A]([.][0-9A-Z]{1,4})?", code)


def test_every_row_stands_for_a_concept_that_there_is() -> None:
    assert {row.concept for row in CONDITION_ROWS} <= {NO_RISK, PERHAPS, *(one.slug for one in RISK_CONCEPTS)}


@pytest.mark.parametrize(
    ("codings", "said"),
    [
        ([("http://hl7.org/fhir/sid/icd-10", "E11.9")], True),
        ([("http://hl7.org/fhir/sid/icd-10", "G63.2*")], True),
        ([("http://hl7.org/fhir/sid/icd-10", "pneumothorax")], False),
        ([("http://hl7.org/fhir/sid/icd-10", "J93.1")], False),
        ([(SNOMED, "233604007")], True),
        ([(SNOMED, "233604008")], False),
        ([(SNOMED, "233604007"), (SNOMED, "36118008")], False),
        ([("https://site.example/codes", "E11.9")], False),
        ([("http://hl7.org/fhir/sid/icd-10", "J95.8")], False),  # a pneumothorax among others
        ([("http://fhir.de/CodeSystem/bfarm/icd-10-gm", "J95.82")], True),
        ([("http://hl7.org/fhir/sid/icd-10", "I61.0")], False),
        ([], False),
    ],
)
def test_only_what_is_known_to_be_something_else_says_nothing(codings: list[tuple[str, str]], said: bool) -> None:
    assert BUILT_IN.is_no_risk(codings) is said


def test_a_site_adds_codes_that_say_nothing() -> None:
    given = site_set(url=f"https://site.example/fhir/ValueSet/{NO_RISK}")

    codes = with_value_sets(BUILT_IN, [("harmless.json", given)])

    assert not BUILT_IN.is_no_risk([(SNOMED, "900000000000")])
    assert codes.is_no_risk([(SNOMED, "900000000000")])


def test_the_codes_that_say_nothing_are_published_and_read_back() -> None:
    published = sets_beside(BUILT_IN)

    for one in published.values():
        ValueSet.model_validate(one)
    assert read_value_sets("x", json.dumps(published[NO_RISK]).encode())


@pytest.mark.parametrize(
    ("system", "code", "concepts"),
    [
        ("http://hl7.org/fhir/sid/icd-10", "J93.1", ("untreated-pneumothorax",)),
        ("http://hl7.org/fhir/sid/icd-10-cm", "J93.12", ("untreated-pneumothorax",)),
        ("http://hl7.org/fhir/sid/icd-10-cm", "J93.82", ("air-leak",)),
        ("http://fhir.de/CodeSystem/bfarm/icd-10-gm", "I50.01", ("right-heart-failure",)),
        ("http://fhir.de/CodeSystem/bfarm/icd-10-gm", "J95.80", ("untreated-pneumothorax",)),
        ("http://fhir.de/CodeSystem/bfarm/icd-10-gm", "J95.81", ()),  # a narrow windpipe there, not a pneumothorax
        ("http://hl7.org/fhir/sid/icd-10-cm", "J95.811", ("untreated-pneumothorax",)),
        ("http://hl7.org/fhir/sid/icd-10", "Z90.2", ("recent-lung-surgery",)),
        ("http://hl7.org/fhir/sid/icd-10", "O14.1", ("pregnancy",)),
        ("http://hl7.org/fhir/sid/icd-10", "O85", ()),  # after childbirth
        ("http://hl7.org/fhir/sid/icd-10", "I50.0", ()),  # congestive heart failure there, not right heart failure
        ("http://hl7.org/fhir/sid/icd-10", "D57.3", ()),  # the trait is no disease
        ("http://snomed.info/sct", "36118008", ("untreated-pneumothorax",)),
        ("http://snomed.info/sct", "3611800", ()),
        ("https://elsewhere.example", "J93.1", ()),
    ],
)
def test_codes_stand_for_concepts(system: str, code: str, concepts: tuple[str, ...]) -> None:
    assert BUILT_IN.concepts_of([(system, code)]) == concepts


@pytest.mark.parametrize("concept", RISK_CONCEPTS, ids=lambda one: one.slug)
def test_every_value_set_fits_the_published_model_and_reads_back(concept: Any) -> None:  # noqa: ANN401
    published = value_set(concept, BUILT_IN)

    ValueSet.model_validate(published)
    if BUILT_IN.of(concept.slug):
        read = {
            (system, row.code) for row in read_value_sets("x", json.dumps(published).encode()) for system in row.systems
        }
        assert read == {(system, row.code) for row in BUILT_IN.of(concept.slug) for system in row.systems}


def test_every_definition_fits_the_published_model() -> None:
    for plan_definition in plan_definitions(NO_SITE).values():
        PlanDefinition.model_validate(
            json.loads(json.dumps(plan_definition, default=lambda raw: json.loads(bytes(raw))))
        )
    for operation in OPERATIONS:
        OperationDefinition.model_validate(definition_of(operation))


def site_set(**changes: object) -> bytes:
    whole: dict[str, object] = {
        "resourceType": "ValueSet",
        "url": "https://site.example/fhir/ValueSet/bullous-disease",
        "status": "active",
        "compose": {"include": [{"system": "http://snomed.info/sct", "concept": [{"code": "900000000000"}]}]},
    }
    return json.dumps({**whole, **changes}).encode()


def test_a_site_adds_its_codes() -> None:
    codes = with_value_sets(BUILT_IN, [("bullae.json", site_set())])

    assert codes.concepts_of([("http://snomed.info/sct", "900000000000")]) == ("bullous-disease",)
    assert codes.concepts_of([("http://snomed.info/sct", "36118008")]) == ("untreated-pneumothorax",)


@pytest.mark.parametrize(
    ("content", "named"),
    [
        (b"{", "is not a FHIR R4 ValueSet"),
        (site_set(url="https://site.example/fhir/ValueSet/unknown"), "must end in /ValueSet/ and one of"),
        (site_set(status="retired"), "retired"),
        (site_set(compose={"include": [{"system": "s"}]}), "compose.include[0] would take the whole of s"),
        (
            site_set(
                compose={"include": [{"system": "s", "filter": [{"property": "concept", "op": "is-a", "value": "1"}]}]}
            ),
            "compose.include[0].filter[0] (concept is-a 1) needs a terminology server",
        ),
        (site_set(compose={"include": [{"valueSet": ["v"]}]}), "needs a system and no valueSet"),
        (site_set(compose={"include": []}), "lists no code"),
        (site_set(expansion={"contains": [{"code": "1"}]}), "expansion.contains[0] has a code and no system"),
    ],
)
def test_a_value_set_that_cannot_be_used_is_named_with_file_and_element(content: bytes, named: str) -> None:
    with pytest.raises(SiteFileError, match=r"bullae\.json") as caught:
        read_value_sets("bullae.json", content)

    assert named in str(caught.value)


LIMITS = {
    "version": "2",
    "signed_by": "Dr A. Invented",
    "signed_on": "2026-02-01",
    "limits": {"spo2_below_percent": {"value": 88, "source": "decided by the unit"}},
}


PRESSURES = {
    "mean_arterial_pressure_below_mmhg": {"value": 90, "source": "x"},
    "systolic_arterial_pressure_below_mmhg": {"value": 65, "source": "x"},
}
RHYTHMS = {"codes": [{"system": "https://site.example", "code": "AF", "display": "Fibrillation"}], "source": "unit"}


@pytest.mark.parametrize(
    ("shape", "rules", "beside"),
    [
        (StopLimitsFile, StopLimits, {"version", "signed_by", "signed_on", "rhythms_that_stop"}),
        (ProtocolGiven, Protocol, {"slug", "version", "title", "citation"}),
    ],
)
def test_a_file_has_an_element_for_each_rule(shape: Any, rules: Any, beside: set[str]) -> None:  # noqa: ANN401
    elements = typing.get_type_hints(shape)["limits" if shape is StopLimitsFile else "rules"]

    assert set(elements.__struct_fields__) | beside == {field.name for field in dataclasses.fields(rules)}


def test_signed_limits_are_read_and_what_is_left_out_has_no_default() -> None:
    limits = read_stop_limits("limits.json", json.dumps(LIMITS).encode())

    assert limits.spo2_below_percent is not None
    assert limits.spo2_below_percent.value == 88
    assert limits.peak_pressure_above_cmh2o is None
    assert "signed by Dr A. Invented on 2026-02-01" in spell(limits.signature)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"signed_by": " "}, "signed_by is ' '; accepted: text"),
        ({"signed_on": "01.02.2026"}, "signed_on"),
        ({"signed_on": "2026-W05-1"}, "signed_on"),
        ({"limits": PRESSURES}, "not below that of systolic arterial pressure"),
        ({"version": ""}, "version is ''; accepted: text"),
        (
            {"limits": {"spo2": {"value": 88, "source": "x"}}},
            "limits has no element 'spo2'; accepted: spo2",
        ),
        ({"limits": {"spo2_below_percent": {"value": 0.88, "source": "x"}}}, "spo2_below_percent is 0.88"),
        ({"limits": {"spo2_below_percent": {"value": 88, "source": ""}}}, "limits.spo2_below_percent.source is ''"),
        ({"limits": {"spo2_below_percent": {"value": "88", "source": "x"}}}, "value is '88'; accepted: a number"),
        ({"extra": 1}, "extra"),
    ],
)
def test_limits_that_cannot_be_used_are_named(changes: dict[str, object], named: str) -> None:
    with pytest.raises(SiteFileError, match=r"^limits\.json") as caught:
        read_stop_limits("limits.json", json.dumps({**LIMITS, **changes}).encode())

    assert named in str(caught.value)
    assert not str(caught.value).endswith(".")


@pytest.mark.parametrize(
    ("rhythms", "named"),
    [
        ({**RHYTHMS, "codes": []}, "rhythms_that_stop.codes is []; accepted: a list"),
        ({**RHYTHMS, "source": " "}, "rhythms_that_stop.source is ' '"),
        ({**RHYTHMS, "codes": [{"system": "https://site.example", "code": "AF", "display": ""}]}, "display"),
        ({**RHYTHMS, "codes": [{"system": "https://site.example", "code": "AF ", "display": "x"}]}, "never be met"),
        ({**RHYTHMS, "codes": [{"system": "snomed", "code": "AF", "display": "x"}]}, "never be met"),
        ({**RHYTHMS, "codes": ["AF"]}, "rhythms_that_stop.codes"),
        ({"codes": RHYTHMS["codes"]}, "source"),
    ],
)
def test_rhythms_that_cannot_be_signed_are_named(rhythms: object, named: str) -> None:
    with pytest.raises(SiteFileError, match=r"^limits\.json") as caught:
        read_stop_limits("limits.json", json.dumps({**LIMITS, "rhythms_that_stop": rhythms}).encode())

    assert named in str(caught.value)


def test_a_file_that_says_one_thing_twice_is_refused() -> None:
    again = '"limits": {"spo2_below_percent": {"value": 60, "source": "x"}, '
    limits = json.dumps(LIMITS).replace('"limits": {', again)
    protocols = b'{"protocols": [], "completions": [], "protocols": []}'

    with pytest.raises(SiteFileError, match=r"^limits\.json: 'spo2_below_percent' stands there twice"):
        read_stop_limits("limits.json", limits.encode())
    with pytest.raises(SiteFileError, match=r"^protocols\.json: 'protocols' stands there twice"):
        with_protocols(NO_SITE, "protocols.json", protocols)


def test_a_file_signed_before_there_was_a_limit_of_systolic_pressure_leaves_it_unsigned_and_says_so() -> None:
    limits = read_stop_limits("limits.json", json.dumps(LIMITS).encode())

    assert limits.systolic_arterial_pressure_below_mmhg is None
    _, _, unsigned = spell(limits.signature).partition("Not signed, and so not checked: ")
    assert "systolic arterial pressure" in unsigned


def test_of_limits_that_are_all_signed_none_is_said_to_be_missing() -> None:
    every = {
        "spo2_below_percent": 88, "mean_arterial_pressure_below_mmhg": 60, "mean_arterial_pressure_fall_mmhg": 20,
        "systolic_arterial_pressure_below_mmhg": 90, "heart_rate_below_per_min": 50, "heart_rate_above_per_min": 140,
        "peak_pressure_above_cmh2o": 40, "volume_lost_share": 0.5, "leak_share": 0.2,
    }  # fmt: skip
    content = {**LIMITS, "limits": {name: {"value": value, "source": "unit"} for name, value in every.items()}}
    content["rhythms_that_stop"] = RHYTHMS

    assert "Not signed" not in spell(read_stop_limits("limits.json", json.dumps(content).encode()).signature)


def named(value: object, source: str = "decided by the unit") -> dict[str, object]:
    return {"value": value, "source": source}


PROTOCOL: dict[str, Any] = {
    "slug": "our-rules", "version": "4", "title": "Our rules", "citation": "Unit protocol 4",
    "rules": {"margin_cmh2o": named(3)},
}  # fmt: skip
STAIRCASE: dict[str, Any] = {
    "slug": "our-staircase", "version": "1", "title": "Our staircase", "citation": "Unit protocol 4",
    "cells": {
        "start_cmh2o": named(18), "decrement_cmh2o": named(3), "lowest_cmh2o": named(6), "dwell_s": named(180),
        "margin_cmh2o": named(2),
    },
}  # fmt: skip


def read(protocols: object = (), staircases: object = ()) -> Any:  # noqa: ANN401
    content = json.dumps({"protocols": list(protocols), "staircases": list(staircases)})  # type: ignore[call-overload]
    return with_protocols(NO_SITE, "protocols.json", content.encode())


def test_a_sites_protocol_stands_beside_ours_and_says_what_it_leaves_out() -> None:
    site = read([PROTOCOL], [STAIRCASE])

    ours, theirs = site.protocols
    assert ours is DEFAULT_PROTOCOL
    assert (theirs.margin_cmh2o, theirs.fall) == (3, DEFAULT_PROTOCOL.fall)
    assert "What it leaves out is as in compliance-closing" in theirs.citation
    assert site.staircases[-1].decrement_cmh2o.value == 3
    assert site.staircases[-1].decrement_cmh2o.traced is SourceStatus.SITE
    assert "our-staircase" in plan_definitions(site)


@pytest.mark.parametrize(
    ("protocols", "staircases", "named_in_message"),
    [
        ([{**PROTOCOL, "rules": {"margin": named(3)}}], [], "protocols[0].rules has no element 'margin'"),
        ([{**PROTOCOL, "rules": {"margin_cmh2o": named(3, "")}}], [], "margin_cmh2o.source is ''; accepted: text"),
        (
            [{**PROTOCOL, "rules": {"margin_cmh2o": named(12)}}],
            [],
            ".value is 12; accepted: a number from 0 to 6",
        ),
        (
            [{**PROTOCOL, "rules": {"margins_cmh2o": named(3)}}],
            [],
            ".value is 3; accepted: a list, each a number",
        ),
        (
            [{**PROTOCOL, "rules": {"ladder_ml_per_kg": named([4, 10])}}],
            [],
            ".value[1] is 10; accepted: a whole number",
        ),
        ([{**PROTOCOL, "slug": "compliance-closing"}], [], "is there already"),
        ([], [{**STAIRCASE, "slug": "common-practice"}], "is there already"),
        ([], [{**STAIRCASE, "marker": "luck"}], "staircases[0].marker is 'luck'"),
        ([], [{**STAIRCASE, "cells": {"dwell_s": named(2)}}], "time at each step down is 2"),
        ([], [{**STAIRCASE, "recruitment": {"top": named(2)}}], "staircases[0].recruitment has no element 'top'"),
    ],
)
def test_protocols_that_cannot_be_used_are_named(
    protocols: list[object], staircases: list[object], named_in_message: str
) -> None:
    with pytest.raises(SiteFileError, match=r"^protocols\.json") as caught:
        read(protocols, staircases)

    assert named_in_message in str(caught.value)


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-3, 60) | st.floats(allow_nan=False) | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["value", "source", "x"]), inner),
    max_leaves=5,
)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_whatever_stands_in_a_file_it_is_read_or_a_fault_is_named(data: st.DataObject) -> None:
    whole = json.loads(json.dumps({"protocols": [PROTOCOL], "staircases": [STAIRCASE]}))
    place: Any = whole
    while isinstance(place, (dict, list)) and place:
        step = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else list(range(len(place)))))
        if not isinstance(place[step], (dict, list)) or data.draw(st.booleans()):
            place[step] = data.draw(ANY_JSON)
            break
        place = place[step]

    try:
        with_protocols(NO_SITE, "protocols.json", json.dumps(whole).encode())
    except SiteFileError as fault:
        assert str(fault).startswith("protocols.json")  # noqa: PT017 - either outcome is right


def concept_named(slug: str) -> RiskConcept:
    return next(one for one in RISK_CONCEPTS if one.slug == slug)


def test_a_published_value_set_names_where_each_code_was_read() -> None:
    description = str(value_set(concept_named("haemodynamic-instability"), BUILT_IN)["description"])

    assert "422773005 in value set CardiacInstabilityType of the HL7 implementation guide CREDS 1.0.0" in description
    assert "does not say whether it persists; one that is active counts." in description


def test_a_value_set_with_a_sites_codes_names_the_sites_file() -> None:
    codes = with_value_sets(BUILT_IN, [("bullae.json", site_set())])

    assert "in site file bullae.json" in str(value_set(concept_named("bullous-disease"), codes)["description"])


def test_every_source_of_a_code_has_words() -> None:
    assert {row.source for row in BUILT_IN.rows} <= set(READ_IN)


def test_every_code_that_is_as_wide_as_its_concept_stands_for_it() -> None:
    for slug, wide in AS_WIDE.items():
        for coded in wide:
            assert slug in BUILT_IN.concepts_of([coded]), coded
            assert ruled_out([slug], [coded], set()) == (slug,)


def test_the_systems_of_icd_10_are_those_of_the_table() -> None:
    assert list(ALL_ICD) == table("condition_codes")["systems"]["ICD"]
