"""From readings in any order to the steps of the decremental limb."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.curve import resolution_of
from ebbmark.physiology.trial.limb import PeepLevel, falling_runs, peep_levels, same_setting
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import ComplianceKind, NoTrial, NoTrialReason, Recipe, Trial, Unused
from ebbmark.words.messages import spell
from trials import START_S, STEP_S, charted_row, no_trial_of, reading, staircase_down, trial_of


def peeps_of(trial: Trial) -> list[float]:
    return [step.peep_cmh2o for step in trial.steps]


def reasons_of(unused: tuple[Unused, ...]) -> list[str]:
    return [spell(item.reason) for item in unused]


def without(readings: list[Reading], quantity: Quantity) -> list[Reading]:
    return [item for item in readings if item.quantity is not quantity]


def test_each_level_of_set_peep_is_a_step() -> None:
    assert peeps_of(trial_of(staircase_down())) == [20, 18, 16, 14, 12, 10, 8, 6]


def test_compliance_is_tidal_volume_over_plateau_less_peep() -> None:
    trial = trial_of(staircase_down(compliances=(30, 31, 32, 33, 34, 35, 36, 37)))

    assert [step.compliance_ml_per_cmh2o for step in trial.steps] == pytest.approx([30, 31, 32, 33, 34, 35, 36, 37])
    assert trial.kind is ComplianceKind.STATIC_COMPUTED


@given(seed=st.integers(0, 2**32 - 1))
def test_the_order_of_the_readings_is_irrelevant(seed: int) -> None:
    readings = staircase_down()
    shuffled = random.Random(seed).sample(readings, len(readings))

    assert trial_of(shuffled).steps == trial_of(readings).steps


def test_the_staircase_up_is_not_part_of_the_limb() -> None:
    up = [
        row for i, p in enumerate((10, 14, 18)) for row in charted_row(p, at_s=START_S + 120 * i, source=i, plateau=30)
    ]

    trial = trial_of(up + staircase_down(start_s=START_S + 600))

    assert peeps_of(trial) == [20, 18, 16, 14, 12, 10, 8, 6]
    assert reasons_of(trial.unused).count("before the decremental limb began") == 6


def test_reopening_after_the_trial_is_not_part_of_the_limb() -> None:
    after = charted_row(20, at_s=START_S + 8 * STEP_S + 30, source=900, plateau=35)

    trial = trial_of(staircase_down() + after)

    assert peeps_of(trial)[-1] == 6
    assert "after the decremental limb had ended" in reasons_of(trial.unused)


def test_of_two_trials_the_latest_is_read_and_the_earlier_one_named() -> None:
    trial = trial_of(
        staircase_down()
        + staircase_down(peeps=(22, 20, 18, 16, 14), compliances=(30, 31, 32, 33, 29), start_s=START_S + 90_000)
    )

    assert peeps_of(trial) == [22, 20, 18, 16, 14]
    assert [seen.slug for seen in trial.observed] == ["earlier-trial"]


def test_weaning_over_days_is_not_a_trial() -> None:
    days = [
        row
        for i, p in enumerate((16, 14, 12, 10, 8))
        for row in charted_row(p, at_s=START_S + 86_400 * i, source=i, plateau=p + 11)
    ]

    assert no_trial_of(days).reason is NoTrialReason.TOO_FEW_STEPS


def test_without_peep_there_is_no_trial() -> None:
    assert no_trial_of(without(staircase_down(), Quantity.PEEP_SET)).reason is NoTrialReason.NO_PEEP


def test_equal_peep_throughout_is_no_trial() -> None:
    rows = [row for i in range(6) for row in charted_row(10, at_s=START_S + 120 * i, source=i, plateau=22)]

    assert no_trial_of(rows).reason is NoTrialReason.ALL_PEEP_EQUAL


def test_rising_peep_alone_is_no_trial() -> None:
    rows = [
        row
        for i, p in enumerate((8, 10, 12, 14, 16))
        for row in charted_row(p, at_s=START_S + 120 * i, source=i, plateau=p + 12)
    ]

    assert no_trial_of(rows).reason is NoTrialReason.PEEP_ONLY_RISING


def test_two_steps_are_too_few_and_the_refusal_says_how_many_there_were() -> None:
    refusal = no_trial_of(staircase_down(peeps=(14, 12), compliances=(40, 35)))

    assert refusal.reason is NoTrialReason.TOO_FEW_STEPS
    assert "2 steps" in spell(refusal.found)


def test_three_steps_are_read_and_named_as_short() -> None:
    trial = trial_of(staircase_down(peeps=(14, 12, 10), compliances=(40, 41, 35)))

    assert peeps_of(trial) == [14, 12, 10]
    assert [seen.slug for seen in trial.observed] == ["short-trial"]


def test_three_steps_never_take_the_place_of_four() -> None:
    weaned = staircase_down(peeps=(12, 10, 8), compliances=(40, 40, 39), start_s=START_S + 90_000)

    assert peeps_of(trial_of(staircase_down() + weaned))[0] == 20


def test_a_repeat_after_an_open_circuit_is_the_trial_however_short() -> None:
    first = staircase_down(peeps=(16, 14, 12, 10, 8, 6), compliances=(38, 39, 39, 33, 28, 25))
    opened = reading(Quantity.PEEP_SET, 0, START_S + 6 * STEP_S + 60, 905)
    again_s = START_S + 6 * STEP_S + 1200
    second = staircase_down(peeps=(16, 14, 12, 10, 8), compliances=(38, 39, 33, 28, 25), start_s=again_s)

    trial = trial_of([*first, opened, *second])

    assert trial.steps[0].start_s == again_s
    assert [seen.slug for seen in trial.observed] == ["earlier-trial"]


def test_a_start_from_the_top_again_begins_another_trial_however_short() -> None:
    first = staircase_down(peeps=(16, 14, 12, 10, 8, 6), compliances=(38, 39, 39, 33, 28, 25))
    again_s = START_S + 6 * STEP_S + 1200
    second = staircase_down(peeps=(16, 14, 12, 10, 8), compliances=(38, 39, 33, 28, 25), start_s=again_s)

    assert trial_of(first + second).steps[0].start_s == again_s


@pytest.mark.parametrize(
    ("peeps", "begins"),
    [
        ((20, 18, 16, 14), False),  # not deep: three steps above the lowest of before
        ((20, 18, 16, 13), True),  # two and a half
        ((18, 16, 14, 12), True),  # from 2 cmH2O below the top
        ((17.5, 16, 14, 12), False),
        ((20, 17, 14, 11), True),  # steps of one and a half of those before
        ((20, 16.9, 13.8, 10.7), False),
    ],
)
def test_a_later_run_is_a_trial_of_its_own_from_the_top_far_down_and_in_fine_steps(
    peeps: tuple[float, ...], *, begins: bool
) -> None:
    first = staircase_down(peeps=(20, 18, 16, 14, 12, 10, 8), compliances=(38, 39, 39, 36, 33, 28, 25))
    again_s = START_S + 7 * STEP_S + 1200
    second = staircase_down(peeps=peeps, compliances=(38, 39, 33, 28), start_s=again_s)

    assert (trial_of([*first, *second]).steps[0].start_s == again_s) is begins


LONGEST_S = DEFAULT_PROTOCOL.longest_step_s


@pytest.mark.parametrize(
    ("lasted_s", "waited_s", "runs"),
    [
        ((60, 60, 60), 60, [(0, 3)]),
        ((60, LONGEST_S, 60), 60, [(0, 3)]),
        ((60, LONGEST_S + 1, 60), 60, [(0, 1), (2, 3)]),
        ((LONGEST_S + 1, 60, 60), 60, [(0, 3)]),  # of the first step only the wait counts
        ((LONGEST_S + 1, 60, 60), LONGEST_S, [(0, 3)]),
        ((60, 60, LONGEST_S + 1), LONGEST_S + 1, [(0, 2)]),  # a step by itself is no run
    ],
)
def test_a_step_that_lasts_longer_than_the_protocol_allows_ends_the_run(
    lasted_s: tuple[float, ...], waited_s: float, runs: list[tuple[int, int]]
) -> None:
    starts = [sum(lasted_s[:index]) for index in range(4)]
    plateaus = [PeepLevel(16.0 - 2 * index, at_s, at_s, ()) for index, at_s in enumerate(starts)]
    longest = lasted_s.index(max(lasted_s))
    last_s = [at_s - (waited_s if index == longest else min(60, waited_s)) for index, at_s in enumerate(starts[1:])]

    assert falling_runs(plateaus, [*last_s, starts[-1]], DEFAULT_PROTOCOL) == (runs, set())


def test_a_limb_without_any_compliance_is_refused() -> None:
    assert no_trial_of(without(staircase_down(), Quantity.PLATEAU_PRESSURE)).reason is NoTrialReason.NO_COMPLIANCE


def test_peak_pressure_stands_in_for_plateau_and_the_kind_says_so() -> None:
    rows = [
        replacement._replace(quantity=Quantity.PEAK_PRESSURE)
        if replacement.quantity is Quantity.PLATEAU_PRESSURE
        else replacement
        for replacement in staircase_down()
    ]

    trial = trial_of(rows)

    assert trial.kind is ComplianceKind.DYNAMIC_COMPUTED
    assert all(step.plateau_cmh2o is None and step.driving_pressure_cmh2o is None for step in trial.steps)


def test_kinds_of_compliance_are_never_mixed_along_one_curve() -> None:
    rows = [
        item._replace(quantity=Quantity.PEAK_PRESSURE)
        if item.quantity is Quantity.PLATEAU_PRESSURE and item.start_s < START_S + 4 * STEP_S
        else item
        for item in staircase_down()
    ]

    kinds = {trial_of(rows).kind}

    # Four of eight steps have a plateau, four a peak: whichever is taken, the other half is left out.
    assert kinds == {ComplianceKind.STATIC_COMPUTED}
    assert len(trial_of(rows).steps) == 4


def test_plateau_at_a_few_steps_does_not_displace_peak_at_all_of_them() -> None:
    rows = without(staircase_down(), Quantity.PLATEAU_PRESSURE)
    for index, peep in enumerate((20, 18, 16, 14, 12, 10, 8, 6)):
        at_s = START_S + index * STEP_S + 60
        rows.append(reading(Quantity.PEAK_PRESSURE, peep + 18, at_s, 500 + index))
        if index in (0, 4):
            rows.append(reading(Quantity.PLATEAU_PRESSURE, peep + 12, at_s, 600 + index))

    assert trial_of(rows).kind is ComplianceKind.DYNAMIC_COMPUTED


def test_charted_compliance_is_enough_where_nothing_else_was_sent() -> None:
    rows = [reading(Quantity.PEEP_SET, p, START_S + 120 * i, i) for i, p in enumerate((16, 14, 12, 10, 8))]
    rows += [
        reading(Quantity.COMPLIANCE_STATIC, c, START_S + 120 * i + 60, 50 + i)
        for i, c in enumerate((40, 41, 41, 36, 31))
    ]

    trial = trial_of(rows)

    assert trial.kind is ComplianceKind.STATIC_CHARTED
    assert [step.compliance_ml_per_cmh2o for step in trial.steps] == [40, 41, 41, 36, 31]


def test_a_charted_compliance_that_contradicts_the_computed_one_is_named() -> None:
    rows = [*staircase_down(), reading(Quantity.COMPLIANCE_STATIC, 70.0, START_S + 2 * STEP_S + 60, 999)]

    assert "charted-compliance-differs" in [seen.slug for seen in trial_of(rows).observed]


def test_total_peep_is_the_baseline_where_every_step_has_it() -> None:
    rows = staircase_down()
    rows += [
        reading(Quantity.PEEP_TOTAL, p + 1, START_S + i * STEP_S + 60, 700 + i)
        for i, p in enumerate((20, 18, 16, 14, 12, 10, 8, 6))
    ]

    assert [step.samples[0].baseline_cmh2o - step.peep_cmh2o for step in trial_of(rows).steps] == [1.0] * 8


def test_intrinsic_peep_of_some_steps_only_is_left_out_and_said_so() -> None:
    rows = [*staircase_down(), reading(Quantity.PEEP_INTRINSIC, 3.0, START_S + 60, 800)]

    trial = trial_of(rows)

    assert trial.steps[0].samples[0].baseline_cmh2o == 20
    assert "intrinsic-peep-partly-known" in [seen.slug for seen in trial.observed]


def test_readings_taken_while_the_lung_was_settling_do_not_count_where_later_ones_exist() -> None:
    early = reading(Quantity.PLATEAU_PRESSURE, 50.0, START_S + STEP_S + 10, 77)

    trial = trial_of([*staircase_down(), early])

    assert [item.reading for item in trial.unused] == [early]
    assert "settling" in spell(trial.unused[0].reason)


def rows_without_a_setting_of_their_own(gap_s: float) -> list[Reading]:
    """Panels that each chart PEEP too, three per step and equally spaced: when PEEP was changed is not known."""
    return [
        item
        for index in range(24)
        for item in charted_row(
            20 - 2 * (index // 3), at_s=START_S + gap_s * index, source=index, plateau=30 - 2 * (index // 3)
        )
    ]


def test_a_row_charted_long_after_the_step_above_counts() -> None:
    trial = trial_of(rows_without_a_setting_of_their_own(gap_s=70))

    assert [len(step.samples) for step in trial.steps] == [3] * 8


def test_a_row_charted_soon_after_the_step_above_does_not_count() -> None:
    trial = trial_of(rows_without_a_setting_of_their_own(gap_s=30))

    assert [len(step.samples) for step in trial.steps] == [3] + [2] * 7


def test_a_step_with_nothing_but_early_readings_keeps_them() -> None:
    early = replace(DEFAULT_PROTOCOL, settling_s=110.0)

    assert len(trial_of(staircase_down(), early).steps) == 8


def test_readings_of_the_recruitment_at_the_top_step_do_not_count() -> None:
    recruiting = charted_row(20, at_s=START_S + 31, source=901, plateau=50.0)

    trial = trial_of(staircase_down() + recruiting)

    assert trial.steps[0].plateau_cmh2o == pytest.approx(20 + 420 / 38)
    assert any("recruitment" in reason for reason in reasons_of(trial.unused))


def test_a_vanished_tidal_volume_is_an_open_circuit_and_its_reading_does_not_count() -> None:
    suction = charted_row(14, at_s=START_S + 3 * STEP_S + 80, source=902, plateau=15.0, volume=20.0)

    trial = trial_of(staircase_down() + suction)

    assert trial.steps[3].compliance_ml_per_cmh2o == pytest.approx(42)
    assert [(seen.slug, seen.peep_cmh2o) for seen in trial.observed] == [("disconnection", 14)]


def test_measured_peep_near_zero_is_an_open_circuit() -> None:
    trial = trial_of([*staircase_down(), reading(Quantity.PEEP_MEASURED, 0.0, START_S + 2 * STEP_S + 60, 903)])

    assert [(seen.slug, seen.peep_cmh2o) for seen in trial.observed] == [("disconnection", 16)]


def test_litres_under_the_unit_of_millilitres_are_left_out_and_named_and_not_put_right() -> None:
    slip = charted_row(14, at_s=START_S + 3 * STEP_S + 80, source=902, plateau=24.0, volume=0.42)

    trial = trial_of(staircase_down() + slip)

    assert [seen.slug for seen in trial.observed] == ["unit-slip"]
    assert trial.steps[3].compliance_ml_per_cmh2o == pytest.approx(42)
    assert any("litres under the unit mL" in reason for reason in reasons_of(trial.unused))


def test_one_low_breath_under_an_unchanged_pressure_voids_nothing() -> None:
    cough = charted_row(14, at_s=START_S + 3 * STEP_S + 80, source=902, plateau=24.0, volume=150.0)

    trial = trial_of(staircase_down() + cough)

    assert [seen.slug for seen in trial.observed] == ["odd-breath"]
    assert trial.steps[3].compliance_ml_per_cmh2o == pytest.approx(42)


def test_a_volume_that_is_gone_twice_is_an_open_circuit_although_pressures_are_charted() -> None:
    gone = [
        row
        for place, after_s in enumerate((70, 85))
        for row in charted_row(14, at_s=START_S + 3 * STEP_S + after_s, source=902 + place, plateau=24.0, volume=100.0)
    ]

    assert [seen.slug for seen in trial_of(staircase_down() + gone).observed] == ["disconnection"]


def test_a_measured_peep_that_a_full_breath_of_its_own_row_contradicts_voids_nothing() -> None:
    row = [*charted_row(14, at_s=START_S + 3 * STEP_S + 80, source=902, plateau=24.0)]
    row.append(reading(Quantity.PEEP_MEASURED, 3.0, START_S + 3 * STEP_S + 80, 902))

    assert [seen.slug for seen in trial_of(staircase_down() + row).observed] == ["measured-peep-contradicted"]


def test_a_measured_peep_in_kilopascal_under_the_unit_of_cmh2o_is_a_slip() -> None:
    row = [*charted_row(14, at_s=START_S + 3 * STEP_S + 80, source=902, plateau=24.0)]
    row.append(reading(Quantity.PEEP_MEASURED, 1.37, START_S + 3 * STEP_S + 80, 902))

    assert [seen.slug for seen in trial_of(staircase_down() + row).observed] == ["unit-slip"]


def test_one_setting_that_its_own_measured_peep_contradicts_breaks_no_limb() -> None:
    odd = [*charted_row(4, at_s=START_S + 3 * STEP_S + 80, source=902, plateau=24.0)]
    odd.append(reading(Quantity.PEEP_MEASURED, 14.0, START_S + 3 * STEP_S + 80, 902))

    trial = trial_of(staircase_down() + odd)

    assert peeps_of(trial) == [20, 18, 16, 14, 12, 10, 8, 6]
    assert any("contradict this setting" in reason for reason in reasons_of(trial.unused))


def test_a_large_drop_of_set_peep_ends_the_limb() -> None:
    dropped = charted_row(3, at_s=START_S + 8 * STEP_S, source=904, plateau=12)

    trial = trial_of(staircase_down(peeps=(24, 22, 20, 18, 16, 14, 12, 10)) + dropped)

    assert peeps_of(trial)[-1] == 10
    assert [seen.slug for seen in trial.observed] == ["large-drop"]


@pytest.mark.parametrize(("later_s", "told"), [(0.0, ["disconnection"]), (7200.0, ["large-drop"])])
def test_peep_near_zero_right_after_the_limb_is_told_as_an_open_circuit(later_s: float, told: list[str]) -> None:
    dropped = charted_row(0, at_s=START_S + 8 * STEP_S + later_s, source=904, plateau=12)

    trial = trial_of(staircase_down(peeps=(20, 18, 16, 14, 12, 10, 9, 8)) + dropped)

    assert peeps_of(trial)[-1] == 8
    assert [seen.slug for seen in trial.observed] == told


def test_steps_can_be_told_apart_by_measured_peep_where_no_setting_was_sent() -> None:
    rows: list[Reading] = []
    for index, (peep, plateau) in enumerate(zip((16, 14, 12, 10, 8), (27, 25, 23, 22, 21), strict=True)):
        for wobble in (-0.2, 0.1, 0.2):
            at_s = START_S + index * STEP_S + 40 + 100 * (wobble + 0.2)
            rows.append(reading(Quantity.PEEP_MEASURED, peep + wobble, at_s, len(rows)))
        rows.append(reading(Quantity.PLATEAU_PRESSURE, plateau, START_S + index * STEP_S + 100, len(rows)))
        rows.append(reading(Quantity.TIDAL_VOLUME_EXPIRED, 420, START_S + index * STEP_S + 100, len(rows)))

    trial = trial_of(rows)

    assert peeps_of(trial) == [16, 14, 12, 10, 8]
    assert trial.peep_source == "measured"


def test_a_set_tidal_volume_holds_until_it_is_changed() -> None:
    rows = without(staircase_down(), Quantity.TIDAL_VOLUME_EXPIRED)
    rows.append(reading(Quantity.TIDAL_VOLUME_SET, 420, START_S - 3600, 905))

    trial = trial_of(rows)

    assert trial.steps[0].tidal_volume_ml == 420
    assert "tidal-volume-as-set" in [seen.slug for seen in trial.observed]


def test_an_open_circuit_that_breaks_the_limb_in_two_is_seen() -> None:
    opened = charted_row(0, at_s=START_S + 2 * STEP_S - 10, source=907, plateau=8)

    trial = trial_of(staircase_down() + opened)

    assert peeps_of(trial)[0] == 16
    assert [(seen.slug, seen.peep_cmh2o) for seen in trial.observed] == [("disconnection", 16)]


def test_a_descent_after_reopening_does_not_take_the_place_of_the_trial() -> None:
    after = staircase_down(peeps=(25, 20, 16, 12), compliances=(30, 36, 40, 41), start_s=START_S + 9 * STEP_S)

    trial = trial_of(staircase_down() + after)

    assert peeps_of(trial) == [20, 18, 16, 14, 12, 10, 8, 6]
    assert [seen.slug for seen in trial.observed] == ["other-limb"]


@pytest.mark.parametrize("volume", [0.42, 2900.0], ids=["litres as millilitres", "a minute volume"])
def test_a_compliance_that_cannot_be_is_refused(volume: float) -> None:
    rows = [
        item._replace(value=volume) if item.quantity is Quantity.TIDAL_VOLUME_EXPIRED else item
        for item in staircase_down()
    ]

    assert no_trial_of(rows).reason is NoTrialReason.NO_COMPLIANCE


def test_a_driving_pressure_as_charted_keeps_total_peep_in_the_plateau() -> None:
    rows = without(staircase_down(), Quantity.PLATEAU_PRESSURE)
    for index, peep in enumerate((20, 18, 16, 14, 12, 10, 8, 6)):
        at_s = START_S + index * STEP_S + 60
        rows.append(reading(Quantity.DRIVING_PRESSURE, 11, at_s, 500 + index))
        rows.append(reading(Quantity.PEEP_TOTAL, peep + 5, at_s, 600 + index))

    assert trial_of(rows).steps[0].plateau_cmh2o == 20 + 5 + 11


def test_a_setting_charted_before_the_trial_is_used_and_not_called_unused() -> None:
    rows = without(staircase_down(), Quantity.TIDAL_VOLUME_EXPIRED)
    rows.append(reading(Quantity.TIDAL_VOLUME_SET, 420, START_S - 600, 908))

    assert 908 not in {item.reading.source for item in trial_of(rows).unused}


def test_a_rate_charted_hours_after_the_trial_is_not_its_rate() -> None:
    rows = [*staircase_down(), reading(Quantity.RESPIRATORY_RATE_SET, 35, START_S + 6 * 3600, 909)]

    assert Quantity.RESPIRATORY_RATE_SET.slug not in trial_of(rows).context


@pytest.mark.parametrize(
    ("quantity", "value", "slug"),
    [
        (Quantity.PEAK_PRESSURE, 20.0, "plateau-above-peak"),
        (Quantity.PEEP_TOTAL, 2.0, "total-peep-below-set"),
        (Quantity.DRIVING_PRESSURE, 22.0, "charted-driving-pressure-differs"),
        (Quantity.TIDAL_VOLUME_INSPIRED, 600.0, "leak-likely"),
        (Quantity.COMPLIANCE_STATIC, 84.0, "charted-compliance-differs"),
    ],
)
def test_readings_that_contradict_one_another_are_named(quantity: Quantity, value: float, slug: str) -> None:
    rows = staircase_down()
    rows += [reading(quantity, value, START_S + index * STEP_S + 60, 700 + index) for index in range(8)]

    assert slug in [seen.slug for seen in trial_of(rows).observed]


def test_steps_too_short_to_settle_are_named() -> None:
    rows = [
        item
        for index, (peep, compliance) in enumerate(zip((20, 18, 16, 14, 12), (38, 40, 41, 36, 31), strict=True))
        for item in charted_row(peep, at_s=START_S + 20 * index, source=index, plateau=peep + 420 / compliance)
    ]

    assert "unsettled-steps" in [seen.slug for seen in trial_of(rows).observed]


def test_integers_everywhere_leave_a_rounding_error_and_decimals_leave_less() -> None:
    whole = trial_of(staircase_down(compliances=(42, 42, 42, 42, 42, 35, 30, 28)))
    exact = trial_of(staircase_down(compliances=(41.3, 41.7, 42.1, 42.9, 41.1, 36.7, 31.3, 27.9)))

    assert whole.resolution > 0.02
    assert exact.resolution == 0.0


@pytest.mark.parametrize(
    ("volumes", "quantum"),
    [
        ((400, 450), 50.0),
        ((350, 385), 5.0),
        ((400, 410), 10.0),
        ((400, 415), 5.0),
        ((400, 401), 1.0),
        ((400, 400.5), 0),
    ],
)
def test_a_volume_is_taken_for_rounded_to_the_coarsest_quantum_that_fits(
    volumes: tuple[float, float], quantum: float
) -> None:
    trial = trial_of(staircase_down())
    sample = trial.steps[0].samples[0]
    samples = [sample._replace(tidal_volume_ml=volume) for volume in volumes]
    recipe = Recipe(Quantity.PLATEAU_PRESSURE, trial.kind, Quantity.TIDAL_VOLUME_EXPIRED, None)

    # Plateaus that are multiples of nothing leave the volume alone; its error is uniform, and of the larger one of two.
    assert resolution_of(samples, recipe, (22.123, 23.456)) == pytest.approx(quantum / 12**0.5 / volumes[1])


@pytest.mark.parametrize(("pressures", "quantum"), [((22.0, 25.0), 1.0), ((22.0, 22.5), 0.5), ((22.1, 22.4), 0.1)])
def test_a_pressure_and_a_charted_compliance_are_taken_for_rounded_to_the_coarsest_quantum_that_fits(
    pressures: tuple[float, float], quantum: float
) -> None:
    trial = trial_of(staircase_down())
    sample = trial.steps[0].samples[0]._replace(tidal_volume_ml=400.5, compliance_ml_per_cmh2o=40.05)
    samples = [sample, sample._replace(tidal_volume_ml=401.1, compliance_ml_per_cmh2o=40.11)]
    recipe = Recipe(Quantity.PLATEAU_PRESSURE, trial.kind, Quantity.TIDAL_VOLUME_EXPIRED, None)
    charted = Recipe(Quantity.COMPLIANCE_STATIC, trial.kind, None, None)

    assert resolution_of(samples, recipe, pressures) == pytest.approx(quantum / 12**0.5 / 10.0)
    assert resolution_of(samples, charted, pressures) == pytest.approx(quantum / 12**0.5 / pressures[1])


@pytest.mark.parametrize(("share", "told"), [(1.2, False), (1.201, True)])
def test_a_charted_compliance_that_differs_by_more_than_a_fifth_is_told(share: float, told: bool) -> None:
    rows = staircase_down(compliances=(42, 42, 42, 42, 42, 35, 30, 28))
    computed = trial_of(rows).steps[0].compliance_ml_per_cmh2o
    rows.append(reading(Quantity.COMPLIANCE_STATIC, share * computed, START_S + 60, 700))

    assert ("charted-compliance-differs" in [seen.slug for seen in trial_of(rows).observed]) is told


def test_every_reading_is_either_used_or_listed() -> None:
    pulse = reading(Quantity.HEART_RATE, 88, START_S + 90, 906)
    readings = [*staircase_down(), pulse]

    trial = trial_of(readings)
    used = {source for step in trial.steps for source in step.sources}
    listed = {item.reading.source for item in trial.unused}

    assert {item.source for item in readings} <= used | listed
    assert listed == {906}


@given(
    st.lists(
        st.builds(
            reading,
            st.sampled_from(list(Quantity)),
            st.floats(-10, 700, allow_nan=False),
            st.floats(START_S, START_S + 4000),
            st.integers(0, 30),
        ),
        max_size=60,
    )
)
def test_no_readings_however_odd_break_the_reading_of_a_trial(readings: list[Reading]) -> None:
    result = read_trial(readings, DEFAULT_PROTOCOL)

    assert isinstance(result, NoTrial) or all(
        step.compliance_ml_per_cmh2o > 0 and step.samples for step in result.steps
    )


MBAR = 1.0 / 0.980665  # cmH2O, by the definitions of both units


@pytest.mark.parametrize("levels", [(12, 11, 10, 9, 8), (25, 24, 23, 22, 21), (32, 31, 30, 29, 28, 27, 26)])
@pytest.mark.parametrize("set_in_mbar", [False, True])
def test_steps_of_1_cmh2o_stay_apart_where_settings_and_rows_are_in_different_units(
    levels: tuple[int, ...], set_in_mbar: bool
) -> None:
    rows = []
    for step, level in enumerate(levels):
        at_s = START_S + 120 * step
        values = (level * MBAR, float(level)) if set_in_mbar else (float(level), level * MBAR)
        for number, value in enumerate((*values, values[1])):
            rows += charted_row(value, at_s=at_s + 40 * number, source=10 * step + number, plateau=level + 10.0)

    assert peeps_of(trial_of(rows)) == pytest.approx([level * (MBAR if set_in_mbar else 1) for level in levels])


def settings_charted(levels: Sequence[int], in_mbar: Sequence[bool], *, digits: int | None = None) -> list[Reading]:
    """Three settings a minute apart per level, each in one of the two units, as the translator converts them."""
    found = []
    for number, mbar in enumerate(in_mbar):
        value = levels[number // 3] * (MBAR if mbar else 1.0)
        value = value if digits is None else round(value, digits)
        found.append(Reading(Quantity.PEEP_SET, value, START_S + 60.0 * number, START_S + 60.0 * number, number))
    return found


@st.composite
def mixed_charting(draw: st.DrawFn) -> tuple[list[int], list[bool]]:
    """A way down by 1 to 4 cmH2O from anywhere up to 40, each setting charted in whichever unit."""
    levels = [draw(st.integers(8, 40))]
    while levels[-1] > 4 and len(levels) < 9:
        levels.append(levels[-1] - draw(st.integers(1, min(4, levels[-1] - 3))))
    units = st.lists(st.booleans(), min_size=3 * len(levels), max_size=3 * len(levels))
    return levels, draw(units)


@given(mixed_charting(), st.sampled_from([None, 2]))
def test_each_setting_is_one_step_whatever_unit_each_row_is_charted_in(
    charted: tuple[list[int], list[bool]], digits: int | None
) -> None:
    levels, in_mbar = charted

    found = peep_levels(settings_charted(levels, in_mbar, digits=digits))

    assert [len(one.readings) for one in found] == [3] * len(levels)
    assert all(later.peep_cmh2o < earlier.peep_cmh2o for earlier, later in pairwise(found))


@given(st.integers(1, 40), st.lists(st.booleans(), min_size=2, max_size=20))
def test_one_setting_in_either_unit_is_never_two(level: int, in_mbar: list[bool]) -> None:
    values = [level * (MBAR if mbar else 1.0) for mbar in in_mbar]

    assert all(same_setting(value, other) for value in values for other in values)


@given(st.integers(2, 40), st.booleans(), st.booleans())
def test_a_setting_and_the_next_one_below_are_never_one(level: int, upper_in_mbar: bool, lower_in_mbar: bool) -> None:
    upper = level * (MBAR if upper_in_mbar else 1.0)
    lower = (level - 1) * (MBAR if lower_in_mbar else 1.0)

    assert not same_setting(upper, lower)


@given(st.integers(2, 90))
def test_steps_of_half_a_cmh2o_stay_apart_as_before(halves: int) -> None:
    assert not same_setting(halves / 2, (halves - 1) / 2)


def test_a_value_that_is_a_whole_number_in_neither_unit_goes_by_its_distance() -> None:
    assert same_setting(26.0, 26.3)
    assert not same_setting(26.0, 26.7)


def test_a_fall_too_large_for_a_step_leaves_runs_of_one_step() -> None:
    assert "has 1 step (PEEP" in spell(no_trial_of(staircase_down((20, 10), (40, 40))).found)
    assert "has 2 steps (PEEP" in spell(no_trial_of(staircase_down((20, 18), (40, 40))).found)
