"""A sceptic's requests during a trial: nobody is sent to a lower PEEP on readings that do not bear it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bedside_builders import Said, asked, charted, parameter, refused, row, rows_down, stamp, value_of
from ebbmark.fhir.reading.request import Site
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit, StopLimits
from fhir_builders import LOINC, UCUM, Json

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5), (10.0, 36.0), (8.0, 31.0))
OPERATION = "next-step"
UNIT = "decided by the unit"
SIGNED = Site(
    stop_limits=replace(
        DEFAULT_STOP_LIMITS,
        version="4",
        signed_by="Dr A. Invented",
        signed_on="2026-02-01",
        spo2_below_percent=Limit(88.0, UNIT),
        mean_arterial_pressure_below_mmhg=Limit(60.0, UNIT),
        mean_arterial_pressure_fall_mmhg=Limit(20.0, UNIT),
        heart_rate_below_per_min=Limit(50.0, UNIT),
        heart_rate_above_per_min=Limit(140.0, UNIT),
        peak_pressure_above_cmh2o=Limit(40.0, UNIT),
    )
)


def action(said: Said) -> str:
    return str(value_of(said.observation("next-step")))


def criterion(said: Said, slug: str) -> str:
    return str(value_of(said.observation("stop-criteria"), slug))


def not_lowered(said: Said) -> bool:
    """No lower PEEP is named, by whatever word."""
    return action(said) != "lower" and value_of(said.observation("next-step"), "lowering-is-useful") is False


def spo2(minute: float, identity: str, quantity: Json | None = None, **more: Any) -> Json:  # noqa: ANN401
    """One SpO2 on its own, sent as the test says."""
    built: Json = {
        "resourceType": "Observation",
        "id": identity,
        "meta": {"versionId": "1"},
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": "59408-5"}]},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": stamp(minute),
    }
    if quantity is not None:
        built["valueQuantity"] = quantity
    return {**built, **more}


def percent(value: float, **more: object) -> Json:
    return {"value": value, "unit": "%", "system": UCUM, "code": "%", **more}


# A reading of any age


def test_an_old_saturation_does_not_show_that_the_criterion_is_not_met() -> None:
    early = [*rows_down(DOWN[:4], map=72.0), row(stamp(2.2), "early", spo2=93.0)]

    said = asked(OPERATION, early, now=stamp(8))

    assert criterion(said, "spo2-low") == "criterion-not-checked"
    assert "SpO2: not checked, since the last reading (93 %) is 6 min old" in said.first


def test_before_lowering_on_an_old_saturation_one_more_reading_is_asked_for() -> None:
    early = [*rows_down(DOWN[:4], map=72.0), row(stamp(2.2), "early", spo2=93.0)]

    said = asked(OPERATION, early, now=stamp(8))

    assert action(said) == "read-again"
    assert value_of(said.observation("next-step"), "next-peep") == 12.0


def test_the_age_of_every_reading_that_a_criterion_was_judged_on_is_shown() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=72.0, peak=30.0), now=stamp(9), site=SIGNED)

    (note,) = said.observation("stop-criteria")["note"]
    assert "SpO2 93 %, 1 min old" in note["text"]
    assert "mean arterial pressure 72 mmHg, 1 min old" in note["text"]
    assert "peak pressure 30 cmH2O, 1 min old" in note["text"]
    assert any("SpO2 93 %, 1 min old" in text for text in said.notes)


def test_the_inputs_that_a_criterion_was_judged_on_are_named() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=72.0), now=stamp(8))

    named = [one["reference"] for one in said.observation("stop-criteria")["derivedFrom"]]
    assert "Observation/step-3-1/_history/1" in named


def test_the_site_signs_how_old_a_reading_may_be() -> None:
    early = [*rows_down(DOWN[:4], map=72.0), row(stamp(2.2), "early", spo2=93.0)]
    patient_site = Site(stop_limits=replace(DEFAULT_STOP_LIMITS, oldest_reading_min=Limit(10.0, UNIT)))

    said = asked(OPERATION, early, now=stamp(8), site=patient_site)

    assert criterion(said, "spo2-low") == "criterion-held"
    assert "last 10 min (decided by the unit)" in said.observation("stop-criteria")["method"]["text"]


def test_a_criterion_that_was_met_stays_met_however_long_ago() -> None:
    low = [*rows_down(DOWN[:5], spo2=93.0, map=72.0), row(stamp(2.2), "low", spo2=80.0)]

    said = asked(OPERATION, low, now=stamp(14))

    assert action(said) == "stop-criterion-met"
    assert "SpO2 80 % at 10:02 UTC (12 min old)" in said.first


def test_where_nothing_could_be_checked_it_is_not_said_that_nothing_was_met() -> None:
    said = asked(OPERATION, rows_down(DOWN[:3]), now=stamp(20), site=Site(stop_limits=_nothing_signed()))

    assert "valueBoolean" not in said.observation("stop-criteria")


def _nothing_signed() -> StopLimits:
    return replace(
        DEFAULT_STOP_LIMITS,
        spo2_below_percent=None,
        peak_pressure_above_cmh2o=None,
        volume_lost_share=None,
        leak_share=None,
    )


def test_an_hourly_mean_is_as_old_as_its_middle() -> None:
    mean = spo2(0, "mean", percent(93.0))
    del mean["effectiveDateTime"]
    mean["effectivePeriod"] = {"start": stamp(2), "end": stamp(14)}

    said = asked(OPERATION, [*rows_down(DOWN[:4], start=6), mean], now=stamp(14))

    assert criterion(said, "spo2-low") == "criterion-not-checked"


def test_old_readings_of_compliance_are_not_lowered_on() -> None:
    said = asked(
        OPERATION,
        [*rows_down(DOWN[:4], spo2=93.0, map=72.0), row(stamp(19), "now", spo2=93.0, map=72.0)],
        now=stamp(19),
    )

    assert action(said) == "read-again"
    assert "The latest reading of compliance is 11 min old" in said.first


# Sent, and not usable


@pytest.mark.parametrize(
    ("name", "sent"),
    [
        ("a bound", {"valueQuantity": percent(78.0, comparator="<")}),
        ("a bound above the limit", {"valueQuantity": percent(90.0, comparator="<")}),
        ("no unit", {"valueQuantity": {"value": 78.0}}),
        ("a fraction without unit", {"valueQuantity": {"value": 0.78}}),
        ("a unit that is not known", {"valueQuantity": {"value": 78.0, "unit": "pct O2"}}),
        ("preliminary", {"valueQuantity": percent(78.0), "status": "preliminary"}),
        ("of unknown status", {"valueQuantity": percent(78.0), "status": "unknown"}),
        ("a bare number", {"valueInteger": 78}),
        ("a text", {"valueString": "78 %"}),
        ("a text with a bound", {"valueString": "<78"}),
        ("no zone", {"valueQuantity": percent(78.0), "effectiveDateTime": "2026-03-01T10:07:50"}),
        ("a date only", {"valueQuantity": percent(78.0), "effectiveDateTime": "2026-03-01"}),
        ("ahead of now", {"valueQuantity": percent(78.0), "effectiveDateTime": stamp(20)}),
        ("a modifier", {"valueQuantity": percent(78.0), "modifierExtension": [{"url": "https://site.example/x"}]}),
        ("not plausible", {"valueQuantity": percent(4.0)}),
        ("a fraction that was sent as per cent", {"valueQuantity": percent(0.86)}),
        ("a good fraction that was sent as per cent", {"valueQuantity": percent(0.97)}),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_saturation_that_cannot_be_used_and_may_be_low_is_looked_at_first(name: str, sent: dict[str, Any]) -> None:
    odd = spo2(7.9, "odd", **sent)

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), odd], now=stamp(8))

    assert action(said) == "look-first"
    assert not_lowered(said)
    assert said.first.startswith("Look at the patient first")
    assert "but is not usable:" in said.first
    assert "below the stop limit of 85 %" in said.first


def test_two_saturations_of_one_instant_are_looked_at_first_where_one_is_low() -> None:
    two = [spo2(7.9, "ear", percent(93.0)), spo2(7.9, "finger", percent(80.0))]

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), *two], now=stamp(8))

    assert action(said) == "look-first"


@pytest.mark.parametrize(
    "sent",
    [
        {"valueQuantity": percent(95.0), "status": "preliminary"},
        {"valueQuantity": percent(90.0, comparator=">")},
        {"valueQuantity": {"value": 95.0}},
    ],
    ids=["preliminary", "a bound", "no unit"],
)
def test_a_saturation_that_cannot_be_used_and_cannot_be_low_is_said_to_be_sent(sent: dict[str, Any]) -> None:
    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), spo2(7.9, "odd", **sent)], now=stamp(8))

    assert action(said) == "measure-first"
    assert "SpO2 was sent" in said.first
    assert "but is not usable" in said.first
    assert "No SpO2 was sent" not in said.bytes.decode()
    assert criterion(said, "spo2-low") == "criterion-not-checked"


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_what_was_taken_back_says_nothing(status: str) -> None:
    gone = spo2(7.9, "gone", percent(70.0), status=status)

    assert action(asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), gone], now=stamp(8))) == "lower"


def test_a_usable_reading_afterwards_settles_the_doubt() -> None:
    odd = spo2(5.0, "odd", percent(78.0), status="preliminary")

    assert action(asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), odd], now=stamp(8))) == "lower"


def test_a_doubt_from_before_the_trial_is_none_of_it() -> None:
    odd = spo2(-60.0, "odd", percent(78.0), status="preliminary")

    assert action(asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), odd], now=stamp(8))) == "lower"


def test_a_preliminary_saturation_that_the_caller_accepts_counts_like_any() -> None:
    low = spo2(7.9, "low", percent(78.0), status="preliminary")
    accept: Json = {"name": "accept-preliminary", "valueBoolean": True}

    assert action(asked(OPERATION, [*rows_down(DOWN[:4]), low], accept, now=stamp(8))) == "stop-criterion-met"


def test_a_component_that_cannot_be_used_is_looked_at_like_an_observation() -> None:
    rows = rows_down(DOWN[:4], spo2=93.0, map=72.0)
    late = charted(stamp(7.9), "late", {"spo2": 78.0, "heart_rate": 80.0})
    late["component"][0]["valueQuantity"]["comparator"] = "<"  # type: ignore[index]

    assert action(asked(OPERATION, [*rows, late], now=stamp(8))) == "look-first"


@pytest.mark.parametrize("value", [60.0, 64.0])
def test_a_mean_pressure_that_stops_a_plan_is_not_lowered_on_though_no_limit_is_signed(value: float) -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=value), now=stamp(8))

    assert action(said) == "look-first"
    assert f"The latest mean arterial pressure is {value:g} mmHg" in said.first
    assert "below 65 mmHg, below which one unit's public guide avoids manoeuvres" in said.first


def test_a_systolic_pressure_below_90_stops_the_trial_with_its_source() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=70.0, systolic=70.0), now=stamp(8))

    assert action(said) == "stop-criterion-met"
    assert "systolic arterial pressure 70 mmHg" in said.first
    assert "limit below 90 mmHg (Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand))" in said.first


def test_a_low_saturation_just_before_the_first_lowering_is_not_forgotten() -> None:
    late_clock = [*rows_down(DOWN[:2], map=72.0), row(stamp(1.9), "top", spo2=80.0)]

    said = asked(OPERATION, late_clock, now=stamp(4))

    assert not_lowered(said)
    assert "The latest SpO2 is 80 %" in said.first


def test_what_asks_for_a_look_is_told_where_nothing_is_to_be_lowered_either() -> None:
    up = [row(stamp(0), "a", peep_set=10.0), row(stamp(2), "b", peep_set=13.0)]

    said = asked(OPERATION, [*up, spo2(2.5, "odd", percent(70.0), status="preliminary")], now=stamp(3))

    assert action(said) == "not-started"
    assert "SpO2 was sent as '70 %'" in said.first


def test_vital_signs_that_were_not_sent_are_named_before_anything_is_lowered() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, systolic=118.0), now=stamp(8))

    assert action(said) == "lower"
    assert said.first.startswith("Not sent, so look before PEEP is lowered: mean arterial pressure, heart rate.")


# A stop that was met, a rescue, and down again


def rescued(*, spo2_at_eight: float = 80.0) -> list[Json]:
    """Down to 8, a low saturation there, up to 16, and down again."""
    first = rows_down(((14.0, 41.0), (12.0, 40.0), (10.0, 40.0), (8.0, 39.0)), spo2=93.0, map=72.0, name="first")
    low = row(stamp(7.8), "low", version="3", spo2=spo2_at_eight)
    again = rows_down(((16.0, 40.0), (14.0, 41.0), (12.0, 40.5)), start=8.0, spo2=95.0, map=72.0, name="again")
    return [*first, low, *again]


def test_a_stop_is_not_forgotten_after_a_rescue() -> None:
    said = asked(OPERATION, rescued(), now=stamp(14))

    assert action(said) == "stop-criterion-met"
    assert "SpO2 80 % at 10:07 UTC" in said.first
    assert said.issue("spo2-low")["implicated"] == [{"reference": "Observation/low/_history/3"}]
    assert any("before PEEP was moved for the present way down, at 10:08 UTC" in note for note in said.notes)


def test_a_rescue_without_a_stop_does_not_stop_the_way_down() -> None:
    assert action(asked(OPERATION, rescued(spo2_at_eight=90.0), now=stamp(14))) == "lower"


def test_who_says_when_the_new_trial_began_is_told_of_the_stop_and_may_go_on() -> None:
    said = asked(OPERATION, rescued(), parameter("trial-started", stamp(8)), now=stamp(14))

    assert action(said) == "lower"
    assert any(note.startswith("Before the start that was asked for") and "SpO2 80 %" in note for note in said.notes)


def test_a_stop_of_a_trial_that_ended_an_hour_before_does_not_count_in_this_one() -> None:
    first = [*rows_down(DOWN, spo2=93.0, map=72.0, name="first"), row(stamp(11.8), "low", spo2=80.0)]
    kept = [row(stamp(12), "set", peep_set=14.0)]
    second = rows_down(
        ((18.0, 40.0), (16.0, 41.0), (14.0, 41.0), (12.0, 41.0)), start=90.0, spo2=95.0, map=72.0, name="again"
    )

    assert action(asked(OPERATION, [*first, *kept, *second], now=stamp(98))) == "lower"


def test_what_is_set_after_the_trial_is_no_step_of_it() -> None:
    after = [
        row(stamp(12), "re-opened", peep_set=16.0),
        row(stamp(14), "set", peep_set=12.0),
        row(stamp(15), "breath", peep_set=12.0, expired=400.0, plateau=22.0, spo2=94.0),
    ]

    said = asked(OPERATION, [*rows_down(DOWN, spo2=93.0, map=72.0), *after], now=stamp(16))

    assert not_lowered(said)
    assert action(said) == "closing-passed"
    assert "Closing had been passed at 10 cmH2O in this trial before PEEP was raised again at 10:12 UTC" in said.first


def test_a_clinician_may_go_down_again_after_closing_was_passed() -> None:
    again = rows_down(((18.0, 40.0), (16.0, 41.0), (14.0, 41.0)), start=14.0, spo2=94.0, map=72.0, name="again")

    said = asked(
        OPERATION, [*rows_down(DOWN, spo2=93.0, map=72.0), *again], parameter("trial-started", stamp(14)), now=stamp(20)
    )

    assert action(said) == "lower"


def test_a_level_that_was_kept_for_longer_than_a_step_is_a_setting() -> None:
    weaned = [row(stamp(-300), "high", peep_set=10.0), row(stamp(-240), "low", peep_set=8.0)]
    now = [row(stamp(7), "breath", peep_set=8.0, expired=400.0, plateau=18.0, spo2=94.0)]

    said = asked(OPERATION, [*weaned, *now], now=stamp(8))

    assert action(said) == "not-started"
    assert any(
        "PEEP has been 8 cmH2O for 4 h, longer than a step of a trial: no trial is in progress." in note
        for note in said.notes
    )


# Two records in one another


def staircase_of(start: float, name: str, top: float, compliance: float, *, with_peep: bool = True) -> list[Json]:
    """PEEP down by 2 every two minutes, two rows per step."""
    down = [(top - 2 * step, compliance) for step in range(4)]
    rows = rows_down(down, start=start, name=name, spo2=93.0, map=72.0)
    if with_peep:
        return rows
    for one in rows:
        parts: Any = one["component"]
        if len(parts) > 1:
            one["component"] = parts[1:]
    return rows


@pytest.mark.parametrize("offset", [0.25, 0.5, 1.0, 1.3])
def test_two_staircases_one_cmh2o_apart_are_refused(offset: float) -> None:
    both = [*staircase_of(0, "a", 18.0, 40.0), *staircase_of(offset, "b", 17.0, 30.0)]

    refusal = refused(OPERATION, both, now=stamp(10))

    assert "two trials, two devices or two patients" in refusal.problems[0].sentence


def test_two_staircases_of_alike_lungs_one_cmh2o_apart_are_refused() -> None:
    both = [*staircase_of(0, "a", 18.0, 40.0), *staircase_of(1.0, "b", 17.0, 40.0)]

    assert "came back" in refused(OPERATION, both, now=stamp(10)).problems[0].sentence


def test_two_lungs_that_take_turns_under_one_falling_peep_are_refused() -> None:
    both = [
        *staircase_of(0, "a", 18.0, 44.0, with_peep=False),
        *staircase_of(1.0, "b", 17.0, 30.0, with_peep=False),
    ]

    assert "Compliance lies 15 % or more apart" in refused(OPERATION, both, now=stamp(10)).problems[0].sentence


def test_another_patient_on_a_constant_peep_beside_the_trial_is_refused() -> None:
    other = [row(stamp(0.3 + minute), f"other-{minute}", peep_set=11.0) for minute in range(8)]

    assert refused(OPERATION, [*staircase_of(0, "a", 18.0, 40.0), *other], now=stamp(8)).problems


def test_two_devices_that_report_in_turns_are_refused_and_named() -> None:
    rows = rows_down(DOWN[:4], spo2=93.0, map=72.0)
    both: list[Json] = [{**one, "device": {"reference": f"Device/{'ab'[place % 2]}"}} for place, one in enumerate(rows)]

    assert "by Device/a and Device/b" in refused(OPERATION, both, now=stamp(8)).problems[0].sentence


def test_a_ventilator_that_was_changed_before_the_trial_is_no_muddle() -> None:
    before: Json = {**row(stamp(-20), "before", peep_set=12.0), "device": {"reference": "Device/transport"}}
    rows: list[Json] = [
        {**one, "device": {"reference": "Device/a"}} for one in rows_down(DOWN[:4], spo2=93.0, map=72.0)
    ]

    assert action(asked(OPERATION, [before, *rows], now=stamp(8))) == "lower"


def test_one_rescue_is_not_taken_for_two_trials() -> None:
    up = [row(stamp(8.5), "up", peep_set=16.0), row(stamp(10.5), "down", peep_set=14.0, spo2=93.0)]
    rows = [*rows_down(((18.0, 40.0), (16.0, 41.0), (14.0, 41.0)), spo2=93.0, map=72.0), *up]

    assert action(asked(OPERATION, rows, now=stamp(11))) in ("read-again", "lower")


# Peak pressure in volume control


def test_in_volume_control_the_peak_is_looked_at_and_not_only_the_plateau() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=72.0, peak=46.0), now=stamp(8), site=SIGNED)

    assert said.issues == {"peak-pressure-high"}
    assert "peak pressure 46 cmH2O" in said.first


def test_a_plateau_does_not_stand_for_a_peak_that_was_not_sent() -> None:
    said = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=72.0), now=stamp(8), site=SIGNED)

    assert criterion(said, "peak-pressure-high") == "criterion-not-checked"
    assert "A plateau pressure does not replace it" in said.observation("stop-criteria")["note"][0]["text"]


def test_a_plateau_beyond_the_limit_of_peak_pressure_meets_it() -> None:
    high = [*rows_down(DOWN[:4], spo2=93.0, map=72.0), row(stamp(7.9), "high", plateau=44.0)]

    said = asked(OPERATION, high, now=stamp(8), site=SIGNED)

    assert said.issues == {"peak-pressure-high"}
    assert "at least 44 cmH2O, the plateau pressure" in said.first


def test_a_peak_that_cannot_be_used_and_may_be_high_is_looked_at_first() -> None:
    odd = charted(stamp(7.9), "odd", {"peak": 40.0})
    odd["component"][0]["valueQuantity"]["comparator"] = ">"  # type: ignore[index]

    assert (
        action(asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), odd], now=stamp(8), site=SIGNED))
        == "look-first"
    )


# What else may be wrong at the bedside


@pytest.mark.parametrize(
    ("latest", "expected", "words"),
    [
        (92.5, "lower", ""),
        (91.0, "lower", "SpO2 came down from 93 to 91 % on the way down (less than a minute old). A fall of 2 %"),
        (87.0, "look-first", "SpO2 came down from 93 to 87 %"),
    ],
)
def test_a_saturation_that_falls_on_the_way_down_is_told_before_anything_is_lowered(
    latest: float, expected: str, words: str
) -> None:
    said = asked(
        OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), row(stamp(7.9), "low", spo2=latest)], now=stamp(8)
    )

    assert action(said) == expected
    assert words in said.first
    assert ("came down" in said.first) is bool(words)


@pytest.mark.parametrize(("steps", "expected"), [(4, "read-again"), (1, "not-started")])
def test_a_plateau_above_the_protocols_limit_is_told(steps: int, expected: str) -> None:
    rows = rows_down(DOWN[:steps], spo2=93.0, map=72.0)
    high = row(stamp(2 * steps - 0.1), "high", plateau=38.0)

    said = asked(OPERATION, [*rows, high], now=stamp(2 * steps))

    assert action(said) == expected
    assert "The latest plateau pressure is 38 cmH2O (less than a minute old), above the protocol's limit" in said.first


def test_in_volume_control_a_volume_that_does_not_come_back_is_looked_at_first() -> None:
    mode, leak = row(stamp(-20), "mode", volume_set=400.0), row(stamp(7.9), "leak", expired=250.0)

    said = asked(OPERATION, [mode, *rows_down(DOWN[:4], spo2=93.0, map=72.0), leak], now=stamp(8))

    assert action(said) == "look-first"
    assert "The latest expired volume is 250 mL (less than a minute old) of 400 mL set" in said.first


def test_a_volume_setting_of_another_mode_is_not_held_against_pressure_control() -> None:
    modes = [row(stamp(-20), "old", volume_set=600.0), row(stamp(-10), "mode", above=10.0)]

    assert action(asked(OPERATION, [*modes, *rows_down(DOWN[:4], spo2=93.0, map=72.0)], now=stamp(8))) == "lower"


def test_one_breath_far_below_the_others_is_read_again_before_peep_is_lowered() -> None:
    odd = row(stamp(7.9), "odd", peep_set=12.0, expired=260.0, plateau=22.0)

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), odd], now=stamp(8))

    assert action(said) == "read-again"
    assert "The latest reading of compliance lies 36 % below the others at this PEEP." in said.first


def test_a_monitor_that_goes_on_does_not_make_an_old_trial_one_in_progress() -> None:
    monitor = [row(stamp(minute), f"m{minute}", spo2=93.0, heart_rate=80.0) for minute in range(10, 180, 10)]

    refusal = refused(OPERATION, [*rows_down(DOWN[:4], map=72.0), *monitor], now=stamp(180))

    assert refusal.problems[0].sentence.startswith("The latest reading of the ventilator is 2.9 h old")


def test_an_open_circuit_in_the_middle_of_the_trial_is_not_lowered_past() -> None:
    rows = rows_down(DOWN[:4], spo2=93.0, map=72.0)
    opened = row(stamp(5.2), "open", peep=0.0)

    said = asked(OPERATION, [*rows, opened], now=stamp(8))

    assert action(said) == "look-first"
    assert "disconnection or suction" in said.first
    assert "Common practice is to repeat a titration after any disconnection" in said.first


def test_a_last_breath_without_volume_is_not_lowered_on() -> None:
    said = asked(
        OPERATION, [*rows_down(DOWN[:2], spo2=93.0, map=72.0), row(stamp(3.9), "gone", expired=0.0)], now=stamp(4)
    )

    assert not_lowered(said)


def test_a_measured_peep_that_contradicts_the_setting_is_looked_at_first() -> None:
    said = asked(
        OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), row(stamp(7.9), "measured", peep=16.0)], now=stamp(8)
    )

    assert action(said) == "look-first"
    assert "Set PEEP is 12 cmH2O, but 16 cmH2O was measured" in said.first


def test_a_measured_peep_that_wanders_is_none_of_that() -> None:
    said = asked(
        OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), row(stamp(7.9), "measured", peep=12.8)], now=stamp(8)
    )

    assert action(said) == "lower"


def test_a_ventilator_clock_that_runs_ahead_leaves_open_what_is_set() -> None:
    ahead = row(stamp(16), "ahead", peep_set=10.0)

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), ahead], now=stamp(8))

    assert action(said) == "look-first"
    assert "What is set now is not known" in said.first


def test_two_settings_of_one_instant_leave_open_what_is_set() -> None:
    two = [row(stamp(7.9), "one", peep_set=10.0), row(stamp(7.9), "two", peep_set=14.0)]

    assert action(asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), *two], now=stamp(8))) == "look-first"


def test_a_preliminary_peep_that_says_what_is_known_anyway_is_no_doubt() -> None:
    same = {**row(stamp(7.9), "same", peep=12.3), "status": "preliminary"}

    assert action(asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), same], now=stamp(8))) == "lower"


def test_a_monitor_whose_clock_is_minutes_slow_does_not_count_as_checked() -> None:
    slow = [row(stamp(minute - 8), f"m{minute}", spo2=93.0) for minute in range(9)]

    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), *slow], now=stamp(8))

    assert criterion(said, "spo2-low") == "criterion-not-checked"


def test_a_monitor_whose_clock_is_minutes_slow_does_not_hide_a_low_saturation() -> None:
    slow = [row(stamp(minute - 8), f"m{minute}", spo2=93.0 - 2 * minute) for minute in range(9)]

    assert not_lowered(asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), *slow], now=stamp(8)))


def slow_monitor(lag: float, low_at: float, *, until: float = 8.0) -> list[Json]:
    """A reading every half minute, stamped so many minutes early; the one at this true minute is low."""
    halves = [number / 2 for number in range(round(2 * until) + 1)]
    return [row(stamp(at - lag), f"m{at:g}", spo2=80.0 if at == low_at else 93.0) for at in halves]


def test_a_low_saturation_of_the_trial_is_not_hidden_by_newer_good_ones_of_a_slow_monitor() -> None:
    # Low in the third minute, one minute after the trial began, and stamped before it began.
    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), *slow_monitor(4.0, 3.0)], now=stamp(8))

    assert action(said) == "look-first"
    assert "SpO2 80 % was read at 09:59 UTC, below the stop limit of 85 %" in said.first
    assert "the newest of its readings is 4 min old: if that clock is slow, it came during the trial" in said.first


def test_a_monitor_that_is_on_time_shows_that_a_low_saturation_before_the_trial_was_before_it() -> None:
    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), *slow_monitor(0.0, 1.0)], now=stamp(8))

    assert action(said) == "lower"


def test_a_low_saturation_long_before_the_trial_is_none_of_it_however_slow_the_monitor() -> None:
    low = row(stamp(-20), "low", spo2=80.0)

    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), low, *slow_monitor(4.0, -1.0)], now=stamp(8))

    assert action(said) == "lower"


@given(st.sampled_from([0.0, 1.5, 3.0, 4.5, 6.0, 9.0, 14.0]), st.sampled_from([2.5, 4.0, 5.5, 7.0]))
@settings(max_examples=28, deadline=None)
def test_no_low_saturation_of_the_trial_is_lowered_on_however_slow_the_monitor(lag: float, low_at: float) -> None:
    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), *slow_monitor(lag, low_at)], now=stamp(8), sound=False)

    assert action(said) != "lower"


def test_more_oxygen_on_the_way_down_is_said_before_anything_is_lowered() -> None:
    raised = [row(stamp(-1), "before", fio2=50.0), row(stamp(5), "more", fio2=90.0)]

    said = asked(OPERATION, [*raised, *rows_down(DOWN[:4], spo2=93.0, map=72.0)], now=stamp(8))

    assert "FiO2 was raised from 50 to 90 % on the way down" in said.first


def test_a_drop_larger_than_a_step_is_said_to_be_one() -> None:
    said = asked(OPERATION, [*rows_down(DOWN[:3]), row(stamp(6), "drop", peep_set=5.0)], now=stamp(7))

    assert action(said) == "trial-ended"
    assert any("was last lowered from 14 to 5 cmH2O, more than the 6 cmH2O of a step" in note for note in said.notes)


def test_the_hour_that_comes_twice_in_autumn_is_two_hours() -> None:
    # 02:55 summer time is followed by 02:00 winter time five minutes later.
    summer = rows_down(DOWN[:2], spo2=93.0, map=72.0, name="summer")
    winter = rows_down(DOWN[2:4], start=4, spo2=93.0, map=72.0, name="winter")
    for place, one in enumerate([*summer, *winter]):
        when = str(one["effectiveDateTime"])
        minute, second = int(when[14:16]), when[17:19]
        zone = "+02:00" if place < len(summer) else "+01:00"
        clock = f"02:{56 + minute:02d}" if place < len(summer) else f"02:{minute - 4:02d}"
        one["effectiveDateTime"] = f"2026-10-25T{clock}:{second}{zone}"

    said = asked(OPERATION, [*summer, *winter], now="2026-10-25T02:04:00+01:00")

    assert value_of(said.observation("next-step"), "next-peep") == 10.0


RETRACTED = ("entered-in-error", "cancelled")


@st.composite
def odd_saturations(draw: st.DrawFn) -> list[Json]:
    """Up to four SpO2 of a trial of eight minutes, each good or bad in some way that the field knows."""
    found = []
    for number in range(draw(st.integers(1, 4))):
        value = draw(st.sampled_from([62.0, 78.0, 84.0, 86.0, 93.0, 99.0]))
        comparator = draw(st.sampled_from(["", "", "", "<", ">", "<=", ">="]))
        status = draw(st.sampled_from(["final", "final", "amended", "preliminary", "unknown", *RETRACTED]))
        minute = draw(st.sampled_from([-30.0, 0.5, 2.2, 5.1, 7.3, 7.9, 9.0, 14.0]))
        quantity: Json = {"value": value}
        if draw(st.integers(0, 3)):
            quantity = percent(value)
        if comparator:
            quantity["comparator"] = comparator
        found.append(spo2(minute + number / 60, f"odd-{number}", quantity, status=status))
    return found


def could_be_low(one: Any) -> bool:  # noqa: ANN401
    quantity = one["valueQuantity"]
    return bool(quantity["value"] < 85.0 or quantity.get("comparator", "").startswith("<"))


def plain(one: Any) -> bool:  # noqa: ANN401
    usable = one["status"] in ("final", "amended") and one["effectiveDateTime"] <= stamp(13)
    return usable and "code" in one["valueQuantity"] and "comparator" not in one["valueQuantity"]


@given(odd_saturations())
@settings(max_examples=150, deadline=None)
def test_no_saturation_that_could_be_low_is_ever_lowered_on(odd: list[Any]) -> None:
    said = asked(OPERATION, [*rows_down(DOWN[:4], map=72.0), *odd], now=stamp(8), sound=False)

    told = [one for one in odd if one["status"] not in RETRACTED and one["effectiveDateTime"] >= stamp(2)]
    latest = max((one["effectiveDateTime"] for one in told if plain(one)), default="")
    doubtful = [one for one in told if could_be_low(one) and (plain(one) or one["effectiveDateTime"] > latest)]
    if doubtful:
        assert not_lowered(said), odd


def test_the_same_readings_in_another_order_get_the_same_bytes() -> None:
    resources = [*rows_down(DOWN[:4], spo2=93.0, map=72.0), spo2(7.9, "odd", percent(78.0), status="preliminary")]

    first = asked(OPERATION, resources, now=stamp(8))
    later = asked(OPERATION, list(reversed(resources)), now=stamp(8))

    assert [resource for resource in first.resources if resource["resourceType"] != "OperationOutcome"] == [
        resource for resource in later.resources if resource["resourceType"] != "OperationOutcome"
    ]


def test_a_doubt_changes_the_identity_of_the_answer() -> None:
    plain = asked(OPERATION, rows_down(DOWN[:4], spo2=93.0, map=72.0), now=stamp(8))
    odd = spo2(7.9, "odd", percent(78.0), status="preliminary")

    doubtful = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), odd], now=stamp(8))

    assert (
        plain.of("GuidanceResponse")[0]["requestIdentifier"] != doubtful.of("GuidanceResponse")[0]["requestIdentifier"]
    )


def test_trapped_air_on_the_way_down_is_named_before_anything_is_lowered() -> None:
    trapped = [row(stamp(2 * place + 1.3), f"total-{place}", total=DOWN[place][0] + 6) for place in range(4)]

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), *trapped], now=stamp(8))

    assert action(said) == "lower"
    assert "Intrinsic PEEP was 6 cmH2O" in said.first


def test_where_closing_was_passed_the_suggestion_carries_what_the_titration_says_against_it() -> None:
    trapped = [row(stamp(2 * place + 1.3), f"total-{place}", total=DOWN[place][0] + 5) for place in range(6)]

    said = asked(OPERATION, [*rows_down(DOWN, spo2=93.0, map=72.0), *trapped], now=stamp(12))

    assert action(said) == "closing-passed"
    assert "Against it: intrinsic PEEP" in said.first


def test_end_tidal_carbon_dioxide_that_fell_by_half_is_looked_at_before_peep_is_lowered() -> None:
    halved = [row(stamp(2 * at + 1.3), f"gas-{at}", end_tidal=value) for at, value in enumerate((42, 41, 40, 18))]

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), *halved], now=stamp(8))

    assert not_lowered(said)
    assert "End-tidal carbon dioxide fell from 42 mmHg" in said.first


def test_a_leak_that_grows_on_the_way_down_is_named() -> None:
    leaking = [row(stamp(2 * at + 1.3), f"in-{at}", inspired=value) for at, value in enumerate((402, 402, 440, 450))]

    said = asked(OPERATION, [*rows_down(DOWN[:4], spo2=93.0, map=72.0), *leaking], now=stamp(8))

    assert "The leak grows along the limb" in said.first
