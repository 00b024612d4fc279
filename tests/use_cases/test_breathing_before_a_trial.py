"""Before a trial: breaths of the patient's own, trapped air and vital signs beyond a stop limit stand in the way."""

from __future__ import annotations

import pytest

from bedside_builders import Said, asked, refused, row, stamp, value_of
from fhir_builders import Json

NOW = stamp(60)
SETTINGS = [
    row(stamp(40), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(45), "breath", plateau=24.0, expired=360.0, peak=29.0),
    row(stamp(55), "vitals", spo2=93.0, map=75.0, heart_rate=96.0),
]
WHO: Json = {"name": "acknowledged-by", "valueReference": {"display": "Dr A. Invented"}}


def assessed(**values: float) -> Said:
    return asked("assess-candidate", [*SETTINGS, row(stamp(56), "more", **values)], now=NOW)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("values", "issue"),
    [
        ({"support": 8.0}, "pressure-support"),
        ({"support": 8.0, "rate": 12.0, "breathed": 26.0}, "pressure-support"),
        ({"rate": 22.0, "breathed": 24.1}, "rate-above-set"),
        ({"total": 15.0}, "intrinsic-peep"),
        ({"volume_set": 400.0, "expired": 250.0}, "leak-likely"),
        ({"heart_rate": 151.0}, "heart-rate-high"),
        ({"heart_rate": 39.0}, "heart-rate-low"),
    ],
)
def test_what_stands_in_the_way_is_of_high_risk_and_stops_a_plan_until_it_is_acknowledged(
    values: dict[str, float], issue: str
) -> None:
    said = assessed(**values)
    refusal = refused("plan-trial", [*SETTINGS, row(stamp(56), "more", **values)], now=NOW)  # type: ignore[arg-type]

    assert said.issue(issue)["severity"] == "high"
    assert value_of(said.observation("candidate-assessment")) == "high-risk"
    assert issue in {problem.found for problem in refusal.problems}


@pytest.mark.parametrize(
    ("values", "issue"),
    [
        ({"support": 0.0}, "pressure-support"),
        ({"volume_set": 400.0, "expired": 345.0}, "leak-likely"),
        ({"volume_set": 400.0, "above": 14.0, "expired": 250.0}, "leak-likely"),
        ({"support": 8.0, "rate": 22.0, "breathed": 22.0}, "pressure-support"),
        ({"rate": 22.0, "breathed": 24.0}, "rate-above-set"),
        ({"total": 12.9}, "intrinsic-peep"),
    ],
)
def test_a_passive_patient_without_trapped_air_is_not_held_up(values: dict[str, float], issue: str) -> None:
    assert issue not in assessed(**values).issues


@pytest.mark.parametrize(("total", "severity"), [(13.0, "moderate"), (14.9, "moderate"), (15.0, "high")])
def test_intrinsic_peep_is_named_from_three_and_grave_from_five(total: float, severity: str) -> None:
    assert assessed(total=total).issue("intrinsic-peep")["severity"] == severity


@pytest.mark.parametrize(("rate", "severity"), [(141.0, "moderate"), (150.0, "moderate"), (151.0, "high")])
def test_an_extreme_is_looked_at_and_beyond_the_stop_limit_it_is_of_high_risk(rate: float, severity: str) -> None:
    assert assessed(heart_rate=rate).issue("heart-rate-high")["severity"] == severity


def test_breaths_of_the_patients_own_can_be_acknowledged_by_name() -> None:
    given: Json = {"name": "acknowledged", "valueString": "rate-above-set"}
    rows = [*SETTINGS, row(stamp(56), "more", rate=22.0, breathed=34.0)]

    said = asked("plan-trial", rows, given, WHO, now=NOW)

    assert any("rate above set" in note for note in said.notes)
