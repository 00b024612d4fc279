"""Before a trial, from bytes: what the record says of each condition, and what it does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bedside_builders import asked, charted, condition, parameter, refused, row, stamp, value_of
from ebbmark.fhir.reading.request import Site
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit
from fhir_builders import Json, height, patient

OPERATION = "assess-candidate"
NOW = stamp(60)
READINGS = [
    row(stamp(0), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(30), "gas", pao2=80.0, spo2=92.0, map=75.0),
]
PNEUMOTHORAX = "untreated-pneumothorax"


def documented(*conditions: Json) -> object:
    said = asked(OPERATION, [*READINGS, *conditions], now=NOW)
    return value_of(said.observation("documented-conditions"), PNEUMOTHORAX)


def test_severity_shows_every_input_with_its_age() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    berlin = next(
        observation for observation in said.observations("ards-severity") if "Berlin" in observation["note"][0]["text"]
    )
    assert value_of(berlin) == "ards-moderate"
    assert value_of(berlin, "pf-ratio") == pytest.approx(133.0)
    assert "PaO2 80 mmHg, 30 min old" in berlin["note"][0]["text"]
    assert {one["reference"] for one in berlin["derivedFrom"]} == {
        "Observation/settings/_history/1",
        "Observation/gas/_history/1",
    }


def test_what_was_not_sent_is_not_documented_and_not_absent() -> None:
    assert documented() == "not-documented"


def test_an_active_condition_is_present_and_leads_to_a_warning_that_names_it() -> None:
    said = asked(OPERATION, [*READINGS, condition("ptx", "J93.0")], now=NOW)

    assert value_of(said.observation("candidate-assessment")) == "contraindicated"
    assert said.issue(PNEUMOTHORAX)["implicated"] == [{"reference": "Condition/ptx/_history/1"}]


def test_a_refuted_condition_is_refuted() -> None:
    assert documented(condition("ptx", "J93.9", certainty="refuted")) == "refuted"


@pytest.mark.parametrize(
    ("code", "slug"),
    [("O98.5", "pregnancy"), ("I26.0", "right-heart-failure"), ("R57.0", "shock"), ("J93.0", PNEUMOTHORAX)],
)
def test_a_narrow_code_that_is_refuted_does_not_rule_out_all_that_is_looked_for(code: str, slug: str) -> None:
    said = asked(OPERATION, [*READINGS, condition("narrow", code, certainty="refuted")], now=NOW)

    assert value_of(said.observation("documented-conditions"), slug) == "not-documented"
    assert "That rules out what its code says, and not all that is looked for under it" in said.remarks


def test_a_narrow_code_that_is_refuted_does_not_contradict_another_one() -> None:
    there, gone = condition("there", "Z33"), condition("gone", "O98.5", certainty="refuted")

    said = asked(OPERATION, [*READINGS, there, gone], now=NOW)

    assert value_of(said.observation("documented-conditions"), "pregnancy") == "present"


@pytest.mark.parametrize("state", ["resolved", "inactive", "remission"])
def test_a_condition_that_is_over_is_listed_and_proves_nothing(state: str) -> None:
    said = asked(OPERATION, [*READINGS, condition("ptx", "J93.0", clinical=state)], now=NOW)

    assert value_of(said.observation("documented-conditions"), PNEUMOTHORAX) == "not-documented"
    assert any(f"clinical status is {state}" in reason for reason in said.listed.values())


def test_a_condition_entered_in_error_is_listed() -> None:
    said = asked(OPERATION, [*READINGS, condition("ptx", "J93.0", certainty="entered-in-error")], now=NOW)

    assert value_of(said.observation("documented-conditions"), PNEUMOTHORAX) == "not-documented"
    assert any("entered in error" in reason for reason in said.listed.values())


@pytest.mark.parametrize("certainty", ["unconfirmed", "provisional", "differential"])
def test_what_is_not_confirmed_counts_and_is_said(certainty: str) -> None:
    said = asked(OPERATION, [*READINGS, condition("ptx", "J93.0", certainty=certainty)], now=NOW)

    assert value_of(said.observation("documented-conditions"), PNEUMOTHORAX) == "present"
    assert f"is {certainty}; it counts as present" in said.remarks


def test_present_and_refuted_together_are_contradictory() -> None:
    both = (condition("a", "J93.0"), condition("b", "J93.0", certainty="refuted"))

    assert documented(*both) == "contradictory"


def test_the_newest_version_of_a_condition_counts() -> None:
    old = condition("ptx", "J93.9")
    new = {**condition("ptx", "J93.9", certainty="refuted"), "meta": {"versionId": "2"}}

    assert documented(new, old) == "refuted"


def test_copies_of_which_no_version_says_which_is_newer_are_contradictory() -> None:
    first, second = condition("ptx", "J93.0"), condition("ptx", "J93.0", certainty="refuted")
    del first["meta"], second["meta"]

    assert documented(first, second) == "contradictory"


def test_a_condition_of_another_patient_is_refused() -> None:
    refusal = refused(OPERATION, [*READINGS, condition("ptx", "J93.0", subject="Patient/p2")], now=NOW)

    (problem,) = refusal.problems
    assert problem.kind.slug == "mixed-patients"
    assert problem.expression.endswith(".subject")


def test_a_condition_whose_patient_is_not_named_is_listed() -> None:
    nobody = condition("ptx", "J93.0")
    del nobody["subject"]

    said = asked(OPERATION, [*READINGS, nobody], now=NOW)

    assert any("not known whose it is" in reason for reason in said.listed.values())


def test_a_condition_that_is_not_looked_for_is_listed() -> None:
    said = asked(OPERATION, [*READINGS, condition("diabetes", "E11.9")], now=NOW)

    assert any("icd-10|E11.9" in reason for reason in said.listed.values())


def test_a_condition_of_the_wrong_shape_is_refused_at_its_place() -> None:
    odd = {**condition("ptx", "J93.0"), "clinicalStatus": "active"}

    refusal = refused(OPERATION, [*READINGS, odd], now=NOW)

    assert refusal.problems[0].expression.endswith(".clinicalStatus")


def test_a_condition_may_come_as_a_parameter() -> None:
    given: Json = {"name": "condition", "resource": condition("ptx", "J93.0")}

    said = asked(OPERATION, READINGS, given, now=NOW)

    assert value_of(said.observation("documented-conditions"), PNEUMOTHORAX) == "present"


def test_snomed_and_icd_name_the_same_condition() -> None:
    said = asked(OPERATION, [*READINGS, condition("ptx", "36118008", system="http://snomed.info/sct")], now=NOW)

    assert value_of(said.observation("documented-conditions"), PNEUMOTHORAX) == "present"


def test_two_values_for_one_instant_are_not_chosen_between() -> None:
    twice = [row(stamp(40), "a", map=75.0), row(stamp(40), "b", map=45.0)]

    said = asked(OPERATION, [*READINGS, *twice], now=NOW)

    assert sum("Two different values were sent for the same instant" in one for one in said.listed.values()) == 2


def test_missing_readings_are_named_and_nothing_is_classed() -> None:
    said = asked(OPERATION, [row(stamp(0), "only", peep_set=10.0)], now=NOW)

    assert all(value_of(observation) is None for observation in said.observations("ards-severity"))
    assert any("PaO2" in note for note in said.notes if note.startswith("Missing to judge"))
    assert said.of("GuidanceResponse")[0]["status"] == "data-requested"


def test_without_height_and_sex_the_rest_is_answered() -> None:
    nobody: Json = {"resourceType": "Patient", "id": "p1"}
    no_height = {**row(stamp(0), "height"), "component": []}

    said = asked(OPERATION, [nobody, no_height, *READINGS], now=NOW)

    assert value_of(said.observations("ards-severity")[0]) == "ards-moderate"
    assert any("predicted body weight" in note for note in said.notes)


def test_a_child_is_refused() -> None:
    refusal = refused(OPERATION, [patient(born="2020-01-01"), *READINGS], now=NOW)

    assert refusal.problems[0].kind.slug == "child"


def test_a_vasopressor_dose_counts_in_its_unit_only() -> None:
    high = asked(OPERATION, READINGS, parameter("noradrenaline-equivalent", (0.3, "ug/kg/min")), now=NOW)
    refusal = refused(OPERATION, READINGS, parameter("noradrenaline-equivalent", (18.0, "ug/kg/h")), now=NOW)

    assert "vasopressor-high" in high.issues
    assert refusal.problems[0].kind.slug == "bad-parameter"


def test_the_answer_depends_on_when_it_is_asked() -> None:
    early, late = (asked(OPERATION, READINGS, now=now).first for now in (NOW, stamp(60 * 20)))

    assert early != late


@pytest.mark.parametrize("code", ["J939", "J93", "J93.9", "j93.9"])
def test_an_icd_code_counts_with_and_without_its_dot(code: str) -> None:
    assert documented(condition("c", code)) == "present"


def test_a_condition_in_words_alone_leads_the_answer() -> None:
    in_words = {**condition("worded", "x"), "code": {"text": "Tension pneumothorax left"}}

    said = asked(OPERATION, [*READINGS, in_words], now=NOW)

    assert "1 Condition of the record could not be judged here" in said.notes[0]
    assert said.issue("condition-not-judged")["implicated"] == [{"reference": "Condition/worded/_history/1"}]
    assert "Condition/worded" in said.notes[0]


TENSION: Json = {**condition("worded", "x"), "code": {"text": "Tension pneumothorax left"}}


def test_a_condition_in_words_alone_is_told_in_its_own_words_and_has_no_severity() -> None:
    said = asked(OPERATION, [*READINGS, condition("copd", "J44.9"), TENSION], now=NOW)

    issues = said.of("DetectedIssue")
    assert issues[0]["code"]["coding"][0]["code"] == "condition-not-judged"
    assert "severity" not in issues[0]
    assert issues[0]["detail"].startswith(
        "Could not be judged: 'Tension pneumothorax left' (no code), Condition/worded/"
    )
    assert "'Tension pneumothorax left' (no code)" in said.notes[0]
    assert any("'Tension pneumothorax left' (no code). It has no code" in text for text in said.listed.values())


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (
            {"text": "Free air, left", "coding": [{"system": "x", "code": "1", "display": "Air"}]},
            "'Free air, left' (x|1)",
        ),
        ({"coding": [{"system": "x", "code": "1", "display": "Air"}]}, "'Air' (x|1)"),
        ({"coding": [{"system": "http://snomed.info/sct", "code": "404684003"}]}, "SNOMED CT 404684003"),
        ({"text": "Air\n\u202eleft"}, "'Air left' (no code)"),
        ({"text": "A" * 500}, f"'{'A' * 119}…' (no code)"),
        ({}, "a Condition without words and without a code"),
    ],
)
def test_a_condition_is_named_by_its_text_else_its_display_else_its_code(code: Json, words: str) -> None:
    said = asked(OPERATION, [*READINGS, {**condition("odd", "x"), "code": code}], now=NOW)

    assert f"A person has to read: {words}, Condition/odd/_history/1." in said.notes[0]


def test_while_a_condition_is_not_understood_nothing_is_said_to_be_free_of_reasons_against() -> None:
    everything = [condition(f"no-{code}", code, certainty="refuted") for code in ("J93.9", "J43.9")]

    said = asked(OPERATION, [*READINGS, *everything, TENSION], now=NOW)

    assert value_of(said.observation("candidate-assessment")) == "cannot-judge"
    assert "This cannot be judged: what 1 of the Conditions says is not known here" in said.notes[1]


def test_two_requests_that_differ_in_the_words_of_a_condition_are_two_answers() -> None:
    other = {**TENSION, "code": {"text": "Hay fever"}}

    first, second = (asked(OPERATION, [*READINGS, one], now=NOW) for one in (TENSION, other))

    assert first.of("GuidanceResponse")[0]["requestIdentifier"] != second.of("GuidanceResponse")[0]["requestIdentifier"]


@pytest.mark.parametrize(
    ("code", "display", "slug", "open_words"),
    [
        ("J93.9", "Pneumothorax, unspecified", "untreated-pneumothorax", "No code here says whether it is drained"),
        ("J44.9", "COPD, unspecified", "obstructive-disease", "The codes do not say how severe it is"),
        ("Z90.2", "Acquired absence of lung", "recent-lung-surgery", "The code does not say how long ago"),
    ],
)
def test_what_was_charted_is_told_apart_from_what_it_counts_as(
    code: str, display: str, slug: str, open_words: str
) -> None:
    coding: Json = {"system": "http://hl7.org/fhir/sid/icd-10", "code": code, "display": display}
    charted: Json = {**condition("one", code), "code": {"coding": [coding]}}

    detail = asked(OPERATION, [*READINGS, charted], now=NOW).issue(slug)["detail"]

    assert detail.startswith(f"'{display}' (ICD-10 {code}) is charted. Counts as: ")
    assert open_words in detail


def test_a_refuted_condition_is_told_in_the_words_of_the_record() -> None:
    said = asked(OPERATION, [*READINGS, condition("ptx", "J93.9", certainty="refuted")], now=NOW)

    note = said.observation("documented-conditions")["note"][0]["text"]
    assert note == "ICD-10 J93.9 is charted as refuted. Counts as refuted: untreated or tension pneumothorax."


def test_what_no_code_stands_for_is_said_to_be_not_looked_for() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    assert any("Not looked for, no code here: bullae or blebs" in note for note in said.notes)


RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"


def infusion(rate: object, *, code: str = "7512", system: str = RXNORM, since: str = stamp(10), **more: object) -> Json:
    """One running noradrenaline."""
    return {
        "resourceType": "MedicationAdministration",
        "id": "norad",
        "meta": {"versionId": "1"},
        "status": "in-progress",
        "medicationCodeableConcept": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": "Patient/p1"},
        "effectivePeriod": {"start": since},
        "dosage": {"rateQuantity": rate},
        **more,
    }


def per_minute(value: float, unit: str = "ug/kg/min") -> Json:
    return {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}


@pytest.mark.parametrize(
    ("system", "code"),
    [
        (RXNORM, "7512"),
        ("http://www.whocc.no/atc", "C01CA03"),
        ("http://fhir.de/CodeSystem/bfarm/atc", "C01CA03"),
        ("http://snomed.info/sct", "45555007"),
        (RXNORM, "3992"),
    ],
)
def test_a_coded_infusion_is_the_vasopressor_dose(system: str, code: str) -> None:
    said = asked(OPERATION, [*READINGS, infusion(per_minute(0.35), code=code, system=system)], now=NOW)

    state = said.observation("present-state")
    assert value_of(state, "noradrenaline-equivalent") == 0.35
    assert {"reference": "MedicationAdministration/norad/_history/1"} in state["derivedFrom"]
    issue = said.issue("vasopressor-high")
    assert issue["severity"] == "high"
    assert issue["implicated"] == [{"reference": "MedicationAdministration/norad/_history/1"}]


def test_without_an_infusion_the_dose_is_not_documented_and_not_taken_as_none() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    assert (
        "Vasopressors: not documented; that does not mean none." in said.observation("present-state")["note"][0]["text"]
    )
    assert any("vasopressor dose" in note for note in said.notes if note.startswith("Missing to judge"))


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        (infusion(per_minute(20.0, "mg/h")), "no weight is guessed"),
        (infusion({"value": 0.3}), "its rate is not in ug/kg/min"),
        (infusion(per_minute(30.0)), "its rate is not between 0 and 5 ug/kg/min"),
        (infusion(None), "it has no rate as a Quantity"),
        (infusion(per_minute(0.3), status="not-done"), "its status is not-done"),
        (infusion(per_minute(0.3), effectivePeriod={"start": "2026-03-01"}), "it says not when"),
        (infusion(per_minute(0.3), since=stamp(120)), "it begins after the instant"),
        (infusion(per_minute(0.3), subject={}), "it names no patient"),
        (infusion(per_minute(0.3), modifierExtension=[{"url": "https://site.example/x"}]), "modifier extension"),
        (infusion(per_minute(0.3), code="1"), "A resource of type MedicationAdministration is not needed"),
    ],
)
def test_an_infusion_that_cannot_be_used_is_listed_with_its_reason(given: Json, reason: str) -> None:
    said = asked(OPERATION, [*READINGS, given], now=NOW)

    assert any(reason in listed for listed in said.listed.values())
    assert "vasopressor-high" not in said.issues


@pytest.mark.parametrize("rate", [per_minute(12.0, "mL/h"), {"value": 0.3}, per_minute(30.0), None])
def test_noradrenaline_at_a_rate_that_cannot_be_read_runs_none_the_less(rate: object) -> None:
    older = infusion(per_minute(0.05), since=stamp(5), id="older")

    said = asked(OPERATION, [*READINGS, older, infusion(rate, since=stamp(20))], now=NOW)

    state = said.observation("present-state")
    note = state["note"][0]["text"]
    assert note.count("Noradrenaline runs (") == 1
    assert "Vasopressors: not documented" not in note
    assert "noradrenaline-equivalent" not in [one["code"]["coding"][0]["code"] for one in state["component"]]
    assert value_of(said.observation("candidate-assessment")) == "high-risk"
    assert "vasopressor-not-converted" in said.issues


def test_noradrenaline_at_a_rate_of_nothing_is_none_in_any_unit() -> None:
    said = asked(OPERATION, [*READINGS, infusion(per_minute(0.0, "mL/h"))], now=NOW)

    assert value_of(said.observation("present-state"), "noradrenaline-equivalent") == 0.0


def test_a_drug_that_an_administration_carries_within_is_read() -> None:
    drug: Json = {"resourceType": "Medication", "id": "drug", "code": {"coding": [{"system": RXNORM, "code": "7512"}]}}
    given = infusion(per_minute(0.35), medicationReference={"reference": "#drug"}, contained=[drug])
    del given["medicationCodeableConcept"]

    said = asked(OPERATION, [*READINGS, given], now=NOW)

    assert value_of(said.observation("present-state"), "noradrenaline-equivalent") == 0.35


@pytest.mark.parametrize("named", [{"text": "noradrenaline"}, None])
def test_a_drug_without_a_code_is_not_said_to_be_no_vasopressor(named: Json | None) -> None:
    given = infusion(per_minute(0.35), medicationCodeableConcept=named)
    if named is None:
        del given["medicationCodeableConcept"]

    said = asked(OPERATION, [*READINGS, given], now=NOW)

    assert "Its drug has no code here, so whether it is a vasopressor is not known." in said.remarks


def test_two_infusions_of_noradrenaline_that_both_go_on_are_a_high_risk() -> None:
    first = infusion(per_minute(0.15), since=stamp(10), id="first")

    said = asked(OPERATION, [*READINGS, first, infusion(per_minute(0.1), since=stamp(30))], now=NOW)

    assert value_of(said.observation("present-state"), "noradrenaline-equivalent") == 0.1
    assert value_of(said.observation("candidate-assessment")) == "high-risk"
    assert said.issue("vasopressor-not-converted")["detail"].startswith(
        "A second noradrenaline infusion is charted as going on and not counted, so whether the vasopressor dose"
    )


def test_an_infusion_of_another_patient_is_refused() -> None:
    refusal = refused(OPERATION, [*READINGS, infusion(per_minute(0.3), subject={"reference": "Patient/p2"})], now=NOW)

    assert [problem.kind.slug for problem in refusal.problems] == ["mixed-patients"]
    assert "A MedicationAdministration is of another patient" in refusal.problems[0].sentence


def test_an_infusion_of_the_wrong_shape_is_refused_at_its_place() -> None:
    refusal = refused(OPERATION, [*READINGS, infusion("fast")], now=NOW)

    assert refusal.problems[0].expression.endswith(".dosage.rateQuantity")


def test_a_dose_that_was_sent_stands_beside_the_infusions_of_the_record() -> None:
    given = parameter("noradrenaline-equivalent", (0.1, "ug/kg/min"))

    state = asked(OPERATION, [*READINGS, infusion(per_minute(0.35))], given, now=NOW).observation("present-state")

    assert value_of(state, "noradrenaline-equivalent") == 0.1
    assert "Infusions of the record: Noradrenaline 0.35 mcg/kg/min, for 50 min." in state["note"][0]["text"]


def test_heart_rate_ph_carbon_dioxide_and_systolic_pressure_are_shown() -> None:
    rows = [*READINGS, row(stamp(40), "more", heart_rate=118.0, ph=7.21, paco2=66.0, systolic=98.0)]

    state = asked(OPERATION, rows, now=NOW).observation("present-state")

    shown = {code: value_of(state, code) for code in ("8867-4", "2744-1", "2019-8", "8480-6", "8478-0")}
    assert shown == {"8867-4": 118.0, "2744-1": 7.21, "2019-8": 66.0, "8480-6": 98.0, "8478-0": 75.0}
    assert "pH 7.21, 20 min old" in state["note"][0]["text"]


def test_the_lowest_pressure_of_the_last_hour_is_shown_beside_the_latest() -> None:
    said = asked(OPERATION, [*READINGS, row(stamp(20), "dip", map=45.0)], now=NOW)

    assert value_of(said.observation("present-state"), "lowest-mean-arterial-pressure") == 45.0
    assert "40 min ago; it is 75 mmHg now" in said.issue("mean-arterial-pressure-low")["detail"]


def test_a_high_dose_stands_in_the_way_of_a_plan_at_the_infusion_that_shows_it() -> None:
    breath = row(stamp(50), "breath", peep_set=10.0, plateau=24.0, expired=360.0)

    refusal = refused("plan-trial", [*READINGS, breath, infusion(per_minute(0.35))], now=NOW)

    (problem,) = refusal.problems
    assert problem.found == "vasopressor-high"
    assert problem.expression == "Parameters.parameter[0].resource.entry[5].resource"


def test_two_conditions_of_one_kind_are_both_named() -> None:
    both = [condition("b", "J93.1"), condition("a", "J93.0")]

    detail = asked(OPERATION, [*READINGS, *both], now=NOW).issue(PNEUMOTHORAX)["detail"]

    assert detail.startswith("ICD-10 J93.0 and ICD-10 J93.1 are charted. Counts as: ")


def test_two_heights_that_disagree_are_told_once() -> None:
    taller: Json = {**height(198.0), "id": "taller"}

    said = asked(OPERATION, [height(168.0), taller, *READINGS], now=NOW)

    assert said.remarks.count("Two heights disagree") == 1
    assert sum("This height is not used, since another one contradicts it" in one for one in said.listed.values()) == 2


def test_a_fraction_out_of_range_is_told_without_the_code_of_its_unit() -> None:
    said = asked(OPERATION, [*READINGS, row(stamp(20), "slip", fio2=0.6)], now=NOW)

    assert any(text.endswith("fio2-set of 0.006 is outside the range 0.15 to 1.") for text in said.listed.values())


# Vasopressors that are not converted


ATC = "http://www.whocc.no/atc"


@pytest.mark.parametrize(
    ("code", "drug"), [("C01CA04", "Dopamine"), ("C01CA06", "Phenylephrine"), ("H01BA01", "Vasopressin")]
)
def test_a_running_vasopressor_that_is_not_converted_is_named_and_stops_a_plan(code: str, drug: str) -> None:
    running = infusion({"value": 0.03, "unit": "U/min"}, code=code, system=ATC)

    said = asked(OPERATION, [*READINGS, running], now=NOW)

    state = said.observation("present-state")
    assert f"{drug} runs (0.03 U/min, for " in state["note"][0]["text"]
    assert value_of(said.observation("candidate-assessment")) == "high-risk"
    issue = said.issue("vasopressor-not-converted")
    assert issue["implicated"] == [{"reference": "MedicationAdministration/norad/_history/1"}]
    assert issue["detail"].startswith(
        f"{drug} runs and is not converted, so whether the vasopressor dose lies above 0.2"
    )
    refusal = refused("plan-trial", [*READINGS, running], now=NOW)
    assert "vasopressor-not-converted" in [problem.found for problem in refusal.problems]


def test_beside_noradrenaline_the_dose_is_said_to_be_more_than_what_is_counted() -> None:
    other = infusion({"value": 2, "unit": "mL/h"}, code="H01BA01", system=ATC, id="vaso")

    said = asked(OPERATION, [*READINGS, infusion(per_minute(0.1)), other], now=NOW)

    assert value_of(said.observation("present-state"), "noradrenaline-equivalent") == 0.1
    note = said.observation("present-state")["note"][0]["text"]
    assert "Noradrenaline 0.1 mcg/kg/min" in note
    assert "vasopressin runs (2 mL/h, for " in note
    assert "The dose as noradrenaline equivalent is more than what is counted." in note
    assert "vasopressor-not-converted" in said.issues


def test_without_a_rate_it_runs_none_the_less() -> None:
    said = asked(OPERATION, [*READINGS, infusion(None, code="H01BA01", system=ATC)], now=NOW)

    assert "its rate was not sent" in said.observation("present-state")["note"][0]["text"]


def test_a_rate_of_nothing_ends_what_ran_before() -> None:
    def charted_rate(minute: float, rate: float, identity: str) -> Json:
        at: Json = {"effectivePeriod": None, "effectiveDateTime": stamp(minute), "id": identity}
        sent: Json = {**infusion({"value": rate, "unit": "U/min"}, code="H01BA01", system=ATC), **at}
        return {name: value for name, value in sent.items() if value is not None}

    said = asked(OPERATION, [*READINGS, charted_rate(10, 0.03, "on"), charted_rate(30, 0.0, "off")], now=NOW)

    assert "vasopressor-not-converted" not in said.issues
    assert "Vasopressin ended" in said.observation("present-state")["note"][0]["text"]


def test_a_site_that_converts_it_sends_the_whole_dose() -> None:
    given = parameter("noradrenaline-equivalent", (0.15, "ug/kg/min"))
    running = infusion({"value": 0.03, "unit": "U/min"}, code="H01BA01", system=ATC)

    said = asked(OPERATION, [*READINGS, running], given, now=NOW)

    assert "vasopressor-not-converted" not in said.issues
    assert "Vasopressin runs" in said.observation("present-state")["note"][0]["text"]


def test_what_is_not_looked_for_is_named() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    assert "found by their ATC codes only; other vasopressors" in said.observation("present-state")["note"][0]["text"]


# The site's signed limits


def signed(**limits: float) -> Site:
    found = {name: Limit(value, "decided by the unit") for name, value in limits.items()}
    named = replace(DEFAULT_STOP_LIMITS, version="5", signed_by="Dr A. Invented", signed_on="2026-02-01")
    return Site(stop_limits=replace(named, **found))  # type: ignore[arg-type]


def with_vitals(**vitals: float) -> list[Json]:
    return [*READINGS, charted(stamp(59), "vitals", vitals)]


def test_a_signed_heart_rate_takes_the_place_of_ours() -> None:
    rows = with_vitals(heart_rate=125.0)

    plain = asked(OPERATION, rows, now=NOW)
    said = asked(OPERATION, rows, now=NOW, site=signed(heart_rate_above_per_min=120.0))

    assert "heart-rate-high" not in plain.issues
    issue = said.issue("heart-rate-high")
    assert issue["severity"] == "high"
    assert "above the signed stop limit of 120 /min, so a trial would begin beyond it." in issue["detail"]
    assert "signed by Dr A. Invented (decided by the unit)" in issue["detail"]


def test_a_signed_heart_rate_that_is_wider_than_ours_holds_too() -> None:
    rows = with_vitals(heart_rate=145.0)

    assert "heart-rate-high" in asked(OPERATION, rows, now=NOW).issues
    site = signed(heart_rate_above_per_min=150.0)
    assert "heart-rate-high" not in asked(OPERATION, rows, now=NOW, site=site).issues


def test_a_slow_heart_is_held_against_the_signed_limit() -> None:
    site = signed(heart_rate_below_per_min=60.0)

    assert "heart-rate-low" in asked(OPERATION, with_vitals(heart_rate=55.0), now=NOW, site=site).issues


def test_a_signed_limit_that_is_wider_than_a_published_one_does_not_hide_it() -> None:
    site = signed(spo2_below_percent=80.0)

    issue = asked(OPERATION, with_vitals(spo2=83.0), now=NOW, site=site).issue("spo2-low")

    assert "a textbook stops a manoeuvre below 85 %" in issue["detail"]


def test_a_signed_limit_that_is_stricter_than_a_published_one_holds() -> None:
    site = signed(spo2_below_percent=90.0)

    issue = asked(OPERATION, with_vitals(spo2=88.0), now=NOW, site=site).issue("spo2-low")

    assert "SpO2 is 88 % (60 s ago), below the signed stop limit of 90 %" in issue["detail"]


def test_the_signed_limits_change_the_identity_of_the_assessment() -> None:
    one, two = (asked(OPERATION, READINGS, now=NOW, site=signed(heart_rate_above_per_min=rate)) for rate in (120, 130))

    assert one.of("GuidanceResponse")[0]["requestIdentifier"] != two.of("GuidanceResponse")[0]["requestIdentifier"]


# Codes that were added with their source


def test_a_coded_haemodynamic_instability_is_high_risk_and_says_what_the_code_leaves_open() -> None:
    unstable = condition("unstable", "422773005", system="http://snomed.info/sct")

    said = asked(OPERATION, [*READINGS, unstable], now=NOW)

    assert value_of(said.observation("documented-conditions"), "haemodynamic-instability") == "present"
    assert value_of(said.observation("candidate-assessment")) == "high-risk"
    assert "The code does not say whether it persists" in said.issue("haemodynamic-instability")["detail"]


def test_unspecified_emphysema_does_not_pass_for_one_without_bullae() -> None:
    emphysema = condition("emphysema", "J43.9", system="http://hl7.org/fhir/sid/icd-10-cm")

    said = asked(OPERATION, [*READINGS, emphysema], now=NOW)

    assert "not whether there are bullae" in said.issue("obstructive-disease")["detail"]
    assert value_of(said.observation("documented-conditions"), "bullous-disease") == "not-documented"


def test_what_has_no_sure_code_is_still_said_not_to_be_looked_for() -> None:
    (told,) = [note for note in asked(OPERATION, READINGS, now=NOW).notes if note.startswith("Not looked for")]

    assert told == (
        "Not looked for, no code here: bullae or blebs; barotrauma with a chest tube for air; "
        "sternotomy within 48 hours; breathing efforts of the patient's own."
    )
