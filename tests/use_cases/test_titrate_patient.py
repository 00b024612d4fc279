"""The titration sees Conditions, positions and vital signs of the same Bundle, from bytes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bedside_builders import condition, position, row, rows_down, stamp
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import ICD10, ICD10_CM
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext, Site
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit
from ebbmark.use_cases.questions import answer_request
from fhir_builders import Json, bundle, height, patient, to_bytes

DOWN = ((20.0, 38.0), (18.0, 40.0), (16.0, 41.0), (14.0, 42.0), (12.0, 41.5), (10.0, 36.0), (8.0, 31.0), (6.0, 27.0))
AT_S = 1_780_000_000.0


def titrated(*more: Json) -> Answer:
    return answer_request(
        TITRATE_PEEP, to_bytes(bundle(patient(), height(), *rows_down(DOWN), *more)), RequestContext(AT_S)
    )


def own_slugs(found: Answer, severity: str) -> list[str]:
    return [
        caution.slug
        for caution in found.titration.advice.cautions
        if caution.of_this_patient and caution.severity.value == severity
    ]


def test_a_charted_pneumothorax_gives_no_number_and_is_not_called_unneeded() -> None:
    found = titrated(condition("c1", "J93.0"))

    assert (found.titration.advice.suggested_peep_cmh2o, found.titration.closing.peep_cmh2o) == (None, None)
    assert "pneumothorax" in found.titration.advice.rationale
    assert not any("not needed" in one.reason for one in found.ignored)


def test_a_pneumothorax_that_is_resolved_is_no_obstacle() -> None:
    assert titrated(condition("c1", "J93.0", clinical="resolved")).titration.advice.suggested_peep_cmh2o == 12


def test_right_heart_failure_stands_beside_the_number_as_a_high_caution() -> None:
    found = titrated(condition("c1", "I26.0"))

    assert found.titration.advice.suggested_peep_cmh2o == 12
    # The trial of this test is years old by the clock, and called so.
    assert own_slugs(found, "high") == ["trial-very-old", "condition-right-heart-failure"]


def in_words(text: str) -> Json:
    return {**condition("c1", "local-1", system="https://site.example/problems"), "code": {"text": text}}


def test_a_condition_that_nobody_can_place_is_named_to_be_read_by_a_person() -> None:
    found = titrated(condition("c1", "ZZZ"), {**in_words("Broken toe"), "id": "c2"})

    assert "condition-not-placed" in own_slugs(found, "moderate")
    assert "condition-unjudged" not in own_slugs(found, "high")
    told = next(caution.text for caution in found.titration.advice.cautions if caution.slug == "condition-not-placed")
    assert "ICD-10 ZZZ" in told
    assert "'Broken toe' (no code)" in told


@pytest.mark.parametrize(
    "text",
    ["broncho-pleural fistula", "Zustand nach Hirnödem", "large bullae", "COPD", "ICP 35", "RV failure, TAPSE 9"],
)
def test_words_that_name_what_is_looked_for_are_told_as_gravely_as_its_code(text: str) -> None:
    assert "condition-unjudged" in own_slugs(titrated(in_words(text)), "high")


@pytest.mark.parametrize(
    "text", ["Pneumothorax, left", "PNEUMOTÓRAX", "Rt PTX on film", "Pneu links, Drainage geplant"]
)
def test_a_pneumothorax_in_words_withholds_the_number_until_it_is_ruled_out(text: str) -> None:
    found = titrated(*[{**in_words(f"harmless {place}"), "id": f"h{place}"} for place in range(6)], in_words(text))

    assert found.titration.advice.suggested_peep_cmh2o is None
    assert "condition-pneumothorax-named" in own_slugs(found, "high")
    assert text in found.titration.advice.rationale


def test_an_abbreviation_counts_as_a_whole_word_only() -> None:
    assert "condition-pneumothorax-named" not in own_slugs(titrated(in_words("Pneumonia, pneumatic stockings")), "high")


def test_a_code_that_leaves_open_whether_it_is_one_that_is_looked_for_is_told_gravely() -> None:
    assert "condition-unjudged" in own_slugs(titrated(condition("c1", "J94.2")), "high")


@pytest.mark.parametrize(
    ("system", "code"),
    [(ICD10, "E66"), (ICD10, "E66.9"), (ICD10_CM, "E66"), (ICD10_CM, "E66.01"), (ICD10_CM, "E66.813")],
)
def test_obesity_is_read_from_every_edition_of_icd_10(system: str, code: str) -> None:
    assert "condition-obesity" in own_slugs(titrated(condition("c1", code, system=system)), "moderate")


def test_a_condition_is_told_with_what_was_charted_since_its_code_may_say_less() -> None:
    found = titrated(condition("c1", "J44.9"))

    told = next(
        caution.text for caution in found.titration.advice.cautions if caution.slug == "condition-obstructive-disease"
    )
    assert "charted as ICD-10 J44.9" in told


def test_turned_prone_in_the_middle_of_the_limb_gives_no_number() -> None:
    found = titrated(position(-30, "supine"), position(7, "prone"))

    assert found.titration.advice.suggested_peep_cmh2o is None
    assert "changed to prone" in found.titration.advice.rationale


def test_the_vital_signs_of_each_step_stand_in_its_observation_with_their_worst_and_age() -> None:
    charted = [row(stamp(2 * place + 1.2), f"vital-{place}", map=76.0 - place, spo2=93.0) for place in range(8)]
    charted.append(row(stamp(9.4), "low", map=61.0))
    written = write_bundle_bytes(titrated(*charted), recorded_s=AT_S).decode()

    assert '"least-mean-arterial-pressure"' in written
    assert '"oldest-vital-sign-age"' in written
    assert "Observation/low" in written


def test_a_limit_that_the_site_has_signed_holds_for_the_number_and_is_named() -> None:
    charted = [row(stamp(2 * place + 1.2), f"vital-{place}", map=63.0, spo2=93.0) for place in range(8)]
    own = replace(
        DEFAULT_STOP_LIMITS,
        version="5",
        signed_by="Dr A. Invented",
        signed_on="2026-02-01",
        mean_arterial_pressure_below_mmhg=Limit(65.0, "this site"),
    )
    request = to_bytes(bundle(patient(), height(), *rows_down(DOWN), *charted))

    by_default = answer_request(TITRATE_PEEP, request, RequestContext(AT_S))
    by_site = answer_request(TITRATE_PEEP, request, RequestContext(AT_S, site=Site(stop_limits=own)))

    assert by_default.titration.advice.suggested_peep_cmh2o is not None
    assert by_site.titration.advice.suggested_peep_cmh2o is None
    assert "below 65" in by_site.titration.advice.rationale
    assert by_site.identity != by_default.identity
    assert "stop limits version 5, signed by this site" in write_bundle_bytes(by_site, recorded_s=AT_S).decode()


def chest_report(*conclusions: str, identity: str = "cxr") -> Json:
    return {
        "resourceType": "DiagnosticReport",
        "id": identity,
        "meta": {"versionId": "2"},
        "status": "final",
        "code": {"text": "Chest radiograph"},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": stamp(5.0),
        "conclusionCode": [{"coding": [{"system": "http://snomed.info/sct", "code": code}]} for code in conclusions],
    }


def test_a_report_that_concludes_a_pneumothorax_is_the_source_of_the_finding_and_takes_no_place_of_a_condition() -> (
    None
):
    found = titrated(chest_report("233645004", identity="c1"), condition("c1", "I26.0"))

    assert found.titration.advice.suggested_peep_cmh2o is None
    slugs = [finding.slug for finding in found.titration.findings]
    assert "condition-right-heart-failure" in slugs
    finding = next(
        finding for finding in found.titration.findings if finding.slug == "condition-untreated-pneumothorax-suspected"
    )
    named = [found.request.sources[source].reference for source in finding.sources]
    assert named == ["DiagnosticReport/c1/_history/2"]
    assert not any(one.reference.startswith("DiagnosticReport") for one in found.ignored)


def test_a_report_that_concludes_something_else_is_listed_as_not_needed() -> None:
    found = titrated(chest_report("65363002"))

    assert [one.reason for one in found.ignored if one.reference.startswith("DiagnosticReport")] == [
        "A resource of type DiagnosticReport is not needed for this question."
    ]


def test_an_observation_in_words_is_listed_with_the_remark_that_words_are_not_read() -> None:
    words: Json = {
        "resourceType": "Observation",
        "id": "cxr",
        "status": "final",
        "code": {"text": "Chest radiograph"},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": stamp(5.0),
        "valueString": "Large left pneumothorax",
    }
    told = [one.reason for one in titrated(words).ignored if one.reference == "Observation/cxr"]

    assert told == ["No code here is known: no coding. Its value is words, and words alone are not read."]
