"""Predicted body weight and tidal volumes against what is in print.

ARDS Network, N Engl J Med 2000;342:1301-8, formula in centimetres as quoted in secondary copies of the protocol. The
network's own card of heights and volumes could not be opened, so none of its cells is claimed here.

One printed example was found (a clinical page, second-hand): a man of 70 inches weighs 73 kg and gets 438 mL at
6 mL/kg. It works in inches (Devine 1974: 2.3 kg per inch over 60), as the long table below does. That table is
DERIVED from the inch form, to 0.1 kg and 10 mL: it is an independent route to the same numbers, not a publication.

The protocol rounds 2.3/2.54 = 0.9055 up to 0.91. The metric form therefore reads higher by 0.0045 kg for each
centimetre over 152.4 (0.18 kg at 76 inches); tolerances are half the last digit plus exactly that.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.mechanics import (
    PUBLISHED_HEIGHT_RANGE_CM,
    Sex,
    predicted_body_weight_kg,
    tidal_volume_ml,
)

CM_PER_INCH = 2.54
RUNGS_ML_PER_KG = (4.0, 5.0, 6.0, 7.0, 8.0)

# height in inches; male kg and mL at 4, 5, 6, 7, 8 mL/kg; female kg and mL at the same
DERIVED = """
60  50.0 200 250 300 350 400  45.5 180 230 270 320 360
61  52.3 210 260 310 370 420  47.8 190 240 290 330 380
62  54.6 220 270 330 380 440  50.1 200 250 300 350 400
63  56.9 230 280 340 400 460  52.4 210 260 310 370 420
64  59.2 240 300 360 410 470  54.7 220 270 330 380 440
65  61.5 250 310 370 430 490  57.0 230 290 340 400 460
66  63.8 260 320 380 450 510  59.3 240 300 360 420 470
67  66.1 260 330 400 460 530  61.6 250 310 370 430 490
68  68.4 270 340 410 480 550  63.9 260 320 380 450 510
69  70.7 280 350 420 490 570  66.2 260 330 400 460 530
70  73.0 290 370 440 510 580  68.5 270 340 410 480 550
71  75.3 300 380 450 530 600  70.8 280 350 420 500 570
72  77.6 310 390 470 540 620  73.1 290 370 440 510 580
73  79.9 320 400 480 560 640  75.4 300 380 450 530 600
74  82.2 330 410 490 580 660  77.7 310 390 470 540 620
76  86.8 350 430 520 610 690  82.3 330 410 490 580 660
"""

Row = tuple[float, Sex, float, tuple[float, ...]]


def derived_rows() -> list[Row]:
    rows: list[Row] = []
    for line in DERIVED.strip().splitlines():
        inches, *cells = (float(cell) for cell in line.split())
        rows.append((inches, Sex.MALE, cells[0], tuple(cells[1:6])))
        rows.append((inches, Sex.FEMALE, cells[6], tuple(cells[7:12])))
    return rows


def excess_of_the_metric_form_kg(height_cm: float) -> float:
    return (0.91 - 2.3 / CM_PER_INCH) * (height_cm - 152.4)


@pytest.mark.parametrize(("inches", "sex", "kg", "_volumes"), derived_rows())
def test_weights_agree_with_the_form_in_inches(inches: float, sex: Sex, kg: float, _volumes: tuple[float, ...]) -> None:
    height_cm = inches * CM_PER_INCH

    weight = predicted_body_weight_kg(height_cm, sex) - excess_of_the_metric_form_kg(height_cm)

    assert weight == pytest.approx(kg, abs=0.05)


@pytest.mark.parametrize(("inches", "sex", "_kg", "volumes"), derived_rows())
def test_volumes_agree_with_the_form_in_inches(inches: float, sex: Sex, _kg: float, volumes: tuple[float, ...]) -> None:
    height_cm = inches * CM_PER_INCH
    weight = predicted_body_weight_kg(height_cm, sex) - excess_of_the_metric_form_kg(height_cm)

    ladder = [tidal_volume_ml(weight, rung) for rung in RUNGS_ML_PER_KG]

    assert ladder == pytest.approx(list(volumes), abs=5.0 + 1e-9)


@pytest.mark.parametrize(
    ("height_cm", "male_kg", "female_kg"),
    [
        (150.0, 47.82, 43.32),
        (155.0, 52.37, 47.87),
        (160.0, 56.92, 52.42),
        (165.0, 61.47, 56.97),
        (170.0, 66.02, 61.52),
        (175.0, 70.57, 66.07),
        (180.0, 75.12, 70.62),
        (185.0, 79.67, 75.17),
        (190.0, 84.22, 79.72),
    ],
)
def test_weights_of_round_metric_heights_worked_by_hand(height_cm: float, male_kg: float, female_kg: float) -> None:
    weights = [predicted_body_weight_kg(height_cm, sex) for sex in (Sex.MALE, Sex.FEMALE)]

    assert weights == pytest.approx([male_kg, female_kg], abs=0.005)


def test_the_printed_example_of_a_man_of_70_inches_weighs_73_kilograms() -> None:
    assert predicted_body_weight_kg(70 * CM_PER_INCH, Sex.MALE) == pytest.approx(73.0, abs=0.5)


def test_the_printed_example_of_73_kilograms_gets_438_millilitres() -> None:
    assert tidal_volume_ml(73.0, 6.0) == pytest.approx(438.0, abs=0.5)


def test_the_range_that_needs_no_remark_is_the_range_of_the_table() -> None:
    heights_cm = [inches * CM_PER_INCH for inches, *_ in derived_rows()]

    assert pytest.approx((min(heights_cm), max(heights_cm)), abs=0.05) == PUBLISHED_HEIGHT_RANGE_CM
