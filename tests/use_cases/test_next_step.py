"""During a trial, from bytes: what is said after each step, and what is refused rather than guessed."""

from __future__ import annotations

import json

import pytest

from bedside_builders import asked, parameter, refused, row, rows_down, stamp, value_of
from ebbmark.fhir.reading.request import Site
from ebbmark.physiology.stop.limits import Limit, StopLimits
from fhir_builders import Json

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5), (10.0, 36.0), (8.0, 31.0))
OPERATION = "next-step"
SIGNED = Site(
    stop_limits=StopLimits(
        version="3",
        signed_by="Dr A. Invented",
        signed_on="2026-02-01",
        spo2_below_percent=Limit(88.0, "decided by the unit"),
        mean_arterial_pressure_below_mmhg=Limit(60.0, "decided by the unit"),
        mean_arterial_pressure_fall_mmhg=None,
        heart_rate_below_per_min=None,
        heart_rate_above_per_min=None,
        peak_pressure_above_cmh2o=None,
        volume_lost_share=None,
        leak_share=None,
    )
)


def now_after(steps: int) -> str:
    return stamp(2 * steps)


def test_before_closing_the_next_step_of_the_staircase_is_named() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=72.0), now=now_after(4))

    step = said.observation("next-step")
    assert value_of(step) == "lower"
    assert value_of(step, "next-peep") == 10.0
    assert value_of(step, "lowering-is-useful") is True
    assert value_of(step, "closing-passed-probability") < 0.2


def test_after_closing_no_further_step_is_named() -> None:
    said = asked(OPERATION, rows_down(DOWN), now=now_after(6))

    step = said.observation("next-step")
    assert value_of(step) == "closing-passed"
    assert value_of(step, "next-peep") is None
    assert value_of(step, "closing-passed-probability") > 0.9


def test_closing_is_not_called_on_a_fall_that_rests_on_a_single_reading() -> None:
    steep = (*DOWN[:4], (10.0, 31.0))

    said = asked(OPERATION, rows_down(steep)[:-1], now=now_after(5))

    step = said.observation("next-step")
    assert value_of(step) == "read-again"
    assert value_of(step, "next-peep") == 10.0


def test_a_fall_that_single_readings_of_two_steps_show_is_called() -> None:
    said = asked(OPERATION, rows_down((*DOWN, (6.0, 26.0)), rows=1), now=now_after(7))

    assert value_of(said.observation("next-step")) == "closing-passed"


def test_a_level_that_was_set_but_not_read_is_where_to_read_not_where_to_go() -> None:
    half = [*rows_down(DOWN[:3]), row(stamp(6), "new-set", peep_set=12.0)]

    said = asked(OPERATION, half, now=stamp(6.2))

    step = said.observation("next-step")
    assert value_of(step) == "read-again"
    assert value_of(step, "next-peep") == 12.0
    assert "has no settled reading yet" in said.first


def test_a_row_that_is_half_recorded_is_no_reading() -> None:
    half = [*rows_down(DOWN[:3]), row(stamp(6), "new-set", peep_set=12.0), row(stamp(6.9), "half", plateau=21.9)]

    said = asked(OPERATION, half, now=stamp(7))

    assert value_of(said.observation("next-step"), "next-peep") == 12.0
    assert [value_of(observation, "readings-used") for observation in said.observations("running-step")] == [2, 2, 2, 0]


def test_on_the_way_up_nothing_is_started_yet() -> None:
    up = [row(stamp(0), "a", peep_set=10.0), row(stamp(2), "b", peep_set=13.0), row(stamp(4), "c", peep_set=16.0)]

    said = asked(OPERATION, up, now=stamp(5))

    assert value_of(said.observation("next-step")) == "not-started"


def test_after_peep_was_raised_again_the_old_way_down_is_not_continued() -> None:
    over = [*rows_down(DOWN), row(stamp(12), "set", peep_set=12.0)]

    said = asked(OPERATION, over, now=stamp(13))

    assert value_of(said.observation("next-step")) == "trial-ended"
    assert value_of(said.observation("next-step"), "lowering-is-useful") is False
    assert said.first.startswith("The trial has ended: its last step, ")
    assert "has a settled reading yet" not in said.first
    assert any("$titrate-peep reads a trial that has ended" in note for note in said.notes)


