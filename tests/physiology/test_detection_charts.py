"""The second generator of lungs, and trials as charts hold them."""

from __future__ import annotations

from collections import Counter

import pytest

from benchmarks.detection.chart_goals import chart_goals, exact_curve_shares, kind_of_fall
from benchmarks.detection.charts import CHARTS, ask_chart, draw_chart_trials, estimate_chart
from benchmarks.detection.gravity_lungs import HOLD_OUT, SECOND, Ranges, gravity_cases
from benchmarks.detection.truth import true_closing
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.readings import Quantity

FEW = 8


def test_the_same_seed_gives_the_same_lungs_and_charts() -> None:
    first = gravity_cases(FEW)
    gravity_cases.cache_clear()

    assert gravity_cases(FEW) == first
    assert draw_chart_trials(gravity_cases(FEW)) == draw_chart_trials(gravity_cases(FEW))


@pytest.mark.parametrize("ranges", [SECOND, HOLD_OUT])
def test_truth_is_the_definition_applied_to_the_elastic_curve(ranges: Ranges) -> None:
    for case in gravity_cases(FEW, ranges=ranges):
        volumes, plateaus, totals = case.volumes_ml, case.plateaus_cmh2o, case.total_peeps_cmh2o
        elastic = [v / (p - t) for v, p, t in zip(volumes, plateaus, totals, strict=True)]

        assert elastic == pytest.approx(case.compliances_ml_per_cmh2o)
        assert true_closing(elastic) == case.truth


def test_pressures_of_a_lung_rise_in_order() -> None:
    for case in gravity_cases(FEW):
        for peep, total, plateau, peak in zip(
            case.peeps_cmh2o, case.total_peeps_cmh2o, case.plateaus_cmh2o, case.peaks_cmh2o, strict=True
        ):
            assert peep <= total < plateau < peak


def test_a_chart_never_holds_total_peep() -> None:
    for trial in draw_chart_trials(gravity_cases(FEW)):
        kinds = {reading.quantity for reading in trial.readings}
        assert kinds.isdisjoint({Quantity.PEEP_TOTAL, Quantity.PEEP_INTRINSIC})


def test_every_kind_of_chart_is_answered_with_probabilities_that_sum_to_one() -> None:
    for name in CHARTS:
        for trial in draw_chart_trials(gravity_cases(FEW), charts=[name]):
            assert sum(ask_chart(trial).chances) == pytest.approx(1.0, abs=1e-5)


def test_repeated_holds_beside_one_volume_count_as_one_reading_and_every_step_is_used() -> None:
    for trial in draw_chart_trials(gravity_cases(FEW), charts=["plateau holds repeated"]):
        seen = Counter(reading.quantity for reading in trial.readings)
        rows = seen[Quantity.TIDAL_VOLUME_EXPIRED]
        assert rows < seen[Quantity.PLATEAU_PRESSURE] <= 3 * rows
        closing = estimate_chart(trial)
        assert closing is not None
        assert [step.peep_cmh2o for step in closing.steps] == list(trial.case.peeps_cmh2o)
        assert sum(step.readings for step in closing.steps) < seen[Quantity.PLATEAU_PRESSURE]


def test_exact_curves_are_mostly_named_exactly() -> None:
    shares = exact_curve_shares(gravity_cases(60))

    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares[0] >= 0.75


def test_goals_are_measured_on_charts() -> None:
    cases = gravity_cases(FEW)
    goals = chart_goals([ask_chart(trial) for trial in draw_chart_trials(cases)], cases)

    assert {goal.name for goal in goals} >= {"knowable closings, answered: exact", "calibration error"}
    assert {kind_of_fall(case) for case in cases} <= {
        "abrupt",
        "between",
        "gradual",
        Verdict.NOT_REACHED.value,
        Verdict.FALLING_FROM_FIRST_STEP.value,
    }
