"""During a trial: a vital sign that has a stop limit and was never sent keeps PEEP from being lowered."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bedside_builders import Said, asked, parameter, refused, row, rows_down, stamp, value_of
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit, StopLimits
from fhir_builders import Json

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5))
OPERATION = "next-step"
UNIT = "decided by the unit"
NOW = stamp(8)
WHO: Json = {"name": "acknowledged-by", "valueReference": {"display": "Dr A. Invented"}}

VITAL_LIMITS = (
    "spo2_below_percent",
    "mean_arterial_pressure_below_mmhg",
    "mean_arterial_pressure_fall_mmhg",
    "systolic_arterial_pressure_below_mmhg",
    "heart_rate_below_per_min",
    "heart_rate_above_per_min",
)


def signed(**limits: float) -> Site:
    """A site that signed these limits and no others."""
    given = {name: Limit(limits[name], UNIT) if name in limits else None for name in VITAL_LIMITS}
    named = {"version": "7", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01"}
    return Site(stop_limits=replace(DEFAULT_STOP_LIMITS, **named, **given))  # type: ignore[arg-type]


def after(*more: Json, site: Site = NO_SITE, **vitals: Any) -> Said:  # noqa: ANN401
    """The answer after four steps that bore these vital signs."""
    return asked(OPERATION, rows_down(DOWN, **vitals), *more, now=NOW, site=site)


def action(said: Said) -> str:
    return str(value_of(said.observation("next-step")))


def acknowledged(*names: str) -> list[Json]:
    found: list[Json] = [{"name": "acknowledged", "valueString": name} for name in names]
    return [*found, WHO]


def test_without_any_saturation_nobody_is_sent_to_a_lower_peep() -> None:
    said = after(map=72.0)

    step = said.observation("next-step")
    assert value_of(step) == "measure-first"
    assert value_of(step, "next-peep") is None
    assert value_of(step, "lowering-is-useful") is False
    assert said.first.startswith("Measure SpO2 before PEEP is lowered.")
    assert "A stop limit holds for it (SpO2 below 85 %)" in said.first
    assert "Look at the patient first" in said.first


def test_without_any_pressure_nobody_is_sent_to_a_lower_peep() -> None:
    said = after(spo2=93.0)

    assert action(said) == "measure-first"
    assert "easure arterial pressure before PEEP is lowered" in said.first
    assert "systolic arterial pressure below 90 mmHg" in said.first


def test_everything_that_is_missing_is_named_at_once() -> None:
    assert after().first.startswith("Measure SpO2 and arterial pressure before PEEP is lowered.")


def test_no_next_level_is_named_where_nothing_may_be_lowered() -> None:
    assert "next step" not in after(map=72.0).first


def test_before_anybody_has_signed_a_mean_pressure_stands_for_the_systolic_one() -> None:
    said = after(spo2=93.0, map=72.0)

    assert action(said) == "lower"
    assert "No systolic arterial pressure was sent since the trial began: not checked." in said.bytes.decode()


def test_a_mean_pressure_that_stands_in_must_be_recent() -> None:
    early = row(stamp(2.2), "early", map=72.0)

    said = asked(OPERATION, [*rows_down(DOWN, spo2=93.0), early], now=NOW)

    assert action(said) == "measure-first"


def test_where_the_site_signed_a_mean_pressure_the_systolic_one_does_not_stand_for_it() -> None:
    site = signed(spo2_below_percent=88.0, mean_arterial_pressure_below_mmhg=65.0)

    assert action(after(spo2=93.0, systolic=120.0, site=site)) == "measure-first"
    assert action(after(spo2=93.0, map=72.0, site=site)) == "lower"


def test_of_two_signed_pressures_one_that_was_sent_is_enough() -> None:
    site = signed(mean_arterial_pressure_below_mmhg=65.0, systolic_arterial_pressure_below_mmhg=90.0)

    assert action(after(map=72.0, site=site)) == "lower"
    assert action(after(systolic=110.0, site=site)) == "lower"
    assert action(after(site=site)) == "measure-first"


def test_a_signed_limit_that_nothing_sent_can_be_held_against_is_told_first() -> None:
    late = row(stamp(7.8), "late", map=72.0)

    said = asked(
        OPERATION, [*rows_down(DOWN, spo2=93.0), late], now=NOW, site=signed(mean_arterial_pressure_fall_mmhg=15)
    )

    assert action(said) == "lower"
    assert (
        "A limit is signed but cannot be checked here, so watch at the bedside: fall of mean arterial "
        "pressure. Mean arterial pressure was not sent both before and since the trial began"
    ) in said.first


def test_a_signed_heart_rate_asks_for_a_heart_rate() -> None:
    site = signed(spo2_below_percent=88.0, heart_rate_above_per_min=140.0)

    said = after(spo2=93.0, map=72.0, site=site)

    assert action(said) == "measure-first"
    assert "easure heart rate before PEEP is lowered" in said.first
    assert action(after(spo2=93.0, map=72.0, heart_rate=96.0, site=site)) == "lower"


def test_what_nobody_signed_a_limit_for_stops_nothing_and_is_said_to_be_unchecked() -> None:
    site = signed(spo2_below_percent=88.0)

    said = after(spo2=93.0, site=site)

    assert action(said) == "lower"
    assert (
        "No limit is signed, so watch at the bedside: mean arterial pressure, "
        "fall of mean arterial pressure, systolic arterial pressure, low heart rate, high heart rate and new heart "
        "rhythm."
    ) in said.first


def test_a_systolic_pressure_that_the_site_left_unsigned_is_said_not_to_be_checked() -> None:
    site = signed(
        spo2_below_percent=88.0,
        mean_arterial_pressure_below_mmhg=65.0,
        mean_arterial_pressure_fall_mmhg=20.0,
        heart_rate_below_per_min=50.0,
        heart_rate_above_per_min=140.0,
    )
    before = row(stamp(-5), "before", map=74.0)

    rows = [before, *rows_down(DOWN, spo2=93.0, map=72.0, heart_rate=96.0, systolic=95.0)]
    said = asked(OPERATION, rows, now=NOW, site=site)

    assert action(said) == "lower"
    assert "o limit is signed, so watch at the bedside: systolic arterial pressure and new heart rhythm." in said.first
    assert "the latest systolic arterial pressure is 95 mmHg (less than a minute old)" in said.notes[1]


def test_where_all_numbers_are_signed_only_the_rhythm_is_said_to_be_unsigned() -> None:
    site = signed(
        spo2_below_percent=88.0,
        mean_arterial_pressure_below_mmhg=65.0,
        mean_arterial_pressure_fall_mmhg=20.0,
        systolic_arterial_pressure_below_mmhg=90.0,
        heart_rate_below_per_min=50.0,
        heart_rate_above_per_min=140.0,
    )

    said = after(spo2=93.0, map=72.0, heart_rate=96.0, site=site)

    assert "o limit is signed, so watch at the bedside: new heart rhythm." in said.first


def test_a_stop_criterion_comes_before_what_is_missing() -> None:
    assert action(after(spo2=80.0)) == "stop-criterion-met"


def test_a_thin_step_is_read_again_and_what_is_missing_is_told_with_it() -> None:
    new = row(stamp(8), "new-set", peep_set=10.0)

    said = asked(OPERATION, [*rows_down(DOWN), new], now=stamp(8.2))

    assert action(said) == "read-again"
    assert "Measure SpO2 and arterial pressure before PEEP is lowered." in said.first


# Acknowledged by name


def test_a_clinician_who_watches_what_is_not_sent_may_say_so_by_name() -> None:
    said = after(*acknowledged("spo2-not-sent"), map=72.0)

    assert action(said) == "lower"
    assert value_of(said.observation("next-step"), "next-peep") == 10.0
    assert said.first.startswith("Dr A. Invented has acknowledged that SpO2 is not sent: nothing here checks")
    assert "Not sent, so look before PEEP is lowered: SpO2, heart rate." in said.first


def test_the_answer_says_how_it_is_acknowledged() -> None:
    (told,) = [note for note in after(map=72.0).notes if "'spo2-not-sent'" in note]

    assert "acknowledged-by" in told


def test_each_is_acknowledged_by_its_own_name() -> None:
    said = after(*acknowledged("spo2-not-sent"))

    assert action(said) == "measure-first"
    assert said.first.startswith("Measure arterial pressure before PEEP is lowered.")
    assert action(after(*acknowledged("spo2-not-sent", "arterial-pressure-not-sent"))) == "lower"


def test_nobody_can_acknowledge_away_a_reading_that_was_sent() -> None:
    everything = acknowledged("spo2-not-sent", "arterial-pressure-not-sent", "heart-rate-not-sent")

    assert action(after(*everything, spo2=80.0, map=72.0)) == "stop-criterion-met"
    early = row(stamp(2.2), "early", spo2=93.0)
    assert action(asked(OPERATION, [*rows_down(DOWN, map=72.0), early], *everything, now=NOW)) == "read-again"


def test_what_was_acknowledged_and_is_sent_is_said_to_be_without_effect() -> None:
    said = after(*acknowledged("heart-rate-not-sent"), spo2=93.0, map=72.0)

    assert "without effect, because nothing depends on it: heart-rate-not-sent." in " ".join(said.notes)


@pytest.mark.parametrize("name", ["spo2", "raised-intracranial-pressure", "SpO2-not-sent"])
def test_a_name_that_means_nothing_here_is_refused_with_those_that_do(name: str) -> None:
    refusal = refused(OPERATION, rows_down(DOWN, spo2=93.0), *acknowledged(name), now=NOW)

    (problem,) = refusal.problems
    assert problem.expression == "Parameters.parameter[1]"
    assert "spo2-not-sent" in problem.accepted


def test_an_acknowledgement_needs_a_person() -> None:
    refusal = refused(OPERATION, rows_down(DOWN), acknowledged("spo2-not-sent")[0], now=NOW)

    assert "acknowledged-by" in refusal.problems[0].sentence


def test_an_acknowledgement_changes_the_identity_of_the_answer() -> None:
    plain, said = after(map=72.0), after(*acknowledged("spo2-not-sent"), map=72.0)

    assert plain.of("GuidanceResponse")[0]["requestIdentifier"] != said.of("GuidanceResponse")[0]["requestIdentifier"]


LIMITS = (
    "spo2_below_percent",
    "mean_arterial_pressure_below_mmhg",
    "systolic_arterial_pressure_below_mmhg",
    "heart_rate_above_per_min",
)
SIGNABLE = dict(zip(LIMITS, (88.0, 65.0, 90.0, 140.0), strict=True))
SENT = {"spo2": 93.0, "map": 74.0, "systolic": 118.0, "heart_rate": 90.0}


@given(st.sets(st.sampled_from(LIMITS)), st.sets(st.sampled_from(sorted(SENT))))
@settings(max_examples=60, deadline=None)
def test_nobody_is_sent_lower_while_a_signed_vital_sign_was_not_sent(limits: set[str], sent: set[str]) -> None:
    site = signed(**{name: SIGNABLE[name] for name in limits})

    said = after(site=site, **{name: SENT[name] for name in sent})

    wants_pressure = {"map"} if "mean_arterial_pressure_below_mmhg" in limits else set()
    wants_pressure |= {"systolic"} if "systolic_arterial_pressure_below_mmhg" in limits else set()
    blind = (
        ("spo2_below_percent" in limits and "spo2" not in sent)
        or (bool(wants_pressure) and not wants_pressure & sent)
        or ("heart_rate_above_per_min" in limits and "heart_rate" not in sent)
    )
    assert action(said) == ("measure-first" if blind else "lower")


def test_a_limit_that_nobody_signed_never_asks_for_anything() -> None:
    nothing = StopLimits("1", "", "", None, None, None, None, None, None, None, None)

    assert action(after(site=Site(stop_limits=nothing))) == "lower"


def test_the_start_that_was_asked_for_is_the_one_that_counts() -> None:
    early = row(stamp(-5), "before", spo2=93.0)
    rows = [early, *rows_down(DOWN, map=72.0)]

    assert action(asked(OPERATION, rows, now=NOW)) == "measure-first"
    # Begun earlier, so that the saturation is of the trial: it is old, and read again.
    assert action(asked(OPERATION, rows, parameter("trial-started", stamp(-6)), now=NOW)) == "read-again"