def test_a_stop_criterion_comes_first_and_names_reading_and_limit() -> None:
    low = [*rows_down(DOWN[:3], spo2=93.0), row(stamp(5.8), "low-spo2", version="2", spo2=82.0)]

    said = asked(OPERATION, low, now=stamp(6))

    assert value_of(said.observation("next-step")) == "stop-criterion-met"
    issue = said.issue("spo2-low")
    assert issue["implicated"] == [{"reference": "Observation/low-spo2/_history/2"}]
    assert "below 85 % (Pilbeam" in issue["detail"]
    assert issue["severity"] == "high"


def test_the_sites_signed_limits_are_applied_and_shown_with_their_signature() -> None:
    low = [*rows_down(DOWN[:3], spo2=93.0, map=70.0), row(stamp(5.8), "low-map", map=57.0)]

    said = asked(OPERATION, low, now=stamp(6), site=SIGNED)

    assert said.issues == {"mean-arterial-pressure-low"}
    assert any("signed by Dr A. Invented on 2026-02-01" in note for note in said.notes)
    assert "stop-limits|3" in said.bytes.decode()


def test_what_no_limit_was_signed_for_is_said_not_to_be_checked() -> None:
    said = asked(OPERATION, rows_down(DOWN[:3], heart_rate=190.0), now=stamp(6), site=SIGNED)

    criteria = said.observation("stop-criteria")
    assert value_of(criteria, "heart-rate-high") == "criterion-not-checked"
    assert "No limit for high heart rate has been signed" in criteria["note"][0]["text"]


def test_readings_from_before_the_trial_meet_no_criterion() -> None:
    before = row(stamp(-30), "earlier", spo2=80.0)
    rise = [row(stamp(-2), "rest", peep_set=10.0, spo2=92.0)]

    said = asked(OPERATION, [before, *rise, *rows_down(DOWN[:3], spo2=93.0)], now=stamp(6))

    assert said.issues == set()
    assert value_of(said.observation("stop-criteria"), "spo2-low") == "criterion-held"


def test_the_start_of_the_trial_may_be_given() -> None:
    early = [row(stamp(-30), "earlier", spo2=80.0), *rows_down(DOWN[:3], spo2=93.0)]

    said = asked(OPERATION, early, parameter("trial-started", stamp(-40)), now=stamp(6))

    assert said.issues == {"spo2-low"}


def test_old_readings_are_no_trial_in_progress() -> None:
    refusal = refused(OPERATION, rows_down(DOWN[:4]), now=stamp(8 + 75))

    assert refusal.problems[0].sentence.startswith("The latest reading of the ventilator is 1.")


def test_two_trials_charted_into_one_another_are_refused() -> None:
    first = rows_down(((20.0, 38.0), (18.0, 39.0), (16.0, 40.0)), name="one")
    second = rows_down(((12.0, 30.0), (10.0, 29.0), (8.0, 28.0)), name="two", start=1.0)

    refusal = refused(OPERATION, [*first, *second], now=stamp(7))

    assert "up and down in turns" in refusal.problems[0].sentence


def test_a_clock_change_in_the_middle_of_a_trial_moves_nothing() -> None:
    # The wall clock jumps by an hour and its offset with it, as at the change to summer time.
    before = rows_down(DOWN[:2], start=0.0, name="winter", zone="+01:00")
    after = rows_down(DOWN[2:4], start=64.0, name="summer", zone="+02:00")
    plain = asked(OPERATION, rows_down(DOWN[:4], zone="+01:00"), now=stamp(8, zone="+01:00"))

    said = asked(OPERATION, [*before, *after], now=stamp(68, zone="+02:00"))

    assert said.first == plain.first


def test_a_device_clock_that_runs_ahead_is_said_and_not_followed() -> None:
    ahead = row(stamp(18), "ahead", peep_set=4.0, spo2=70.0)

    said = asked(OPERATION, [*rows_down(DOWN[:4]), ahead], now=stamp(8))

    assert value_of(said.observation("next-step")) == "look-first"
    assert any("after the instant that counts as now" in reason for reason in said.listed.values())
    assert said.issues == set()


def test_without_peep_it_says_what_is_needed() -> None:
    refusal = refused(OPERATION, [row(stamp(0), "a", spo2=90.0)], now=stamp(1))

    assert "20077-4" in refusal.problems[0].sentence


