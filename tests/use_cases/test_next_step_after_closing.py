"""During a trial, once closing was passed: what stands first, and that nobody is led to open the lung again."""

from __future__ import annotations

from typing import Any

import pytest

from bedside_builders import Said, asked, condition, parameter, refused, row, rows_down, stamp, value_of
from fhir_builders import Json

CLOSED = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5), (10.0, 36.0), (8.0, 31.0))
WELL: dict[str, Any] = {"spo2": 95.0, "map": 78.0, "heart_rate": 90.0}
IN_WORDS: Json = {**condition("c1", "X00"), "code": {"text": "Pneumothorax left, drain pending"}}


def after(*more: Json, down: tuple[tuple[float, float], ...] = CLOSED, late: float = 0.0, rows: int = 2) -> Said:
    resources = [*rows_down(down, rows=rows, **WELL), *more]
    return asked("next-step", resources, now=stamp(2 * len(down) + late))


@pytest.mark.parametrize("code", ["G93.2", "R57.0"])
def test_a_documented_condition_stands_before_closing_and_nothing_is_said_of_opening_the_lung(code: str) -> None:
    said = after(condition("c1", code))

    assert value_of(said.observation("next-step")) == "closing-passed"
    assert said.first.startswith("The record says: ")
    assert "open" not in said.first.lower()
    assert "Suggested PEEP: 12 cmH2O" in said.first


def test_a_condition_in_words_is_said_first() -> None:
    assert "names a pneumothorax" in after(IN_WORDS).first
    assert "Closing has been passed" not in after(IN_WORDS).first


def test_a_chosen_protocol_that_opens_the_lung_again_is_left_to_the_unit_and_to_a_clinician() -> None:
    rows = rows_down(CLOSED, **WELL)

    chosen = parameter("staircase", "decremental-2009")
    said = asked("next-step", rows, chosen, now=stamp(12)).first

    assert "What follows after closing is in the unit's protocol; a clinician decides." in said
    assert "recommends against prolonged recruitment" in said
    shocked = asked(
        "next-step", [*rows, condition("c1", "R57.0")], parameter("staircase", "decremental-2009"), now=stamp(12)
    )
    assert "recruitment" not in shocked.first


def test_a_sawtooth_is_not_called_closing_where_the_titration_reads_none() -> None:
    saw = ((20.0, 40.0), (18.0, 34.0), (16.0, 41.0), (14.0, 33.0), (12.0, 40.0), (10.0, 34.0), (8.0, 31.0))

    said = after(down=saw)

    assert value_of(said.observation("next-step")) != "closing-passed"
    assert "Closing has been passed" not in said.first


def test_old_readings_are_the_reason_why_no_criterion_could_be_checked() -> None:
    said = " ".join(after(late=20.0).notes)

    assert "could be checked: the newest of their readings is 20 min old" in said


# What met a limit, and how long ago


def test_a_limit_met_more_than_half_an_hour_ago_and_held_since_is_told_first_and_stops_nothing() -> None:
    said = asked(
        "next-step",
        [*rows_down(CLOSED, start=32.0, **WELL), *rows_down(((20.0, 37.0),), name="top", map=40.0, spo2=95.0)],
        parameter("trial-started", stamp(0)),
        now=stamp(44),
    )

    assert value_of(said.observation("next-step")) != "stop-criterion-met"
    assert said.first.startswith("Stop criterion met")
    assert "(43 min old)" in said.first or "(42 min old)" in said.first
    assert "Look at the patient now" not in " ".join(said.notes)
    assert {one["severity"] for one in said.of("DetectedIssue")} == {"moderate"}


def test_a_limit_met_ten_minutes_ago_still_stops() -> None:
    said = after(row(stamp(2.2), "low", map=40.0))

    assert value_of(said.observation("next-step")) == "stop-criterion-met"


def test_one_arterial_pressure_of_six_between_good_ones_is_doubtful_and_stops_nothing() -> None:
    said = after(row(stamp(11.2), "flush", map=6.0))

    assert value_of(said.observation("next-step")) != "stop-criterion-met"
    assert "that is doubtful (a transducer, a flush, a blood sample)" in said.first
    assert {one["severity"] for one in said.of("DetectedIssue")} == {"moderate"}


def test_an_arterial_pressure_of_six_that_is_the_latest_stops() -> None:
    said = after(row(stamp(11.8), "flush", map=6.0))

    assert value_of(said.observation("next-step")) == "stop-criterion-met"


def test_an_earlier_saturation_does_not_speak_for_a_newer_one_that_cannot_be_used() -> None:
    said = after(row(stamp(11.8), "zero", spo2=0.0), down=CLOSED[:4], late=4.0)

    told = " ".join(said.notes)
    assert "SpO2 95 %" not in told
    assert "is not usable" in told


def test_a_clock_that_is_half_an_hour_ahead_is_said_once() -> None:
    refusal = refused("next-step", rows_down(CLOSED, start=60.0, **WELL), now=stamp(30))

    assert "the clock of the ventilator, of the record or of this service is off" in refusal.problems[0].sentence
    assert len(refusal.ignored) == 1
