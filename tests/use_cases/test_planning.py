"""The plan, from bytes: steps from where this patient is now, drafts only, recruitment on explicit choice only."""

from __future__ import annotations

from typing import Any

import pytest

from bedside_builders import Said, asked, condition, parameter, refused, row, stamp
from ebbmark.fhir.naming import SNOMED
from fhir_builders import Json, charted_sex, height, patient

OPERATION = "plan-trial"
NOW = stamp(20)
READINGS = [
    row(stamp(0), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(5), "breath", plateau=24.0, expired=360.0, peak=29.0),
]


EXPECTED_PEAK = "expected-peak-pressure"


def settings(said: Said, what: str = "planned-peak-pressure") -> list[tuple[float | None, float | None]]:
    """Set PEEP and resulting end-inspiratory or expected peak pressure of every step."""
    found = []
    for request in said.of("DeviceRequest"):
        values: dict[str, Any] = {
            one["code"]["coding"][0]["code"]: one["valueQuantity"]["value"] for one in request.get("parameter", ())
        }
        found.append((values.get("20077-4"), values.get(what)))
    return found


def test_the_staircase_starts_where_the_patient_is_and_keeps_to_the_plateau_limit() -> None:
    steps = settings(asked(OPERATION, READINGS, now=NOW))

    assert steps[0] == (10.0, 24.0)
    assert [peep for peep, _ in steps[1:-1]] == [13.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0]
    assert max(peak for _, peak in steps if peak is not None) == 30.0


def test_everything_is_a_draft_and_a_proposal() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    for one in [*said.of("CarePlan"), *said.of("RequestGroup"), *said.of("DeviceRequest")]:
        assert (one["status"], one["intent"]) == ("draft", "proposal")


def test_steps_follow_one_another_with_their_time() -> None:
    (group,) = asked(OPERATION, READINGS, now=NOW).of("RequestGroup")

    actions = group["action"]
    assert [action["relatedAction"][0]["actionId"] for action in actions[1:]] == [
        action["id"] for action in actions[:-1]
    ]
    assert actions[2]["timingDuration"] == {
        "value": 120.0,
        "unit": "s",
        "system": "http://unitsofmeasure.org",
        "code": "s",
    }
    assert all("Record:" in action["description"] and "Expect:" in action["description"] for action in actions)


def test_the_default_holds_no_recruitment() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    phases = {one["code"][0]["coding"][0]["code"] for one in said.of("RequestGroup")[0]["action"]}
    assert phases == {"phase-before", "phase-up", "phase-descent", "phase-set"}


def test_recruitment_is_laid_out_on_explicit_choice_with_the_evidence_in_plain_words() -> None:
    said = asked(OPERATION, READINGS, parameter("variant", "with-recruitment"), now=NOW)

    (plan,) = said.of("CarePlan")
    notes = " ".join(note["text"] for note in plan["note"])
    assert max(peak for _, peak in settings(said, EXPECTED_PEAK) if peak is not None) == 50.0
    assert max(end for _, end in settings(said) if end is not None) == 45.0  # flow takes 5 in resistance
    assert "This variant was chosen; the service does not suggest it." in notes
    assert "in ART more patients died" in notes


PNEUMOTHORAX = condition("ptx", "J93.0")
IN_WORDS: Json = {**condition("worded", "x"), "code": {"text": "Tension pneumothorax left"}}
BY: Json = {"name": "acknowledged-by", "valueReference": {"reference": "Practitioner/7", "display": "Dr Ada Example"}}


def acknowledged(*what: str) -> list[Json]:
    named: list[Json] = [{"name": "acknowledged", "valueString": one} for one in what]
    return [*named, BY]


def test_a_documented_contraindication_stops_the_plan_and_says_how_to_acknowledge_it() -> None:
    refusal = refused(OPERATION, [*READINGS, PNEUMOTHORAX], now=NOW)

    (problem,) = refusal.problems
    assert problem.kind.slug == "not-acknowledged"
    assert problem.expression == "Parameters.parameter[0].resource.entry[4].resource"
    assert "ICD-10 J93.0 is charted. Counts as: untreated or tension pneumothorax." in problem.sentence
    assert "Shown by Condition/ptx/_history/1." in problem.sentence
    assert "send the parameters acknowledged with 'untreated-pneumothorax' and acknowledged-by" in problem.sentence


