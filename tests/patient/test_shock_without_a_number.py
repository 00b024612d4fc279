"""Trials without a number whose patient is in danger, and curves that come back: each says what is first."""

from __future__ import annotations

import pytest

from ebbmark.physiology.closing.result import Evidence, Verdict
from ebbmark.physiology.readings import Quantity
from ebbmark.words.messages import spell
from ebbmark.words.titration import in_short
from patients import Values, slugs, titrated
from trials import START_S, STEP_S, reading

MAP = Quantity.MEAN_ARTERIAL_PRESSURE
CURVES = {
    "rising to the end": (37, 38, 39, 40, 41, 42, 43, 44),
    "flat": (40,) * 8,
    "falling from the first step": (44, 40, 36.5, 33, 30, 27, 25, 23),
    "sawtooth": (36, 41, 35, 42, 36, 41, 35, 41),
    "a fall by half": (38, 40, 41, 42, 20, 19, 18, 17),
}


@pytest.mark.parametrize("curve", CURVES)
def test_shock_at_the_last_step_stands_first_where_there_is_no_number(curve: str) -> None:
    found = titrated({MAP: {20: 78, 8: 62, 6: 40}, Quantity.HEART_RATE: {6: 172}}, compliances=CURVES[curve])

    said = "At the last step, PEEP 6 cmH2O, mean arterial pressure was 40 mmHg (limit 60) and heart rate was 172 /min"
    assert found.advice.suggested_peep_cmh2o is None
    assert found.advice.cautions[0].severity.value == "high"
    assert found.advice.cautions[0].text.startswith(said)
    assert found.advice.rationale.startswith(said)
    assert (
        "lower step"
        not in f"{found.advice.rationale} {spell(found.closing.why)} {in_short(found.advice, found.closing)}"
    )


def test_shock_at_an_earlier_step_is_said_too() -> None:
    found = titrated({MAP: {16: 40, 6: 58}}, compliances=CURVES["flat"])

    assert "Earlier mean arterial pressure was 40 mmHg (limit 60) at PEEP 16 cmH2O." in found.advice.cautions[0].text


def test_a_trial_without_a_number_in_a_stable_patient_says_nothing_of_stop_limits() -> None:
    assert "stop-limit-in-trial" not in slugs(titrated({MAP: 75}, compliances=CURVES["flat"]))


def test_a_fall_that_comes_back_at_a_lower_step_is_not_closing_and_not_for_good() -> None:
    found = titrated(peeps=(14, 12, 10, 8), compliances=(38, 30, 31, 37))

    assert found.closing.verdict is Verdict.INDETERMINATE
    assert "Compliance fell at 12 and came back to 37 mL/cmH2O at 8 cmH2O: that is not closing." in spell(
        found.closing.why
    )
    assert "for good" not in found.advice.rationale
    assert "from the first step" not in found.advice.rationale


def test_a_sawtooth_is_called_one() -> None:
    found = titrated(compliances=CURVES["sawtooth"])

    assert spell(found.closing.why).startswith(
        "Compliance rises and falls between steps by more than the readings allow"
    )
    assert "for good" not in found.advice.rationale


def test_closing_at_the_last_step_tested_is_neither_for_good_nor_strong() -> None:
    found = titrated(peeps=(16, 14, 12, 10), compliances=(40, 40.5, 41, 36.5))

    assert found.closing.peep_cmh2o == 10
    assert found.closing.evidence is not Evidence.STRONG
    assert "for good" not in found.advice.rationale
    assert "the last one tested" in found.advice.rationale


def test_a_fall_of_a_quarter_with_falling_saturation_is_looked_at_and_not_named_closing() -> None:
    compliances = (38, 40, 41, 42, 31, 29, 28, 27)
    calm: dict[Quantity, Values] = {Quantity.SPO2: 95, MAP: 78}
    ill: dict[Quantity, Values] = {
        Quantity.SPO2: {20: 95, 18: 95, 16: 95, 14: 95, 12: 88, 10: 88, 8: 88, 6: 88},
        MAP: {14: 78, 12: 62},
    }

    assert "fall-with-vital-signs" not in slugs(titrated(calm, compliances=compliances))
    found = titrated(ill, compliances=compliances)
    assert found.closing.peep_cmh2o is None
    assert "SpO2 from 95 to 88 % and mean arterial pressure from 78 to 62 mmHg with it" in found.advice.rationale


def test_one_low_saturation_of_three_at_the_suggestion_counts() -> None:
    values = enumerate((96, 74, 95))
    more = [reading(Quantity.SPO2, value, START_S + 4 * STEP_S + 40 + 20 * k, 5000 + k) for k, value in values]

    assert "SpO2 was 74 %, below 85" in titrated(more=more).advice.rationale


def test_saturation_after_less_oxygen_is_not_called_clearly_worse() -> None:
    found = titrated({Quantity.SPO2: {20: 97, 12: 88}, Quantity.FIO2_SET: {20: 1.0, 14: 0.4, 12: 0.4}})

    assert "worse-than-best" not in slugs(found)
    assert any("between 40 and 100 %" in caution.text for caution in found.advice.cautions)
