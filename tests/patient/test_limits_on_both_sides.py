"""Every limit of the checks before a number, on both sides of its value.

The values are written out here once more, so that one that is changed by mistake is found. Sources: SpO2 below 85 %,
systolic pressure below 90 mmHg, and a fall of more than 20 mmHg: Cairo, Pilbeam's Mechanical Ventilation, chapter 13
(read at second hand). All others are this project's choice.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest

from ebbmark.physiology.patient.context import LIMITS
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity
from patients import CLEAR, PEEPS, Values, slugs, titrated
from trials import START_S, STEP_S, reading

Q = Quantity


class Side(NamedTuple):
    """A value that is still within the limit, one that is beyond it, and what is found of the latter."""

    within: float
    beyond: float
    slug: str
    weight: str
    answer: Callable[[float], Titration]


def with_values(**given: Values) -> Titration:
    return titrated({Quantity[name.upper()]: value for name, value in given.items()})


def everywhere(quantity: str) -> Callable[[float], Titration]:
    return lambda value: with_values(**{quantity: value})


def at_twelve(quantity: str, usual: float) -> Callable[[float], Titration]:
    """One value at the suggestion, another one at every other step."""

    def answer(value: float) -> Titration:
        return titrated({Quantity[quantity.upper()]: {peep: value if peep == 12 else usual for peep in PEEPS}})

    return answer


def compliances_after(kept: float) -> Titration:
    """A limb whose compliance keeps this share of 40 from 12 to 10 cmH2O, at a volume that moves no plateau far."""
    low = 40.0 * kept
    return titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(40, 40, 40, low, low - 0.5, low - 1), readings=None)


def plateau_after(rise: float) -> Titration:
    """A limb whose plateau rises by this much from 12 to 10 cmH2O, at a volume of 420 mL."""
    low = 420.0 / (420.0 / 40.0 + 2.0 + rise)
    return titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(40, 40, 40, low, low - 0.5, low - 1))


def resistive(rise: float) -> Titration:
    peaks = [
        reading(
            Q.PEAK_PRESSURE, peep + 420 / compliance + (4 if peep > 12 else 4 + rise), START_S + i * STEP_S + 80, 90 + i
        )
        for i, (peep, compliance) in enumerate(zip(PEEPS, (38, 40, 41, 42, 41.5, 36, 31, 27), strict=True))
    ]
    return titrated(more=peaks)


def peak_at_twelve(value: float) -> Titration:
    more = [
        reading(Quantity.PEAK_PRESSURE, value if peep == 12 else 40.0, START_S + index * STEP_S + 70, 3000 + index)
        for index, peep in enumerate(PEEPS)
    ]
    return titrated(more=more)


def recovering(rise: float) -> Titration:
    """Compliance of 30 at 12 cmH2O that regains this share of its best of 38 two steps lower."""
    return titrated(peeps=(18, 16, 14, 12, 10, 8), compliances=(37.5, 38, 38, 30, 30, 30 + 38 * rise))


SIDES = {
    "spo2": Side(85, 84, "stop-limit-at-suggestion", "look-first", everywhere("spo2")),
    "mean pressure": Side(60, 59, "stop-limit-at-suggestion", "look-first", everywhere("mean_arterial_pressure")),
    "systolic": Side(90, 89, "stop-limit-at-suggestion", "look-first", everywhere("systolic_arterial_pressure")),
    "slow heart": Side(40, 39, "stop-limit-at-suggestion", "look-first", everywhere("heart_rate")),
    "fast heart": Side(150, 151, "stop-limit-at-suggestion", "look-first", everywhere("heart_rate")),
    "saturation lost": Side(91, 90, "worse-than-best", "high", at_twelve("spo2", 95)),
    "mean pressure lost": Side(70, 69, "worse-than-best", "high", at_twelve("mean_arterial_pressure", 90)),
    "systolic lost": Side(100, 99, "worse-than-best", "high", at_twelve("systolic_arterial_pressure", 120)),
    "rate above set": Side(
        24, 24.5, "rate-above-set", "look-first",
        lambda value: with_values(respiratory_rate_set=22, respiratory_rate=value),
    ),
    "spontaneous": Side(2, 3, "spontaneous-rate", "look-first", everywhere("respiratory_rate_spontaneous")),
    "pressure support": Side(0, 1, "pressure-support", "look-first", everywhere("pressure_support_set")),
    "step fall": Side(0.701, 0.699, "sudden-fall", "look-first", compliances_after),
    "plateau rise": Side(1.9, 2.1, "pressure-rises-as-peep-falls", "look-first", plateau_after),
    "leak that began": Side(
        490, 500, "leak-began", "look-first",
        lambda value: with_values(tidal_volume_inspired={peep: 425 if peep > 12 else value for peep in PEEPS}),
    ),
    "change of a leak from 9 %": Side(
        0.165, 0.175, "leak-began", "look-first",
        lambda share: with_values(
            tidal_volume_inspired={peep: 420 / (1 - (0.09 if peep > 12 else share)) for peep in PEEPS}
        ),
    ),
    "leak": Side(466, 467, "leak-large", "high", everywhere("tidal_volume_inspired")),
    "large leak": Side(524, 525, "leak-throughout", "look-first", everywhere("tidal_volume_inspired")),
    "volume lost against its setting": Side(524, 525, "leak-throughout", "look-first", everywhere("tidal_volume_set")),
    "peak pressure": Side(50, 51, "stop-limit-at-suggestion", "look-first", peak_at_twelve),
    "trapped air": Side(
        13.0, 13.2, "total-peep-does-not-follow", "look-first",
        lambda value: with_values(peep_total={20: 20, 6: value}),
    ),
    "intrinsic": Side(2.9, 3.0, "intrinsic-peep", "moderate", lambda value: with_values(peep_intrinsic={10: value})),
    "intrinsic high": Side(4.9, 5.0, "intrinsic-peep", "high", lambda value: with_values(peep_intrinsic={10: value})),
    "measured off": Side(
        2.0, 2.1, "measured-peep-off", "look-first",
        lambda value: with_values(peep_measured={peep: peep - value for peep in PEEPS}),
    ),
    "measured off at half of the steps": Side(
        12, 14, "measured-peep-off", "look-first",
        lambda value: with_values(peep_measured={peep: peep - (3 if peep < value else 0) for peep in PEEPS}),
    ),
    "recovery": Side(0.09, 0.11, "compliance-rose-below-closing", "moderate", recovering),
    "tidal volume": Side(
        462, 463, "tidal-volume-changed", "high",
        lambda value: with_values(tidal_volume_set={peep: 420 if peep > 12 else value for peep in PEEPS}),
    ),
    "oxygen": Side(
        0.55, 0.56, "oxygen-raised", "high",
        lambda value: with_values(fio2_set={peep: 0.5 if peep > 12 else value for peep in PEEPS}),
    ),
    "oxygen that moved by what is charted anyhow": Side(
        0.55, 0.56, "oxygen-changed", "moderate",
        lambda value: with_values(fio2_set={peep: value if peep > 12 else 0.5 for peep in PEEPS}),
    ),
    "resistive": Side(7.9, 8.1, "resistive-pressure-rose", "high", resistive),
    "carbon dioxide gone": Side(
        10, 9.9, "carbon-dioxide-lost", "look-first",
        lambda value: with_values(end_tidal_co2={peep: 40 if peep > 10 else value for peep in PEEPS}),
    ),
    "carbon dioxide that was there": Side(
        19.9, 20, "carbon-dioxide-lost", "look-first",
        lambda value: with_values(end_tidal_co2={peep: value if peep > 10 else 5 for peep in PEEPS}),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SIDES)
def test_within_the_limit_nothing_is_found(name: str) -> None:
    side = SIDES[name]

    assert side.slug not in slugs(side.answer(side.within), side.weight)


@pytest.mark.parametrize("name", SIDES)
def test_beyond_the_limit_it_is_found(name: str) -> None:
    side = SIDES[name]

    assert side.slug in slugs(side.answer(side.beyond), side.weight)


def test_a_fall_that_raises_no_pressure_far_is_looked_at_from_thirty_per_cent_on() -> None:
    assert (LIMITS.step_fall_share, LIMITS.rising_fall_share) == (0.30, 0.20)


@pytest.mark.parametrize(("top_share", "found"), [(0.945, True), (0.955, False)])
def test_relief_of_overdistension_is_named_from_five_per_cent_on(top_share: float, *, found: bool) -> None:
    answer = titrated(compliances=(42 * top_share, 42, 42, 42, 41.5, 36, 31, 27))

    assert ("overdistension-at-top" in [finding.slug for finding in answer.advice.findings]) is found


@pytest.mark.parametrize(("compliance_share", "found"), [(0.70, False), (0.68, True)])
def test_a_driving_pressure_above_fifteen_is_named_in_its_row(compliance_share: float, *, found: bool) -> None:
    answer = titrated(compliances=[compliance_share * one for one in CLEAR])
    (row,) = [one for one in answer.advice.what_if if one.peep_cmh2o == 12]

    assert row.driving_pressure_cmh2o == pytest.approx(15.0, abs=0.3)
    assert ("driving-pressure-beyond" in [one.slug for one in row.beyond]) is found


def test_a_rise_of_pressure_counts_only_with_a_fall_of_compliance_of_a_fifth() -> None:
    soft = titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(16, 16, 16, 13.0, 12.8, 12.5))
    stiff = titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(16, 16, 16, 12.7, 12.5, 12.3))

    assert "pressure-rises-as-peep-falls" not in slugs(soft)
    assert "pressure-rises-as-peep-falls" in slugs(stiff)


def test_a_peak_pressure_beyond_its_limit_is_named_with_both() -> None:
    (peak,) = [finding for finding in peak_at_twelve(53).findings if finding.values.get("vital") == "peak-pressure"]

    assert (peak.values["value"], peak.values["limit"], peak.peeps_cmh2o) == (53.0, 50.0, (12,))
