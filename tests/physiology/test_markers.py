"""Other markers of closing, each by its own rule, and what is said when they disagree."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.after.markers import Marker, Markers, Meaning, first_lasting_fall, read_markers
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.words.messages import spell, spelled
from trials import START_S, STEP_S, closing_at, reading, staircase_down, trial_of

STEADY = (95.0,) * 8


def at_each_step(quantity: Quantity, values: Sequence[float | None]) -> list[Reading]:
    """One reading near the end of each step."""
    return [
        reading(quantity, value, START_S + index * STEP_S + 110, 500 + index)
        for index, value in enumerate(values)
        if value is not None
    ]


def markers_of(*extra: Reading, closing_cmh2o: float | None = 10, limb: list[Reading] | None = None) -> Markers:
    readings = [*(limb or staircase_down()), *extra]
    found = closing_at(closing_cmh2o, verdict=Verdict.FOUND if closing_cmh2o else Verdict.NOT_REACHED)
    return read_markers(readings, trial_of(readings), found)


def named(markers: Markers) -> dict[str, float | None]:
    return {marker.slug: marker.peep_cmh2o for marker in markers.markers}


def marker(markers: Markers, slug: str) -> Marker:
    return next(one for one in markers.markers if one.slug == slug)


def test_a_fall_of_saturation_by_one_and_by_two_per_cent_name_their_own_levels() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (95, 95, 95, 95, 94, 93, 92, 91)))

    assert (named(markers)["spo2-fall-1"], named(markers)["spo2-fall-2"]) == (12, 10)
    assert "Hodgson" in marker(markers, "spo2-fall-1").citation
    assert "PHARLAP" in marker(markers, "spo2-fall-2").citation


def test_a_saturation_that_comes_back_names_no_closing() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (95, 95, 92, 95, 95, 95, 95, 95)))

    assert named(markers)["spo2-fall-2"] is None
    assert "did not get worse for good" in spelled(marker(markers, "spo2-fall-2").sentences)


def test_a_fall_at_the_very_last_step_is_not_known_to_last() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (95, 95, 95, 95, 95, 95, 95, 92)))

    assert "whether that lasts is not known" in spelled(marker(markers, "spo2-fall-2").sentences)


def test_a_saturation_at_the_peep_set_after_the_trial_is_none_of_its_last_step() -> None:
    falling = at_each_step(Quantity.SPO2, (95, 95, 95, 95, 94, 93, 92, 91))
    end_s = START_S + 8 * STEP_S
    after = [reading(Quantity.PEEP_SET, 14.0, end_s, 900), reading(Quantity.SPO2, 96.0, end_s + 240, 901)]

    markers = markers_of(*falling, *after)

    assert (named(markers)["spo2-fall-1"], named(markers)["spo2-fall-2"]) == (12, 10)
    assert 901 not in marker(markers, "spo2-fall-2").sources


def test_a_gas_that_comes_late_at_the_last_peep_still_belongs_to_it() -> None:
    late = reading(Quantity.PAO2, 60.0, START_S + 8 * STEP_S + 240, 901)

    markers = markers_of(*at_each_step(Quantity.PAO2, (90, 90, 90, 90, 90, 90, 88)), late)

    assert named(markers)["pao2-fall"] == 6


def test_a_saturation_above_97_is_said_to_tell_little() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (100, 100, 100, 100, 99, 98, 97, 96)))

    assert "hardly moves with oxygenation" in spelled(marker(markers, "spo2-fall-2").sentences)


def test_oxygenation_is_not_a_marker_while_fio2_changes() -> None:
    markers = markers_of(
        *at_each_step(Quantity.SPO2, STEADY), *at_each_step(Quantity.FIO2_SET, (0.6, *[None] * 5, 0.8, None))
    )

    assert "spo2-fall-1" not in named(markers)
    assert "FiO2 was changed during the limb, so SpO2 is not read as a marker." in map(spell, markers.not_recorded)


def test_an_fio2_changed_just_before_the_second_step_is_seen_though_one_value_was_charted_in_the_limb() -> None:
    changed = [
        reading(Quantity.FIO2_SET, 0.6, START_S - 1800, 700),
        reading(Quantity.FIO2_SET, 0.8, START_S + STEP_S + 30, 701),
    ]

    markers = markers_of(*at_each_step(Quantity.SPO2, STEADY), *changed)

    assert "FiO2 was changed during the limb, so SpO2 is not read as a marker." in map(spell, markers.not_recorded)


def test_a_monitor_beside_the_setting_is_no_change_of_fio2() -> None:
    beside = [
        *at_each_step(Quantity.FIO2_SET, (0.6,) * 8),
        *at_each_step(Quantity.FIO2_MEASURED, (0.58, 0.59, 0.58, 0.6, 0.58, 0.58, 0.59, 0.58)),
    ]

    assert "spo2-fall-1" in named(markers_of(*at_each_step(Quantity.SPO2, STEADY), *beside))


def test_where_fio2_was_not_sent_nobody_says_that_it_stayed_the_same() -> None:
    unknown = markers_of(*at_each_step(Quantity.SPO2, STEADY))
    known = markers_of(*at_each_step(Quantity.SPO2, STEADY), *at_each_step(Quantity.FIO2_SET, (0.6,) * 8))

    assert "so it is not known whether it stayed the same" in spelled(marker(unknown, "spo2-fall-1").sentences)
    assert "stayed the same" not in spelled(marker(known, "spo2-fall-1").sentences)


def test_oxygen_and_carbon_dioxide_by_our_own_rules_say_that_they_are_ours() -> None:
    markers = markers_of(
        *at_each_step(Quantity.PAO2, (120, None, 118, None, 115, None, 70, 65)),
        *at_each_step(Quantity.PACO2, (45, None, 44, None, 45, None, 52, 56)),
    )

    assert (named(markers)["pao2-fall"], named(markers)["paco2-rise"]) == (8, 8)
    assert "no published rule was read" in marker(markers, "pao2-fall").citation


def test_driving_pressure_at_constant_volume_is_one_marker_with_compliance_and_names_no_closing_of_its_own() -> None:
    markers = markers_of(limb=staircase_down(compliances=(38, 40, 41, 42, 41.5, 37, 31, 27)))

    assert named(markers)["driving-pressure-rise"] is None
    assert "the same measurement as compliance" in spelled(marker(markers, "driving-pressure-rise").sentences)


def test_driving_pressure_says_nothing_while_volume_changes() -> None:
    limb = [
        reading(one.quantity, one.value * 1.2, one.start_s, one.source)
        if one.quantity is Quantity.TIDAL_VOLUME_EXPIRED and one.start_s > START_S + 4 * STEP_S
        else one
        for one in staircase_down()
    ]

    assert "Tidal volume was not constant" in spelled(markers_of(limb=limb).not_recorded)


def test_the_level_of_best_compliance_is_not_a_closing_level() -> None:
    best = marker(markers_of(), "best-compliance")

    assert (best.peep_cmh2o, best.meaning) == (14, Meaning.BEST)
    assert "must not be added to the other" in spelled(best.sentences)


def test_markers_within_one_step_of_each_other_agree() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (95, 95, 95, 95, 95, 93, 92, 91)))

    assert markers.agree is True


def test_markers_that_disagree_are_said_to_in_plain_words() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (95, 95, 92, 91, 90, 89, 88, 88)))

    assert markers.agree is False
    assert "The markers disagree about closing (cmH2O): compliance 10, SpO2 fall of 1 % 16" in spell(markers.sentence)
    assert "no single marker decides" in spell(markers.sentence)


def test_driving_pressure_alone_neither_agrees_nor_disagrees_with_compliance() -> None:
    markers = markers_of()

    assert markers.agree is None


def test_one_closing_level_alone_is_not_compared() -> None:
    flat = staircase_down(compliances=(42,) * 8)

    markers = markers_of(closing_cmh2o=None, limb=flat)

    assert markers.agree is None


def test_a_marker_recorded_at_two_steps_only_is_not_read() -> None:
    markers = markers_of(*at_each_step(Quantity.SPO2, (95, 90, *[None] * 6)))

    assert "Usable SpO2 was recorded at 2 steps of the limb; at least 3 are needed." in map(spell, markers.not_recorded)


def test_a_step_at_which_a_marker_was_not_recorded_is_named() -> None:
    whole = markers_of(*at_each_step(Quantity.PAO2, (90, 90, 90, 90, 60, 60, 60, 60)))
    holed = markers_of(*at_each_step(Quantity.PAO2, (90, 90, 90, 90, None, 60, 60, None)))

    assert (named(whole)["pao2-fall"], named(holed)["pao2-fall"]) == (12, 10)
    assert "not recorded" not in spelled(marker(whole, "pao2-fall").sentences)
    assert "It was not recorded at 12 and 6 cmH2O, so that a change there does not show." in (
        spelled(marker(holed, "pao2-fall").sentences)
    )


def test_a_marker_that_was_not_recorded_at_the_lowest_step_says_so_where_it_names_no_closing() -> None:
    holed = markers_of(*at_each_step(Quantity.PACO2, (40, 40, 40, 40, 40, 40, 40, None)))

    assert marker(holed, "paco2-rise").peep_cmh2o is None
    assert "It was not recorded at 6 cmH2O" in spelled(marker(holed, "paco2-rise").sentences)


@pytest.mark.parametrize(
    ("worse", "expected"),
    [
        ([False, False, True, True], 2),
        ([False, True, False, True], 3),
        ([False, True, True, False], None),
        ([False, False, False], None),
        ([], None),
    ],
)
def test_only_a_fall_that_stays_counts(worse: list[bool], expected: int | None) -> None:
    assert first_lasting_fall(worse) == expected


@given(st.lists(st.booleans(), max_size=12))
def test_every_step_from_the_named_one_on_is_worse_and_the_one_before_is_not(worse: list[bool]) -> None:
    index = first_lasting_fall(worse)
    start = len(worse) if index is None else index

    assert all(worse[start:])
    assert start == 0 or not worse[start - 1]
