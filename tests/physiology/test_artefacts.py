"""Artefact rules at their limits and on both sides; every limit is this project's choice (see the tests of numbers)."""

from __future__ import annotations

import pytest

from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.curve import Cut, OddReading, dropped_leads, odd_readings, settled_from_s
from ebbmark.physiology.trial.steps import ComplianceKind, Recipe, StepReadings
from trials import START_S, reading

Q = Quantity
EXPIRED, PLATEAU = Q.TIDAL_VOLUME_EXPIRED, Q.PLATEAU_PRESSURE
RECIPE = Recipe(PLATEAU, next(one for one in ComplianceKind if one.static), EXPIRED, None)


def step(peep: float, *readings: Reading) -> StepReadings:
    groups: dict[Quantity, list[Reading]] = {}
    for one in readings:
        groups.setdefault(one.quantity, []).append(one)
    return StepReadings(peep, (reading(Q.PEEP_SET, peep, START_S, 99),), groups)


def row(at_s: float, source: int, volume: float, above: float, peep: float = 12.0) -> list[Reading]:
    at_s += START_S
    return [reading(EXPIRED, volume, at_s, source), reading(PLATEAU, peep + above, at_s, source)]


USUAL = step(14.0, *[one for place in range(5) for one in row(-300 + 20 * place, 50 + place, 400.0, 10.0, 14.0)])
"""Five rows of 400 mL, and 10 cmH2O above PEEP."""


def oddities(tested: StepReadings) -> list[OddReading]:
    return [one.oddity for one in odd_readings([USUAL, tested], PLATEAU)[1]]


@pytest.mark.parametrize(
    ("volume", "above", "found"),
    [
        (200.0, 10.0, []),  # half of the usual volume is no odd breath yet
        (199.9, 10.0, [OddReading.ODD_BREATH]),
        (0.8, 10.0, [OddReading.UNIT_SLIP]),  # a five hundredth to a two thousandth of it is litres under mL
        (0.81, 10.0, [OddReading.ODD_BREATH]),
        (0.2, 10.0, [OddReading.UNIT_SLIP]),
        (0.19, 10.0, [OddReading.ODD_BREATH]),
        (199.9, 7.0, [OddReading.ODD_BREATH]),  # seven tenths of the usual pressure: the breath was given
        (199.9, 6.9, [OddReading.OPENED]),
        (0.4, 6.9, [OddReading.OPENED]),
    ],
)
def test_a_small_volume_is_told_by_its_share_and_by_its_pressure(
    volume: float, above: float, found: list[OddReading]
) -> None:
    assert oddities(step(12.0, *row(0, 1, volume, above), *row(20, 2, 400.0, 10.0))) == found


@pytest.mark.parametrize(("apart_s", "found"), [(0.9, OddReading.OPENED), (1.0, OddReading.ODD_BREATH)])
def test_a_pressure_within_a_second_is_of_the_same_row(apart_s: float, found: OddReading) -> None:
    gone = reading(EXPIRED, 100.0, START_S, 1)
    low = reading(PLATEAU, 12.0 + 6.9, START_S + apart_s, 2)

    assert oddities(step(12.0, gone, low, *row(20, 3, 400.0, 10.0))) == [found]


@pytest.mark.parametrize(("lasted_s", "found"), [(10.0, OddReading.ODD_BREATH), (10.1, OddReading.OPENED)])
def test_a_volume_that_was_gone_for_longer_than_ten_seconds_was_no_single_breath(
    lasted_s: float, found: OddReading
) -> None:
    gone = reading(EXPIRED, 100.0, START_S, 1, until_s=START_S + lasted_s)

    assert oddities(step(12.0, gone, *row(20, 2, 400.0, 10.0))) == [found]


def test_two_volumes_that_were_gone_one_after_the_other_are_an_open_circuit() -> None:
    assert oddities(step(12.0, *row(0, 1, 100.0, 10.0), *row(20, 2, 100.0, 10.0))) == [OddReading.OPENED] * 2