def test_neither_height_nor_sex_is_needed() -> None:
    nobody: Json = {"resourceType": "Patient", "id": "p1"}

    said = asked(
        OPERATION,
        [nobody, {**row(stamp(0), "height"), "component": []}, *rows_down(DOWN[:4], spo2=93.0, map=72.0)],
        now=now_after(4),
    )

    assert value_of(said.observation("next-step")) == "lower"
    assert "Predicted body weight is not known" in said.remarks


@pytest.mark.parametrize("steps", range(1, 7))
def test_no_answer_asks_for_more_pressure(steps: int) -> None:
    said = asked(OPERATION, rows_down(DOWN[:steps]), now=now_after(steps))

    following = value_of(said.observation("next-step"), "next-peep")
    assert following is None or following <= DOWN[steps - 1][0]


def test_the_same_trial_gets_the_same_bytes_at_the_same_instant() -> None:
    first = asked(OPERATION, rows_down(DOWN[:4]), now=stamp(8))
    again = asked(OPERATION, list(reversed(rows_down(DOWN[:4]))), now=stamp(8))

    assert first.bytes == again.bytes


def test_an_answer_of_a_minute_later_is_another_since_its_readings_are_older() -> None:
    first = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0), now=stamp(8))
    later = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0), now=stamp(9))

    assert first.notes != later.notes
    assert first.of("GuidanceResponse")[0]["requestIdentifier"] != later.of("GuidanceResponse")[0]["requestIdentifier"]


def test_a_staircase_without_verified_steps_names_no_next_one() -> None:
    refusal = refused(OPERATION, rows_down(DOWN[:4]), parameter("staircase", "art"), now=stamp(8))

    assert "no verified" in refusal.problems[0].sentence


def test_a_saturation_in_the_wrong_unit_is_refused_at_its_place() -> None:
    wrong = row(stamp(1), "wrong", spo2=93.0)
    wrong["component"][0]["valueQuantity"].update(unit="mm[Hg]", code="mm[Hg]")  # type: ignore[index]

    refusal = refused(OPERATION, [*rows_down(DOWN[:3]), wrong], now=stamp(6))

    assert refusal.problems[0].expression.endswith(".component[0].valueQuantity")


def test_a_limit_that_was_not_signed_is_named_in_the_answer_and_its_reading_is_shown() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=94.0, systolic=85.0), now=stamp(8), site=SIGNED)

    assert any(
        "Not signed, and so not checked: " in note and "systolic arterial pressure" in note for note in said.notes
    )
    assert value_of(said.observation("stop-criteria"), "systolic-arterial-pressure-low") == "criterion-not-checked"
    assert any("the latest systolic arterial pressure is 85 mmHg" in note for note in said.notes)


def test_peep_charted_in_mbar_beside_settings_in_cmh2o_is_one_trial() -> None:
    rows = json.loads(json.dumps(rows_down(((24.0, 38.0), (22.0, 40.0), (20.0, 41.0), (18.0, 40.5)), spo2=94.0)))
    for one in (one for one in rows if len(one["component"]) > 1):
        one["component"][0]["valueQuantity"] |= {"unit": "mbar", "code": "mbar"}

    said = asked(OPERATION, rows, now=stamp(8))

    assert [value_of(observation) for observation in said.observations("running-step")] == [24.0, 22.0, 20.0, 18.0]


def test_a_reading_that_meets_a_criterion_is_not_told_as_its_own_repetition() -> None:
    rows = rows_down(((18.0, 38.0), (16.0, 40.0), (14.0, 41.0)), spo2=93.0, map=72.0)

    said = asked(OPERATION, [*rows, row(stamp(5.8), "low", spo2=80.0)], now=stamp(6))

    assert "Stop criterion met once: SpO2 80 %" in said.first
    assert "That is the latest reading." in said.first
    assert "meets it too" not in said.first


def test_a_trial_charted_in_mbar_is_told_to_one_decimal_of_cmh2o() -> None:
    rows = json.loads(json.dumps(rows_down(((18.0, 38.0), (16.0, 40.0), (14.0, 41.0)), spo2=93.0, map=72.0)))
    for one in rows:
        quantity = one["component"][0]["valueQuantity"]
        quantity["unit"] = quantity["code"] = "mbar"

    said = asked(OPERATION, rows, now=stamp(6))

    assert "the next step of the staircase is 12.3 cmH2O" in said.first
    assert value_of(said.observation("next-step"), "next-peep") == 12.3
