"""Stop criteria: which reading met which limit, and what nobody could check."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.readings import Quantity, Reading, UnusableReading, latest_doubt
from ebbmark.physiology.stop.criteria import StopAnswer, StopCriterion, check_stop
from ebbmark.physiology.stop.limits import (
    DEFAULT_STOP_LIMITS,
    Limit,
    Rhythm,
    RhythmCode,
    Rhythms,
    RhythmsThatStop,
    StopLimits,
    UnreadRhythm,
    faults_of_limits,
    not_readable,
    rhythm_changes,
    rhythm_is_current,
    rhythm_state,
    signed_and_long_known,
)
from ebbmark.words.messages import spell, spelled
from ebbmark.words.stopping import not_checked_words, stop_answer_words, stop_words
from trials import START_S, reading

SIGNED = replace(
    DEFAULT_STOP_LIMITS,
    version="icu-7",
    signed_by="Dr. Ines Invented",
    signed_on="2026-03-01",
    mean_arterial_pressure_below_mmhg=Limit(60.0, "unit guide"),
    mean_arterial_pressure_fall_mmhg=Limit(20.0, "unit guide"),
    heart_rate_below_per_min=Limit(50.0, "unit guide"),
    heart_rate_above_per_min=Limit(140.0, "unit guide"),
)


AT_S = START_S + 120.0


def checked(*readings: Reading, limits: StopLimits = SIGNED) -> StopAnswer:
    return check_stop(readings, limits, since_s=START_S, at_s=AT_S)


def met(answer: StopAnswer) -> list[StopCriterion]:
    return [one.criterion for one in answer.met]


def volumes(*expired: float, start_s: float = START_S) -> list[Reading]:
    return [
        reading(Quantity.TIDAL_VOLUME_EXPIRED, value, start_s + 10 * index, 50 + index)
        for index, value in enumerate(expired)
    ]


def test_a_saturation_below_85_stops_and_names_its_reading() -> None:
    answer = checked(reading(Quantity.SPO2, 91.0, START_S, 4), reading(Quantity.SPO2, 83.0, START_S + 60, 7))

    assert met(answer) == [StopCriterion.SATURATION]
    assert (answer.met[0].source, answer.met[0].value, answer.met[0].still) == (7, 83.0, True)
    assert "83 %" in stop_answer_words(answer)
    assert "below 85 %" in stop_answer_words(answer)


def test_a_saturation_at_its_limit_does_not_stop() -> None:
    assert checked(reading(Quantity.SPO2, 85.0, START_S)).met == ()


def test_a_criterion_that_was_met_and_passed_is_still_told() -> None:
    answer = checked(reading(Quantity.SPO2, 83.0, START_S, 1), reading(Quantity.SPO2, 92.0, START_S + 60, 2))

    assert met(answer) == [StopCriterion.SATURATION]
    assert not answer.met[0].still
    assert "no longer" in stop_answer_words(answer)


def test_a_reading_from_before_the_trial_does_not_stop_it() -> None:
    assert checked(reading(Quantity.SPO2, 80.0, START_S - 600)).met == ()


def test_a_quantity_that_no_limit_was_signed_for_is_not_checked_and_that_is_said() -> None:
    answer = checked(
        reading(Quantity.HEART_RATE, 190.0, START_S),
        limits=replace(SIGNED, heart_rate_below_per_min=None, heart_rate_above_per_min=None),
    )

    unchecked = {one.criterion: not_checked_words(one, answer) for one in answer.not_checked}
    assert answer.met == ()
    assert "No limit for high heart rate has been signed" in unchecked[StopCriterion.HEART_RATE_HIGH]


DEFAULTS_ON_BOTH_SIDES = (
    (Quantity.SPO2, 84.9, 85.0, StopCriterion.SATURATION, "Pilbeam"),
    (Quantity.MEAN_ARTERIAL_PRESSURE, 59.0, 60.0, StopCriterion.MEAN_ARTERIAL_PRESSURE, "this project's own choice"),
    (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, 89.0, 90.0, StopCriterion.SYSTOLIC_PRESSURE, "Pilbeam"),
    (Quantity.HEART_RATE, 39.0, 40.0, StopCriterion.HEART_RATE_LOW, "this project's own choice"),
    (Quantity.HEART_RATE, 151.0, 150.0, StopCriterion.HEART_RATE_HIGH, "this project's own choice"),
    (Quantity.PEAK_PRESSURE, 51.0, 50.0, StopCriterion.PEAK_PRESSURE, "common practice, no published source"),
)


@pytest.mark.parametrize(("quantity", "beyond", "at_limit", "criterion", "source"), DEFAULTS_ON_BOTH_SIDES)
def test_each_default_stops_beyond_its_limit_and_not_at_it_and_names_its_source(
    quantity: Quantity, beyond: float, at_limit: float, criterion: StopCriterion, source: str
) -> None:
    answer = checked(reading(quantity, beyond, START_S), limits=DEFAULT_STOP_LIMITS)

    assert met(answer) == [criterion]
    assert source in stop_answer_words(answer)
    assert "no clinician of this site has signed" in spell(answer.limits.signature)
    assert checked(reading(quantity, at_limit, START_S), limits=DEFAULT_STOP_LIMITS).met == ()


def test_signed_limits_are_checked_and_the_signature_is_in_the_answer() -> None:
    answer = checked(
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 58.0, START_S, 1), reading(Quantity.HEART_RATE, 150.0, START_S, 2)
    )

    assert met(answer) == [StopCriterion.MEAN_ARTERIAL_PRESSURE, StopCriterion.HEART_RATE_HIGH]
    assert spell(answer.limits.signature).startswith(
        "Stop limits version icu-7, signed by Dr. Ines Invented on 2026-03-01."
    )


def test_a_fall_of_arterial_pressure_is_measured_from_before_the_trial() -> None:
    answer = checked(
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 90.0, START_S - 300, 1),
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 66.0, START_S + 60, 2),
    )

    assert met(answer) == [StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL]
    assert "from 90 to 66 mmHg" in stop_answer_words(answer)


def test_a_pressure_of_the_very_start_of_the_trial_is_not_one_from_before_it() -> None:
    pressures = [
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, value, START_S + at_s) for value, at_s in ((100, 0), (75, 60))
    ]

    assert StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL not in met(checked(*pressures))


def test_a_quantity_that_was_not_sent_is_not_checked() -> None:
    answer = checked(reading(Quantity.SPO2, 92.0, START_S))

    assert StopCriterion.HEART_RATE_LOW in [one.criterion for one in answer.not_checked]
    assert [one.criterion for one in answer.not_met] == [StopCriterion.SATURATION]


def test_nothing_sent_is_not_called_safe() -> None:
    answer = checked()

    assert answer.not_met == ()
    assert "None of the 10 stop criteria could be checked" in stop_answer_words(answer)


def test_rhythm_and_signs_of_a_pneumothorax_are_left_to_the_bedside_each_time() -> None:
    assert "These readings do not show a new arrhythmia or signs of a pneumothorax" in stop_answer_words(
        checked(reading(Quantity.SPO2, 92.0, START_S))
    )


def test_expired_volume_that_halves_and_more_is_a_loss() -> None:
    assert met(checked(*volumes(420, 418, 424, 190))) == [StopCriterion.VOLUME_LOST]


def test_a_volume_that_shrinks_with_closing_is_not_a_sudden_loss() -> None:
    assert met(checked(*volumes(420, 410, 380, 350, 320))) == []


def test_a_smaller_volume_after_pressure_was_lowered_is_not_a_loss() -> None:
    readings = [
        reading(Quantity.PRESSURE_ABOVE_PEEP_SET, 30.0, START_S, 1),
        *volumes(900, 905, 898),
        reading(Quantity.PRESSURE_ABOVE_PEEP_SET, 14.0, START_S + 60, 2),
        *volumes(420, 418, 422, start_s=START_S + 70),
    ]

    assert met(checked(*readings)) == []


def test_expired_well_below_inspired_is_an_air_leak_pattern() -> None:
    answer = checked(
        reading(Quantity.TIDAL_VOLUME_INSPIRED, 420.0, START_S, 9),
        reading(Quantity.TIDAL_VOLUME_EXPIRED, 300.0, START_S, 9),
    )

    assert met(answer) == [StopCriterion.AIR_LEAK]
    assert "300 mL expired of 420 mL inspired" in stop_answer_words(answer)


def test_a_few_millilitres_between_inspired_and_expired_are_no_leak() -> None:
    answer = checked(
        reading(Quantity.TIDAL_VOLUME_INSPIRED, 420.0, START_S, 9),
        reading(Quantity.TIDAL_VOLUME_EXPIRED, 405.0, START_S, 9),
    )

    assert StopCriterion.AIR_LEAK in [one.criterion for one in answer.not_met]


def test_a_peak_above_50_stops_and_says_that_the_number_is_common_practice() -> None:
    answer = checked(reading(Quantity.PEAK_PRESSURE, 52.0, START_S, 3), limits=DEFAULT_STOP_LIMITS)

    assert met(answer) == [StopCriterion.PEAK_PRESSURE]
    assert "common practice, no published source" in stop_answer_words(answer)


def test_the_words_for_a_plan_name_every_criterion_with_source_or_say_that_none_was_signed() -> None:
    words = stop_words(DEFAULT_STOP_LIMITS)

    assert len(words) == len(StopCriterion) + 1
    assert sum("no limit signed" in line for line in words) == 1


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (replace(SIGNED, spo2_below_percent=Limit(0.85, "slip")), "accepted is 50 to 100"),
        (replace(SIGNED, mean_arterial_pressure_below_mmhg=Limit(8.0, "kPa")), "accepted is 30 to 120"),
        (replace(SIGNED, spo2_below_percent=Limit(85.0, " ")), "names no source"),
        (replace(SIGNED, signed_on=""), "both a name and a date"),
        (replace(SIGNED, version=""), "no version"),
        (
            replace(SIGNED, heart_rate_below_per_min=Limit(110.0, "a"), heart_rate_above_per_min=Limit(100.0, "b")),
            "not below the upper",
        ),
    ],
)
def test_a_faulty_set_of_limits_is_refused_with_the_reason(limits: StopLimits, words: str) -> None:
    assert words in spelled(faults_of_limits(limits))


def test_the_defaults_and_the_signed_example_are_without_fault() -> None:
    assert faults_of_limits(DEFAULT_STOP_LIMITS) == faults_of_limits(SIGNED) == ()


@given(st.permutations(list(range(6))))
def test_the_order_in_which_readings_arrive_does_not_matter(order: list[int]) -> None:
    readings = [
        *(reading(Quantity.SPO2, value, START_S + 60 * i, i) for i, value in enumerate((92.0, 84.0, 90.0))),
        *(reading(Quantity.HEART_RATE, value, START_S + 60 * i, 3 + i) for i, value in enumerate((90.0, 150.0, 95.0))),
    ]

    assert checked(*(readings[index] for index in order)) == checked(*readings)


def test_how_often_a_criterion_was_met_is_told() -> None:
    once = checked(reading(Quantity.SPO2, 84.0, START_S, 1))
    twice = checked(reading(Quantity.SPO2, 84.0, START_S, 1), reading(Quantity.SPO2, 82.0, START_S + 60, 2))

    assert "met once" in stop_answer_words(once)
    assert "met 2 times" in stop_answer_words(twice)
    assert (twice.met[0].value, twice.met[0].source) == (82.0, 2)
    assert (twice.met[0].first_s, twice.met[0].last_s) == (START_S, START_S + 60)


def test_volumes_of_different_inputs_pair_within_half_a_minute_and_not_beyond() -> None:
    inspired = reading(Quantity.TIDAL_VOLUME_INSPIRED, 420.0, START_S, 1)

    near = checked(inspired, reading(Quantity.TIDAL_VOLUME_EXPIRED, 300.0, START_S + 30, 2))
    far = checked(inspired, reading(Quantity.TIDAL_VOLUME_EXPIRED, 300.0, START_S + 30.1, 2))

    assert met(near) == [StopCriterion.AIR_LEAK]
    assert StopCriterion.AIR_LEAK in [one.criterion for one in far.not_checked]


def test_a_fall_of_arterial_pressure_is_given_as_its_size() -> None:
    answer = checked(
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 90.0, START_S - 300, 1),
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 66.0, START_S + 60, 2),
    )

    assert answer.met[0].value == 24.0


def test_a_pressure_that_no_signed_limit_judges_is_shown_all_the_same() -> None:
    unsigned = replace(SIGNED, mean_arterial_pressure_below_mmhg=None, heart_rate_above_per_min=None)
    answer = checked(
        reading(Quantity.SPO2, 93.0, START_S, 1),
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 38.0, START_S + 10, 2),
        reading(Quantity.HEART_RATE, 185.0, START_S + 20, 3),
        limits=unsigned,
    )

    assert "the latest mean arterial pressure is 38 mmHg" in stop_answer_words(answer)
    assert "the latest heart rate is 185 /min" in stop_answer_words(answer)
    assert "so judge them at the bedside" in stop_answer_words(answer)


PRESSURE, SYSTOLIC = Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE


def pressures(*values: tuple[float, float], quantity: Quantity = PRESSURE) -> list[Reading]:
    """Each so many seconds from the start."""
    return [reading(quantity, value, START_S + at_s, 20 + index) for index, (at_s, value) in enumerate(values)]


@pytest.mark.parametrize(
    ("readings", "stops"),
    [
        (pressures((0, 75), (600, 19.9), (1200, 75)), False),  # ten minutes on either side: a line that was flushed
        (pressures((0, 75), (601, 19.9), (1200, 75)), True),
        (pressures((0, 75), (600, 19.9), (1201, 75)), True),
        (pressures((0, 60), (600, 19.9), (1200, 60)), False),  # at the limit is within it
        (pressures((0, 75), (600, 20), (1200, 75)), True),  # a pressure that a patient may have
        (pressures((0, 75), (600, 19.9)), True),
        (pressures((600, 19.9), (1200, 75)), True),
        (pressures((0, 75), (600, 19.9), (660, 19.9), (1200, 75)), True),
        (pressures((0, 120), (600, 19.9), (1200, 120), quantity=SYSTOLIC), False),
        (pressures((0, 90), (600, 19.9), (1200, 90), quantity=Quantity.HEART_RATE), True),  # no line to flush
    ],
)
def test_one_arterial_pressure_near_zero_between_two_good_ones_stops_nothing(
    readings: list[Reading], *, stops: bool
) -> None:
    answer = check_stop(readings, SIGNED, since_s=START_S, at_s=START_S + 1260)

    assert bool(answer.pressing) is stops
    assert bool(answer.not_pressing) is not stops


@pytest.mark.parametrize(("ago_s", "stops"), [(1799, True), (1800, True), (1801, False)])
def test_what_met_a_limit_half_an_hour_ago_and_no_longer_does_is_told_only(ago_s: float, *, stops: bool) -> None:
    at_s = START_S + 3600
    readings = [reading(Quantity.SPO2, 80, at_s - ago_s, 1), reading(Quantity.SPO2, 95, at_s - 10, 2)]

    answer = check_stop(readings, SIGNED, since_s=START_S, at_s=at_s)

    assert (bool(answer.pressing), bool(answer.not_pressing)) == (stops, not stops)


@pytest.mark.parametrize(("plateau", "found"), [(50.0, False), (50.1, True)])
def test_a_plateau_stands_for_a_peak_only_beyond_its_limit(plateau: float, *, found: bool) -> None:
    answer = checked(reading(Quantity.PLATEAU_PRESSURE, plateau, START_S + 60), limits=DEFAULT_STOP_LIMITS)

    assert (StopCriterion.PEAK_PRESSURE in met(answer)) is found
    assert (StopCriterion.PEAK_PRESSURE in [one.criterion for one in answer.not_checked]) is not found


@pytest.mark.parametrize(("old_s", "held"), [(300.0, True), (300.1, False)])
def test_a_reading_of_five_minutes_ago_still_shows_that_a_limit_is_kept(old_s: float, *, held: bool) -> None:
    at_s = START_S + 600
    answer = check_stop([reading(Quantity.SPO2, 92, at_s - old_s)], DEFAULT_STOP_LIMITS, since_s=START_S, at_s=at_s)

    assert (StopCriterion.SATURATION in [one.criterion for one in answer.not_met]) is held


@pytest.mark.parametrize(("volume", "lost"), [(200.0, False), (199.0, True)])
def test_half_of_the_usual_volume_is_kept_and_less_is_lost(volume: float, *, lost: bool) -> None:
    assert (StopCriterion.VOLUME_LOST in met(checked(*volumes(400, 400, volume)))) is lost


@pytest.mark.parametrize(("expired", "leaks"), [(320.0, False), (319.0, True)])
def test_a_fifth_of_a_breath_may_be_missing_and_more_is_a_leak(expired: float, *, leaks: bool) -> None:
    readings = [reading(Quantity.TIDAL_VOLUME_INSPIRED, 400, START_S, 9), *volumes(expired)]

    assert (StopCriterion.AIR_LEAK in met(checked(*readings))) is leaks


@pytest.mark.parametrize(("pressure", "fell"), [(70.0, False), (69.9, True)])
def test_a_fall_of_pressure_by_its_signed_limit_is_not_yet_more_than_it(pressure: float, *, fell: bool) -> None:
    answer = checked(*pressures((-60, 90), (60, pressure)))

    assert (StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL in met(answer)) is fell


def test_volumes_before_the_trial_alone_lose_nothing_in_it() -> None:
    before = volumes(420, 420, 100, start_s=START_S - 60)

    assert StopCriterion.VOLUME_LOST not in met(checked(*before))
    assert StopCriterion.VOLUME_LOST not in met(checked(*before, reading(Quantity.SPO2, 95, START_S)))


def test_the_first_volume_of_a_trial_is_held_against_those_before_it() -> None:
    before = volumes(420, 420, start_s=START_S - 60)

    assert StopCriterion.VOLUME_LOST in met(checked(*before, *volumes(100)))


@pytest.mark.parametrize("earlier", [1, 2])
def test_a_usual_volume_rests_on_two_at_least(earlier: int) -> None:
    assert (StopCriterion.VOLUME_LOST in met(checked(*volumes(*[420] * earlier, 100)))) is (earlier >= 2)


@pytest.mark.parametrize("doubted", [Quantity.SPO2, Quantity.HEART_RATE])
def test_what_cannot_be_used_is_named_with_its_own_criterion_only(doubted: Quantity) -> None:
    doubt = UnusableReading(doubted, None, "", START_S + 60, "", "It has no unit.")
    answer = check_stop([], SIGNED, since_s=START_S, at_s=AT_S, doubts=[doubt])
    (saturation,) = [one for one in answer.not_checked if one.criterion is StopCriterion.SATURATION]

    assert (saturation.doubt is doubt) is (doubted is Quantity.SPO2)


@pytest.mark.parametrize(("at_s", "kept"), [(-0.1, False), (0.0, True), (None, True)])
def test_what_could_not_be_used_before_the_trial_is_not_of_it(at_s: float | None, *, kept: bool) -> None:
    doubt = UnusableReading(Quantity.SPO2, None, "", None if at_s is None else START_S + at_s, "", "It has no unit.")

    assert (latest_doubt([doubt], Quantity.SPO2, since_s=START_S) is doubt) is kept


SYSTEM = "https://site.example/rhythms"


@pytest.mark.parametrize(
    ("code", "faulty"),
    [
        (RhythmCode(SYSTEM, "af", "atrial fibrillation"), False),
        (RhythmCode(f" {SYSTEM}", "af", "atrial fibrillation"), True),
        (RhythmCode("rhythms", "af", "atrial fibrillation"), True),
        (RhythmCode(SYSTEM, "af ", "atrial fibrillation"), True),
        (RhythmCode(SYSTEM, "af", ""), True),
        (RhythmCode(SYSTEM, "", "atrial fibrillation"), True),
        (RhythmCode("", "af", "atrial fibrillation"), True),
    ],
)
def test_a_signed_rhythm_that_could_never_be_met_is_refused(code: RhythmCode, *, faulty: bool) -> None:
    signed = replace(SIGNED, rhythms_that_stop=RhythmsThatStop((code,), "unit guide"))

    assert bool(faults_of_limits(signed)) is faulty


@pytest.mark.parametrize(
    ("field", "limits"),
    [
        ("heart rate", {"heart_rate_below_per_min": 100.0, "heart_rate_above_per_min": 100.0}),
        ("systolic", {"mean_arterial_pressure_below_mmhg": 80.0, "systolic_arterial_pressure_below_mmhg": 80.0}),
    ],
)
def test_limits_that_meet_leave_nothing_between_them(field: str, limits: dict[str, float]) -> None:
    signed = replace(SIGNED, **{name: Limit(value, "unit guide") for name, value in limits.items()})  # type: ignore[arg-type]

    assert field in spelled(faults_of_limits(signed))


@pytest.mark.parametrize(("value", "faulty"), [(50.0, False), (100.0, False), (49.9, True), (100.1, True)])
def test_a_limit_may_be_signed_from_end_to_end_of_its_range(value: float, *, faulty: bool) -> None:
    assert bool(faults_of_limits(replace(SIGNED, spo2_below_percent=Limit(value, "unit guide")))) is faulty


AF = RhythmCode(SYSTEM, "af", "atrial fibrillation")
SINUS = RhythmCode(SYSTEM, "sinus", "sinus rhythm")
STOPS = replace(SIGNED, rhythms_that_stop=RhythmsThatStop((AF,), "unit guide"))


def test_a_rhythm_off_the_list_is_named_in_its_own_words() -> None:
    listed = RhythmsThatStop((AF, SINUS), "unit guide")

    assert listed.named(Rhythm(START_S, (SINUS,), 1)) == "sinus rhythm"
    assert "without words" in spell(Rhythm(START_S, (RhythmCode(SYSTEM, "x"),), 1).words)


@pytest.mark.parametrize(("latest", "still"), [(AF, True), (SINUS, False)])
def test_a_new_rhythm_still_holds_only_while_it_is_the_latest(latest: RhythmCode, *, still: bool) -> None:
    rhythms = [Rhythm(START_S + at_s, (code,), 1) for at_s, code in ((-60, SINUS), (30, AF), (60, latest))]
    answer = check_stop([], STOPS, since_s=START_S, at_s=AT_S, rhythms=rhythms)

    assert [one.still for one in answer.met] == [still]


@pytest.mark.parametrize(("before_s", "told"), [(3600.0, False), (3600.1, True)])
def test_a_rhythm_charted_more_than_an_hour_before_the_trial_does_not_show_that_it_is_old(
    before_s: float, *, told: bool
) -> None:
    rhythms = [Rhythm(START_S - before_s, (AF,), 1), Rhythm(START_S, (AF,), 2)]

    assert bool(signed_and_long_known(rhythms, STOPS, since_s=START_S)) is told


@pytest.mark.parametrize(("unread_s", "open_one"), [(59.9, False), (60.0, True), (None, True)])
def test_a_rhythm_that_cannot_be_read_counts_until_one_is_read_after_it(
    unread_s: float | None, *, open_one: bool
) -> None:
    unread = UnreadRhythm(None if unread_s is None else START_S + unread_s, "it has no code")
    charted = Rhythms((Rhythm(START_S + 60, (SINUS,), 1),), (unread,))

    assert (not_readable(charted, since_s=START_S) is unread) is open_one


@pytest.mark.parametrize(("ago_s", "current"), [(300.0, True), (300.1, False)])
def test_a_rhythm_of_five_minutes_ago_is_current(ago_s: float, *, current: bool) -> None:
    at_s = START_S + 600

    assert rhythm_is_current([Rhythm(at_s - ago_s, (SINUS,), 1)], STOPS, since_s=START_S, at_s=at_s) is current


@pytest.mark.parametrize(("from_start_s", "during"), [(-0.1, False), (0.0, True)])
def test_a_rhythm_of_the_very_start_belongs_to_the_trial(from_start_s: float, *, during: bool) -> None:
    rhythms = [Rhythm(START_S - 60, (SINUS,), 1), Rhythm(START_S + from_start_s, (AF,), 2)]

    assert bool(rhythm_state(rhythms, STOPS, since_s=START_S, at_s=AT_S).new) is during
    assert bool(rhythm_changes(rhythms, since_s=START_S)) is during
    assert check_stop([], STOPS, since_s=START_S, at_s=AT_S, rhythms=rhythms).rhythm_charted is during
