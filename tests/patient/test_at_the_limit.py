"""Every limit of the checks exactly at what was measured, and a millionth on both sides of it.

Whether a value that lies on its limit is found is part of the rule: "or more" in its description, or not. The trials
stay as they are and the limit is moved. Which value each limit has stands in the tests of numbers. Where a source
speaks of "more than" (a fall of systolic pressure: Cairo, Pilbeam's Mechanical Ventilation, chapter 13, read at second
hand) the limit itself is not found; the others are this project's choice.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import pytest

from ebbmark.physiology.patient.context import LIMITS, CheckLimits, PatientContext
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity, Reading
from patients import PEEPS, Values, slugs, titrated
from trials import START_S, STEP_S, reading

Q = Quantity
APART: Final = 1e-6
SHORT = (16, 14, 12, 10, 8, 6)
COMPARED = {">": operator.gt, ">=": operator.ge, "<": operator.lt}


class Row(NamedTuple):
    """One limit: what is found, how value and limit are compared, the value, and the trial that has it."""

    limit: str
    slug: str
    compared: str
    value: float
    answer: Callable[[CheckLimits], Titration]
    others: Mapping[str, float] = {}


def trial(
    values: Mapping[Quantity, Values] | None = None,
    compliances: Sequence[float] = (38, 40, 41, 42, 41.5, 36, 31, 27),
    peeps: Sequence[float] = PEEPS,
    more: Sequence[Reading] = (),
) -> Callable[[CheckLimits], Titration]:
    return lambda limits: titrated(
        values, compliances=compliances, peeps=peeps, more=more, known=PatientContext(limits=limits)
    )


def from_twelve(before: float, then: float) -> dict[float, float]:
    return {peep: before if peep > 12 else then for peep in PEEPS}


def at_twelve(usual: float, there: float) -> dict[float, float]:
    return {peep: there if peep == 12 else usual for peep in PEEPS}


def expired(then: float) -> dict[Quantity, Values]:
    """An inspired volume of which 420 mL came back: all of it above 12 cmH2O."""
    return {Q.TIDAL_VOLUME_INSPIRED: from_twelve(420, then)}


def peaks(rise: float) -> list[Reading]:
    compliances = (38, 40, 41, 42, 41.5, 36, 31, 27)
    return [
        reading(Q.PEAK_PRESSURE, peep + 420 / c + (4 if peep > 12 else 4 + rise), START_S + i * STEP_S + 80, 90 + i)
        for i, (peep, c) in enumerate(zip(PEEPS, compliances, strict=True))
    ]


def two_clocks(lag: float, steps: int = 8) -> list[Reading]:
    """Measured PEEP that after a change still shows so much of the step above at so many steps."""
    found = []
    for i, peep in enumerate(PEEPS):
        above = peep + 2 * lag if 0 < i <= steps else peep
        found += [reading(Q.PEEP_MEASURED, above, START_S + i * STEP_S + 40, 700 + i)]
        found += [reading(Q.PEEP_MEASURED, peep, START_S + i * STEP_S + s, 800 + 10 * i + s) for s in (70, 95)]
    return found


def early_clock(lead: float) -> list[Reading]:
    """Measured PEEP that shows so much of the step below before the change to it."""
    found = []
    for i, peep in enumerate(PEEPS):
        below = peep - 2 * lead if i < 7 else peep
        found += [reading(Q.PEEP_MEASURED, below, START_S + i * STEP_S + 95, 700 + i)]
        found += [reading(Q.PEEP_MEASURED, peep, START_S + i * STEP_S + s, 800 + 10 * i + s) for s in (40, 70)]
    return found


def mixed_plateaus(limits: CheckLimits, peeps: Sequence[float] = PEEPS, high_at: Sequence[float] = PEEPS) -> Titration:
    """Plateaus 2 cmH2O apart from step to step, whose first reading of some steps lies half of that too high."""
    readings = []
    for i, peep in enumerate(peeps):
        readings.append(reading(Q.PEEP_SET, peep, START_S + i * STEP_S, 100 + i))
        for after_s, high in ((60, 1.0 if peep in high_at else 0.0), (100, 0.0)):
            at_s, source = START_S + i * STEP_S + after_s, 1000 + 10 * i + after_s
            readings.append(reading(Q.TIDAL_VOLUME_EXPIRED, 400.0, at_s, source))
            readings.append(reading(Q.PLATEAU_PRESSURE, peep + 10.0 + high, at_s, source))
    return titrated(readings=readings, known=PatientContext(limits=limits))


FELL_FAR = trial(compliances=(40, 40, 40, 24, 23.5, 23), peeps=SHORT)
"""From 40 to 24 mL/cmH2O: two fifths."""
ROSE = trial(compliances=(16, 16, 16, 12, 11.5, 11), peeps=SHORT)
"""From 16 to 12 mL/cmH2O at 420 mL: a quarter, and plateau rises from 38.25 to 45 cmH2O."""
WITH_SIGNS = {Q.SPO2: from_twelve(95, 95) | dict.fromkeys((10, 8, 6), 90.0)}
WITH_PRESSURE = {Q.MEAN_ARTERIAL_PRESSURE: from_twelve(90, 90) | dict.fromkeys((10, 8, 6), 80.0)}
FIFTH = (40, 40, 40, 30, 29.5, 29)
ALONE = {"step_fall_share": 0.9, "rising_fall_share": 0.9}

ROWS = [
    Row("step_fall_share", "sudden-fall", ">=", 1 - 24 / 40, FELL_FAR),
    Row("plateau_rise_cmh2o", "pressure-rises-as-peep-falls", ">", (10 + 420 / 12) - (12 + 420 / 16), ROSE),
    Row("rising_fall_share", "pressure-rises-as-peep-falls", ">=", 0.25, ROSE),
    Row("fall_with_signs_share", "fall-with-vital-signs", ">=", 0.25, trial(WITH_SIGNS, FIFTH, SHORT), ALONE),
    Row("saturation_with_fall_percent", "fall-with-vital-signs", ">=", 5, trial(WITH_SIGNS, FIFTH, SHORT), ALONE),
    Row("mean_pressure_with_fall_mmhg", "fall-with-vital-signs", ">=", 10, trial(WITH_PRESSURE, FIFTH, SHORT), ALONE),
    Row("leak_share", "leak-began", ">", 0.25, trial(expired(560))),
    Row("leak_change_share", "leak-began", ">", 0.25, trial(expired(560)), {"leak_share": 0.1}),
    Row("leak_share", "leak-at-best", ">", 0.25,
        trial({Q.TIDAL_VOLUME_INSPIRED: {20.0: 560.0} | dict.fromkeys(PEEPS[1:], 420.0)}), {"leak_high_share": 0.9}),
    Row("leak_high_share", "leak-large", ">=", 0.25, trial({Q.TIDAL_VOLUME_INSPIRED: 560}), {"leak_none_share": 0.9}),
    Row("leak_none_share", "leak-throughout", ">=", 0.25, trial({Q.TIDAL_VOLUME_INSPIRED: 560})),
    Row("trapped_way_cmh2o", "total-peep-does-not-follow", ">=", 8, trial({Q.PEEP_TOTAL: {20: 20, 12: 18}})),
    Row("trapped_share", "total-peep-does-not-follow", "<", 0.25, trial({Q.PEEP_TOTAL: {20: 20, 12: 18}}),
        {"intrinsic_cmh2o": 90}),
    Row("intrinsic_cmh2o", "intrinsic-peep", ">=", 4, trial({Q.PEEP_INTRINSIC: {12: 4}}), {"intrinsic_high_cmh2o": 9}),
    Row("measured_off_cmh2o", "measured-peep-off", ">", 3,
        trial({Q.PEEP_MEASURED: {peep: peep + 3 for peep in PEEPS}})),
    Row("clock_share", "clocks-differ", ">=", 0.5, trial(more=two_clocks(0.5))),
    Row("clock_share", "clocks-differ", ">=", 0.5, trial(more=early_clock(0.5))),
    Row("clock_share", "plateau-clock", ">=", 0.5, mixed_plateaus),
    Row("clock_least_cmh2o", "plateau-clock", ">=", 2, mixed_plateaus, {"clock_share": 0.5}),
    Row("clock_fewest", "clocks-differ", ">=", 5, trial(more=two_clocks(1.0, steps=5))),
    Row("resistive_rise_cmh2o", "resistive-pressure-rose", ">=", 5, trial(more=peaks(5))),
    Row("no_carbon_dioxide_mmhg", "carbon-dioxide-lost", "<", 8, trial({Q.END_TIDAL_CO2: from_twelve(40, 8)})),
    Row("worn_carbon_dioxide_mmhg", "carbon-dioxide-lost", ">=", 40, trial({Q.END_TIDAL_CO2: from_twelve(40, 8)})),
    Row("recovery_share", "compliance-rose-below-closing", ">=", 0.125,
        trial(compliances=(39, 40, 40, 30, 30, 35), peeps=(18, 16, 14, 12, 10, 8))),
    Row("volume_change_share", "tidal-volume-changed", ">", 0.25, trial({Q.TIDAL_VOLUME_SET: from_twelve(400, 500)})),
    Row("oxygen_change", "oxygen-changed", ">", 0.25, trial({Q.FIO2_SET: from_twelve(0.75, 0.5)})),
    Row("oxygen_change", "oxygen-raised", ">", 0.25, trial({Q.FIO2_SET: from_twelve(0.5, 0.75)})),
    Row("saturation_loss_percent", "worse-than-best", ">=", 6, trial({Q.SPO2: at_twelve(97, 91)})),
    Row("mean_pressure_loss_mmhg", "worse-than-best", ">", 16, trial({Q.MEAN_ARTERIAL_PRESSURE: at_twelve(90, 74)})),
    Row("systolic_pressure_loss_mmhg", "worse-than-best", ">", 16,
        trial({Q.SYSTOLIC_ARTERIAL_PRESSURE: at_twelve(120, 104)})),
    Row("rate_above_set_per_min", "rate-above-set", ">", 4,
        trial({Q.RESPIRATORY_RATE_SET: 20, Q.RESPIRATORY_RATE: 24})),
    Row("spontaneous_per_min", "spontaneous-rate", ">", 4, trial({Q.RESPIRATORY_RATE_SPONTANEOUS: 4})),
]  # fmt: skip


@pytest.mark.parametrize("aside", [-APART, 0.0, APART], ids=["limit below", "at the limit", "limit above"])
@pytest.mark.parametrize("row", ROWS, ids=[f"{row.slug} {row.limit} {index}" for index, row in enumerate(ROWS)])
def test_a_value_is_found_beyond_its_limit_and_as_the_rule_says_at_it(row: Row, aside: float) -> None:
    limit = row.value + aside
    limits = replace(LIMITS, **{**row.others, row.limit: limit})  # type: ignore[arg-type]

    assert (row.slug in slugs(row.answer(limits))) == COMPARED[row.compared](row.value, limit)


@pytest.mark.parametrize(("peep", "found"), [(12, True), (10, True), (8, False)])
def test_a_circuit_that_opened_at_the_closing_step_or_above_leaves_no_closing(peep: int, *, found: bool) -> None:
    at_s = START_S + PEEPS.index(peep) * STEP_S
    opened = [
        reading(quantity, value, at_s + after_s, 5000 + int(after_s))
        for after_s in (60.0, 75.0)
        for quantity, value in ((Q.PEEP_MEASURED, 0.5), (Q.TIDAL_VOLUME_EXPIRED, 8.0))
    ]

    answer = trial(more=opened)(LIMITS)

    assert answer.closing.peep_cmh2o is None
    assert ("circuit-opened" in slugs(answer)) is found


@pytest.mark.parametrize(("late", "found"), [(2, False), (3, False), (4, True)])
def test_two_clocks_differ_where_more_than_half_of_the_steps_say_so(late: int, *, found: bool) -> None:
    shown = [
        two_clock for two_clock in two_clocks(1.0, steps=late) if two_clock.at_s < START_S + 7 * STEP_S
    ]  # six pairs of steps

    assert ("clocks-differ" in slugs(trial(more=shown)(LIMITS))) is found


@pytest.mark.parametrize(("late", "found"), [(2, False), (3, False), (4, True)])
def test_plateaus_are_of_two_steps_where_more_than_half_of_the_steps_say_so(late: int, *, found: bool) -> None:
    answer = mixed_plateaus(replace(LIMITS, clock_share=0.5), PEEPS[:7], PEEPS[1 : late + 1])

    assert ("plateau-clock" in slugs(answer)) is found


@pytest.mark.parametrize(
    ("peep", "compliance", "found"),
    [
        (10, 36, "leak-at-best"),  # at closing itself, where 36 may be 48 mL/cmH2O: more than 42 at the best step
        (10, 31, "leak-at-steps"),  # 41.3
        (12, 41.5, "leak-at-best"),
        (8, 31, ""),  # below closing it decides nothing
    ],
)
def test_a_leak_at_one_step_down_to_closing_may_hide_the_best_compliance(
    peep: float, compliance: float, found: str
) -> None:
    compliances = [38, 40, 41, 42, 41.5, 36, 31, 27]
    compliances[PEEPS.index(peep)] = compliance
    inspired: dict[float, float] = {one: 560.0 if one == peep else 420.0 for one in PEEPS}
    answer = titrated(
        {Q.TIDAL_VOLUME_INSPIRED: inspired},
        compliances=compliances,
        known=PatientContext(limits=replace(LIMITS, leak_change_share=0.9)),
    )

    assert [slug for slug in slugs(answer) if slug.startswith("leak-")] == ([found] if found else [])


def test_the_lowest_end_tidal_carbon_dioxide_is_named() -> None:
    answer = trial({Q.END_TIDAL_CO2: {20: 40, 18: 38, 16: 5, 14: 6, 12: 7}})(LIMITS)
    (lost,) = [finding for finding in answer.findings if finding.slug == "carbon-dioxide-lost"]

    assert (lost.values["end_tidal_mmhg"], lost.peeps_cmh2o) == (5.0, (16, 14, 12))


@pytest.mark.parametrize(("steps", "found"), [(2, False), (3, True), (7, True)])
def test_a_plateau_that_is_the_peak_is_told_from_three_steps_on_and_a_step_without_a_peak_hides_nothing(
    steps: int, *, found: bool
) -> None:
    compliances = (38, 40, 41, 42, 41.5, 36, 31, 27)
    peak: dict[float, float] = {
        peep: peep + 420 / one for peep, one in list(zip(PEEPS, compliances, strict=True))[:steps]
    }
    answer = trial({Q.TIDAL_VOLUME_SET: 420, Q.PEAK_PRESSURE: peak})(LIMITS)

    assert ("plateau-equals-peak" in slugs(answer)) is found


@pytest.mark.parametrize(("pressure_s", "found"), [(-61.0, True), (-60.0, False), (-59.0, False)])
def test_a_set_volume_counts_as_inspired_where_it_is_the_later_setting(pressure_s: float, *, found: bool) -> None:
    settings = [
        reading(Q.TIDAL_VOLUME_SET, 525.0, START_S - 60.0, 5000),
        reading(Q.PRESSURE_ABOVE_PEEP_SET, 14.0, START_S + pressure_s, 5001),
    ]

    assert ("leak-throughout" in slugs(trial(more=settings)(LIMITS))) is found


@pytest.mark.parametrize(("ago_s", "held"), [(60.0, 0.6), (86_400.0, 0.6), (86_401.0, None)])
def test_a_setting_holds_for_a_day(ago_s: float, held: float | None) -> None:
    answer = trial(more=[reading(Q.FIO2_SET, 0.6, START_S - ago_s, 5000)])(LIMITS)

    assert answer.seen[0].last(Q.FIO2_SET) == held
