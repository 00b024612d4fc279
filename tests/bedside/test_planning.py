"""The plan, from bytes: steps from where this patient is now, drafts only, recruitment on explicit choice only."""

from __future__ import annotations

from typing import Any

import pytest

from bedside_builders import Said, asked, condition, parameter, refused, row, stamp

OPERATION = "plan-trial"
NOW = stamp(20)
READINGS = [
    row(stamp(0), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(5), "breath", plateau=24.0, expired=360.0, peak=29.0),
]


def settings(said: Said) -> list[tuple[float | None, float | None]]:
    """Set PEEP and resulting peak of every step."""
    found = []
    for request in said.of("DeviceRequest"):
        values: dict[str, Any] = {
            one["code"]["coding"][0]["code"]: one["valueQuantity"]["value"] for one in request.get("parameter", ())
        }
        found.append((values.get("20077-4"), values.get("planned-peak-pressure")))
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
    assert [one["relatedAction"][0]["actionId"] for one in actions[1:]] == [one["id"] for one in actions[:-1]]
    assert actions[2]["timingDuration"] == {
        "value": 120.0,
        "unit": "s",
        "system": "http://unitsofmeasure.org",
        "code": "s",
    }
    assert all("Record:" in one["description"] and "Expect:" in one["description"] for one in actions)


def test_the_default_holds_no_recruitment() -> None:
    said = asked(OPERATION, READINGS, now=NOW)

    phases = {one["code"][0]["coding"][0]["code"] for one in said.of("RequestGroup")[0]["action"]}
    assert phases == {"phase-before", "phase-up", "phase-descent", "phase-set"}


def test_recruitment_is_laid_out_on_explicit_choice_with_the_evidence_in_plain_words() -> None:
    said = asked(OPERATION, READINGS, parameter("variant", "with-recruitment"), now=NOW)

    (plan,) = said.of("CarePlan")
    notes = " ".join(note["text"] for note in plan["note"])
    assert max(peak for _, peak in settings(said) if peak is not None) == 50.0
    assert "This variant was chosen; the service does not suggest it." in notes
    assert "in ART more patients died" in notes


def test_a_documented_contraindication_stops_the_plan() -> None:
    refusal = refused(OPERATION, [*READINGS, condition("ptx", "J93.0")], now=NOW)

    assert refusal.problems[0].kind.slug == "no-plan"
    assert "Untreated or tension pneumothorax" in refusal.problems[0].sentence


def test_a_high_risk_condition_stands_beside_the_plan_and_does_not_stop_it() -> None:
    emphysema = condition("emphysema", "J43.9")

    assert asked(OPERATION, [*READINGS, emphysema], now=NOW).issues == {"obstructive-disease"}


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

    assert "sex-needed" in {one.kind.slug for one in refusal.problems}


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


def test_a_condition_that_could_not_be_placed_stands_first_among_the_warnings_of_a_plan() -> None:
    in_words = {**condition("worded", "x"), "code": {"text": "Tension pneumothorax left"}}

    (plan,) = asked(OPERATION, [*READINGS, in_words], now=NOW).of("CarePlan")

    assert "could not be placed by code" in plan["note"][0]["text"]