@pytest.mark.parametrize(
    ("peep", "measured", "volume", "found"),
    [
        (5.0, 2.5, None, []),  # half of a set PEEP of five is there
        (5.0, 2.4, None, [OddReading.OPENED]),
        (4.9, 0.0, None, []),  # below five it is not looked at
        (10.0, 0.98, 320.0, [OddReading.UNIT_SLIP]),  # kPa, with four fifths of the volume in the same row
        (10.0, 1.039, 320.0, [OddReading.UNIT_SLIP]),  # within six per cent of ten cmH2O
        (10.0, 1.041, 320.0, [OddReading.CONTRADICTED]),
        (10.0, 0.98, 319.0, [OddReading.OPENED]),
    ],
)
def test_measured_peep_that_vanished_is_told_by_its_row(
    peep: float, measured: float, volume: float | None, found: list[OddReading]
) -> None:
    beside = [] if volume is None else [reading(EXPIRED, volume, START_S, 1)]

    assert oddities(step(peep, reading(Q.PEEP_MEASURED, measured, START_S, 1), *beside)) == found


@pytest.mark.parametrize(
    ("source", "after_s", "changed_s"),
    [
        (1, 60.0, 0.0),  # a PEEP charted on its own is the change
        (99, 0.0, -50.0),  # charted in one input with the pressure: the middle of the gap before it
        (1, 0.0, -50.0),  # at one time in two inputs: likewise
        (99, 60.0, -50.0),
    ],
)
def test_a_step_settles_from_its_change_which_a_peep_charted_with_a_pressure_does_not_tell(
    source: int, after_s: float, changed_s: float
) -> None:
    lead = reading(PLATEAU, 22.0, START_S + after_s, source)
    settled_s = settled_from_s(step(12.0, lead), [lead], START_S - 100.0, DEFAULT_PROTOCOL)

    assert settled_s - START_S == changed_s + DEFAULT_PROTOCOL.settling_s


def dropped(leads: list[Reading], cuts: list[Cut], *, index: int = 1) -> list[float]:
    limb = [step(14.0, *leads), USUAL] if index == 0 else [USUAL, step(12.0, *leads)]
    span_s = (START_S, START_S + 600.0)
    found = dropped_leads(limb, index, RECIPE, cuts, span_s, START_S + 30.0, DEFAULT_PROTOCOL)
    return [one.at_s - START_S for one, _ in found]


@pytest.mark.parametrize(
    ("times_s", "left_out"), [((29, 30), [29]), ((28, 29), []), ((600, 601), [601]), ((-1, 40), [-1])]
)
def test_a_lead_counts_from_the_settled_moment_to_the_end_of_the_trial(
    times_s: tuple[float, float], left_out: list[float]
) -> None:
    assert (
        dropped([reading(PLATEAU, 22.0, START_S + at_s, place) for place, at_s in enumerate(times_s)], []) == left_out
    )


@pytest.mark.parametrize(("above", "left_out"), [(15.0, []), (15.1, [40])])
def test_a_first_step_five_above_the_next_one_was_not_yet_recruiting(above: float, left_out: list[float]) -> None:
    assert dropped([reading(PLATEAU, 14.0 + above, START_S + 40, 1)], [], index=0) == left_out


@pytest.mark.parametrize(
    ("source", "apart_s", "oddity", "quantity", "spoilt"),
    [
        (1, 5.0, OddReading.OPENED, Q.PEEP_MEASURED, True),  # of the same input
        (2, 0.9, OddReading.OPENED, Q.PEEP_MEASURED, True),  # within a second
        (2, 1.0, OddReading.OPENED, Q.PEEP_MEASURED, False),
        (1, 0.0, OddReading.ODD_BREATH, EXPIRED, True),  # the volume that it is paired with
        (1, 0.0, OddReading.ODD_BREATH, Q.TIDAL_VOLUME_INSPIRED, False),
    ],
)
def test_an_odd_reading_takes_the_lead_of_its_own_row_with_it(
    source: int, apart_s: float, oddity: OddReading, quantity: Quantity, *, spoilt: bool
) -> None:
    cut = Cut(oddity, START_S + 60.0 + apart_s, source, quantity, 0.0)

    assert bool(dropped([reading(PLATEAU, 22.0, START_S + 60.0, 1)], [cut])) is spoilt