@pytest.mark.parametrize(
    ("found", "what"),
    [
        (condition("emphysema", "J43.9"), "obstructive-disease"),
        (condition("pressure", "G93.2"), "raised-intracranial-pressure"),
        (condition("heart", "I26.0"), "right-heart-failure"),
        (condition("shock", "R57.0"), "shock"),
        (condition("leak", "J86.0"), "air-leak"),
        (condition("pregnant", "Z34.9"), "pregnancy"),
        (IN_WORDS, "Condition/worded/_history/1"),
        (condition("open", "J94.8"), "Condition/open/_history/1"),
        (condition("local", "PTX-7", system="https://site.example/codes"), "Condition/local/_history/1"),
        (condition("narrower", "196102003", system=SNOMED), "Condition/narrower/_history/1"),
        ({**PNEUMOTHORAX, "modifierExtension": [{"url": "https://site.example/turned"}]}, "Condition/ptx/_history/1"),
        (row(stamp(15), "low", map=58.0), "mean-arterial-pressure-low"),
        (row(stamp(15), "low", systolic=84.0), "systolic-arterial-pressure-low"),
        (row(stamp(15), "low", spo2=80.0), "spo2-low"),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_what_is_of_high_risk_or_cannot_be_judged_needs_its_own_acknowledgement(found: Json, what: str) -> None:
    plain = refused(OPERATION, [*READINGS, found], now=NOW)
    another = refused(OPERATION, [*READINGS, found], *acknowledged("drained-barotrauma"), now=NOW)
    said = asked(OPERATION, [*READINGS, found], *acknowledged(what), now=NOW)

    for refusal in (plain, another):
        assert [problem.found for problem in refusal.problems if problem.kind.slug == "not-acknowledged"] == [what]
        assert refusal.problems[0].expression
    assert said.of("CarePlan")


@pytest.mark.parametrize("code", ["J18.9", "E11.9", "I10"])
def test_a_condition_of_another_category_of_icd_needs_no_acknowledgement(code: str) -> None:
    assert asked(OPERATION, [*READINGS, condition("other", code)], now=NOW).of("CarePlan")


@pytest.mark.parametrize(
    "past",
    [
        {**IN_WORDS, "clinicalStatus": {"coding": [{"code": "resolved"}]}},
        {**IN_WORDS, "verificationStatus": {"coding": [{"code": "refuted"}]}},
        {**IN_WORDS, "verificationStatus": {"coding": [{"code": "entered-in-error"}]}},
    ],
)
def test_what_is_over_refuted_or_a_mistake_needs_no_acknowledgement_though_nobody_can_place_it(past: Json) -> None:
    said = asked(OPERATION, [*READINGS, past], now=NOW)

    assert said.of("CarePlan")
    assert any(path.endswith("entry[4].resource") for path in said.listed)


def test_everything_that_stops_the_plan_is_told_at_once() -> None:
    refusal = refused(OPERATION, [READINGS[0], PNEUMOTHORAX, IN_WORDS, condition("copd", "J44.9")], now=NOW)

    assert [problem.found for problem in refusal.problems] == [
        "Condition/worded/_history/1",
        "untreated-pneumothorax",
        "obstructive-disease",
        "no pressure above PEEP",
    ]


def test_a_condition_in_words_alone_is_quoted_to_whoever_is_to_acknowledge_it() -> None:
    (problem,) = refused(OPERATION, [*READINGS, IN_WORDS], now=NOW).problems

    assert "'Tension pneumothorax left' (no code), Condition/worded/_history/1" in problem.sentence


def test_an_acknowledgement_is_repeated_with_the_person_behind_it() -> None:
    given = acknowledged("untreated-pneumothorax", "Condition/worded/_history/1")

    said = asked(OPERATION, [*READINGS, PNEUMOTHORAX, IN_WORDS], *given, now=NOW)

    words = (
        "Planned although the record has ICD-10 J93.0, counted as untreated or tension pneumothorax "
        "(Condition/ptx/_history/1), which Dr Ada Example has acknowledged."
    )
    (plan,) = said.of("CarePlan")
    assert plan["note"][0] == {
        "authorReference": BY["valueReference"],
        "text": "Planned although the record has a Condition that could not be judged here: "
        "'Tension pneumothorax left' "
        "(no code), Condition/worded/_history/1, which Dr Ada Example has acknowledged.",
    }
    assert plan["note"][1] == {"authorReference": BY["valueReference"], "text": words}
    assert words in said.notes
    for code in ("untreated-pneumothorax", "condition-not-judged"):
        (mitigation,) = said.issue(code)["mitigation"]
        assert mitigation["author"] == BY["valueReference"]
    assert said.issue("condition-not-judged")["implicated"] == [{"reference": "Condition/worded/_history/1"}]


def test_who_has_acknowledged_may_be_named_in_words_alone() -> None:
    by: Json = {"name": "acknowledged-by", "valueReference": {"display": "Dr Ada Example"}}
    what: Json = {"name": "acknowledged", "valueString": "untreated-pneumothorax"}

    (plan,) = asked(OPERATION, [*READINGS, PNEUMOTHORAX], what, by, now=NOW).of("CarePlan")

    assert plan["note"][0]["authorString"] == "Dr Ada Example"


def test_an_acknowledgement_without_a_person_does_not_count() -> None:
    refusal = refused(OPERATION, [*READINGS, PNEUMOTHORAX], acknowledged("untreated-pneumothorax")[0], now=NOW)

    assert [(problem.kind.slug, problem.expression) for problem in refusal.problems] == [
        ("bad-parameter", "Parameters.parameter[1]"),
    ]
    assert "needs a person" in refusal.problems[0].sentence


@pytest.mark.parametrize(
    "who", [{}, {"reference": "Patient/p1"}, {"reference": "Practitioner/"}, {"display": " "}, {"display": 7}, "x"]
)
def test_only_a_clinician_acknowledges(who: object) -> None:
    by: Json = {"name": "acknowledged-by", "valueReference": who}
    what: Json = {"name": "acknowledged", "valueString": "untreated-pneumothorax"}

    refusal = refused(OPERATION, [*READINGS, PNEUMOTHORAX], what, by, now=NOW)

    assert refusal.problems[0].kind.slug == "bad-parameter"
    assert "acknowledged-by" in refusal.problems[0].sentence


def test_an_acknowledgement_of_an_older_version_does_not_hold_for_the_newer_one() -> None:
    newer = {**IN_WORDS, "meta": {"versionId": "2"}}

    refusal = refused(OPERATION, [*READINGS, newer], *acknowledged("Condition/worded/_history/1"), now=NOW)

    assert [problem.found for problem in refusal.problems] == ["Condition/worded/_history/2"]


def test_an_acknowledgement_of_what_is_not_there_is_said_to_be_without_effect() -> None:
    said = asked(OPERATION, READINGS, *acknowledged("pregnancy", "Condition/gone/_history/3"), now=NOW)

    assert any("without effect" in note and "Condition/gone/_history/3, pregnancy" in note for note in said.notes)


def test_a_misspelt_acknowledgement_is_refused_with_what_there_is() -> None:
    refusal = refused(OPERATION, [*READINGS, PNEUMOTHORAX], *acknowledged("pneumothorax"), now=NOW)

    assert "There is nothing named 'pneumothorax' to acknowledge; here: untreated-pneumothorax." in [
        problem.sentence for problem in refusal.problems
    ]


def test_with_recruitment_a_contraindication_cannot_be_acknowledged_away() -> None:
    given = [*acknowledged("untreated-pneumothorax"), parameter("variant", "with-recruitment")]

    refusal = refused(OPERATION, [*READINGS, PNEUMOTHORAX], *given, now=NOW)

    assert [problem.kind.slug for problem in refusal.problems] == ["no-plan"]
    assert "acknowledged or not" in refusal.problems[0].sentence


def test_what_nobody_wrote_down_leads_the_warnings_and_is_not_taken_as_absent() -> None:
    (plan,) = asked(OPERATION, READINGS, now=NOW).of("CarePlan")

    assert plan["note"][0]["text"].startswith("Not documented (that does not mean absent): untreated or tension")


def test_who_acknowledges_is_part_of_what_the_answer_is() -> None:
    other: Json = {"name": "acknowledged-by", "valueReference": {"display": "Dr Bea Example"}}
    (what, by) = acknowledged("untreated-pneumothorax")

    names = {
        asked(OPERATION, [*READINGS, PNEUMOTHORAX], what, one, now=NOW).of("CarePlan")[0]["identifier"][0]["value"]
        for one in (by, other)
    }

    assert len(names) == 2


def test_the_stop_criteria_are_on_the_plan_with_who_signed_them() -> None:
    (plan,) = asked(OPERATION, READINGS, now=NOW).of("CarePlan")

    notes = [note["text"] for note in plan["note"]]
    assert any(note.startswith("SpO2 below 85 %") for note in notes)
    assert any("no clinician of this site has signed" in note for note in notes)


def test_without_a_pressure_above_peep_it_says_what_is_needed() -> None:
    refusal = refused(OPERATION, [READINGS[0]], now=NOW)

    assert "76259-1" in refusal.problems[0].sentence


def test_a_setting_of_yesterday_is_not_taken_as_in_force() -> None:
    refusal = refused(OPERATION, READINGS, now=stamp(60 * 14))

    assert "of the last 12 hours" in refusal.problems[0].sentence


def test_a_plateau_from_before_the_last_change_of_peep_is_not_used() -> None:
    later = [*READINGS, row(stamp(10), "changed", peep_set=14.0)]

    refusal = refused(OPERATION, later, now=NOW)

    assert refusal.problems[0].found == "no pressure above PEEP"


def test_height_and_sex_are_needed() -> None:
    refusal = refused(OPERATION, [{"resourceType": "Patient", "id": "p1"}, *READINGS], now=NOW)

    assert "sex-needed" in {problem.kind.slug for problem in refusal.problems}


@pytest.mark.parametrize(("rise", "said"), [(2.0, True), (5.0, True), (1.5, False), (6.0, False)])
def test_peep_rises_by_two_to_five(rise: float, said: bool) -> None:
    given = parameter("peep-rise", (rise, "cm[H2O]"))

    if said:
        assert asked(OPERATION, READINGS, given, now=NOW).of("CarePlan")
    else:
        assert "2 to 5 cmH2O" in refused(OPERATION, READINGS, given, now=NOW).problems[0].sentence


def test_a_published_protocol_that_nobody_has_verified_is_not_laid_out() -> None:
    refusal = refused(OPERATION, READINGS, parameter("staircase", "art"), now=NOW)

    assert "could not be verified" in refusal.problems[0].sentence


def test_the_plan_names_protocol_and_version() -> None:
    (plan,) = asked(OPERATION, READINGS, now=NOW).of("CarePlan")

    assert plan["instantiatesCanonical"] == ["https://ebbmark.example/fhir/PlanDefinition/common-practice|1"]


def test_a_pressure_set_long_ago_does_not_hide_the_one_that_is_read_now() -> None:
    old = row("2026-02-28T23:20:00Z", "old", above=8.0)

    refusal = refused(OPERATION, [old, READINGS[0], row(stamp(5), "breath", plateau=30.0, expired=360.0)], now=NOW)

    assert "With 20 cmH2O above PEEP" in refusal.problems[0].sentence


def test_a_peep_setting_that_a_later_measurement_contradicts_is_not_planned_from() -> None:
    rows = [
        row("2026-02-28T23:20:00Z", "old", peep_set=5.0),
        row(stamp(5), "now", peep=14.0, plateau=26.0, expired=360.0),
    ]

    refusal = refused(OPERATION, rows, now=NOW)

    assert "PEEP set 5 and measured since 14 cmH2O" in refusal.problems[0].sentence


def peaks(rows: list[Json]) -> list[float | None]:
    said = asked(OPERATION, rows, now=NOW)
    return [peak for _, peak in settings(said, EXPECTED_PEAK)][:3]


def test_peak_pressure_is_expected_above_plateau_by_what_flow_takes_in_resistance_now() -> None:
    assert peaks(READINGS) == [29.0, 32.0, 35.0]


def test_a_peak_that_was_not_read_beside_plateau_is_not_taken_for_it() -> None:
    apart = [row("2026-03-01T09:40:00Z", "settings", peep_set=10.0), row("2026-03-01T09:41:00Z", "peak", peak=40.0)]

    said = asked(OPERATION, [*apart, row(stamp(5), "breath", plateau=24.0, expired=360.0)], now=NOW)

    assert {peak for _, peak in settings(said, EXPECTED_PEAK)} == {None}
    assert any("Peak pressure is not known" in note for note in said.notes)


def test_in_pressure_control_the_set_pressure_is_the_peak_though_none_was_read() -> None:
    assert peaks([row(stamp(0), "settings", peep_set=10.0, above=14.0)]) == [24.0, 27.0, 30.0]


def test_without_plateau_pressure_peak_pressure_stands_for_it() -> None:
    rows = [READINGS[0], row(stamp(5), "breath", peak=24.0, expired=360.0)]

    assert [end for _, end in settings(asked(OPERATION, rows, now=NOW))][:3] == [24.0, 27.0, 30.0]
    assert peaks(rows) == [24.0, 27.0, 30.0]


def test_in_volume_control_no_draft_sets_a_pressure_and_the_pressures_are_said_to_follow() -> None:
    volume = row(stamp(1), "mode", volume_set=360.0)

    said = asked(OPERATION, [*READINGS, volume], now=NOW)

    assert {above for _, above in settings(said, "pressure-above-peep")} == {None}
    assert "if compliance stays as it is" in said.first
    assert any(note.startswith("In volume control the pressure above PEEP is") for note in said.notes)


def test_in_pressure_control_the_pressure_is_set_and_nothing_follows() -> None:
    said = asked(OPERATION, [*READINGS, row(stamp(1), "mode", above=14.0)], now=NOW)

    assert {above for _, above in settings(said, "pressure-above-peep")[:-1]} == {14.0}
    assert "if compliance stays as it is" not in said.first


def test_a_peak_below_the_plateau_is_no_peak_to_plan_with() -> None:
    odd = row(stamp(10), "odd", plateau=24.0, expired=360.0, peak=18.0)

    said = asked(OPERATION, [*READINGS, odd], now=NOW)

    assert "peak pressure not known" in said.first
    assert {peak for _, peak in settings(said, EXPECTED_PEAK)} == {None}


def test_a_charted_sex_decides_the_form_and_is_an_input() -> None:
    resources = [patient(gender=None), height(), *READINGS, charted_sex("M")]

    said = asked(OPERATION, resources, now=NOW)

    (provenance,) = said.of("Provenance")
    assert {"reference": "Observation/sex/_history/1"} in [one["what"] for one in provenance["entity"]]
    assert not [path for path in said.listed if ".entry[4]" in path]


def test_charted_sexes_that_disagree_are_refused() -> None:
    two = [charted_sex(letter, identity=f"sex-{letter}") for letter in ("F", "M")]

    refusal = refused(OPERATION, [*READINGS, *two], now=NOW)

    assert [problem.kind.slug for problem in refusal.problems] == ["sex-conflict"] * 2


def test_a_question_that_needs_no_weight_is_answered_and_lists_every_charted_sex_once() -> None:
    two = [charted_sex(letter, identity=f"sex-{letter}") for letter in ("F", "M")]
    recorded = charted_sex("F", code="46098-0", identity="recorded")

    said = asked("assess-candidate", [patient(), height(), *READINGS, *two, recorded], now=NOW)

    where = [f".entry[{number}].resource" for number in (4, 5, 6)]
    assert [sum(path.split(".valueC")[0].endswith(one) for path in said.listed) for one in where] == [1, 1, 1]
    assert "Predicted body weight is not known. Statements of the sex at birth disagree" in said.remarks
