"""What forbids reading mechanics after a titration, and a need for oxygen that a held saturation hides."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.patient_now import oxygen_need, triggers_now
from ebbmark.physiology.readings import Quantity, Reading
from trials import START_S, reading

SET_S, NOW_S = START_S + 1200.0, START_S + 4800.0


def charted(quantity: Quantity, value: float, at_s: float) -> Reading:
    return reading(quantity, value, at_s, int(at_s - START_S) + 10_000)


def oxygen(fio2_now: float, spo2_now: float) -> list[Reading]:
    return [
        charted(Quantity.FIO2_SET, 0.6, START_S - 600.0),
        charted(Quantity.SPO2, 94.0, START_S - 590.0),
        charted(Quantity.FIO2_SET, fio2_now, NOW_S - 600.0),
        charted(Quantity.SPO2, spo2_now, NOW_S - 590.0),
    ]


@pytest.mark.parametrize(
    ("fio2", "spo2", "seen"), [(0.9, 94, True), (0.7, 94, True), (0.6, 94, False), (0.62, 94, False), (0.9, 99, False)]
)
def test_oxygen_that_was_raised_to_hold_saturation_is_a_need(fio2: float, spo2: float, seen: bool) -> None:
    found = oxygen_need(oxygen(fio2, spo2), began_s=START_S, titrated_s=SET_S, at_s=NOW_S)

    assert (found is not None) is seen


@pytest.mark.parametrize(
    ("values", "seen"),
    [
        ({Quantity.RESPIRATORY_RATE_SPONTANEOUS: 28}, True),
        ({Quantity.RESPIRATORY_RATE_SPONTANEOUS: 2}, False),
        ({Quantity.RESPIRATORY_RATE_SET: 20, Quantity.RESPIRATORY_RATE: 23}, True),
        ({Quantity.RESPIRATORY_RATE_SET: 20, Quantity.RESPIRATORY_RATE: 22}, False),
        ({Quantity.PRESSURE_SUPPORT_SET: 10}, True),
        ({Quantity.PRESSURE_SUPPORT_SET: 10, Quantity.RESPIRATORY_RATE_SET: 20, Quantity.RESPIRATORY_RATE: 20}, False),
    ],
)
def test_a_patient_who_breathes_for_himself_is_seen(values: dict[Quantity, float], seen: bool) -> None:
    readings = [charted(quantity, value, NOW_S - 300.0) for quantity, value in values.items()]

    assert (triggers_now(readings, titrated_s=SET_S, at_s=NOW_S) is not None) is seen
