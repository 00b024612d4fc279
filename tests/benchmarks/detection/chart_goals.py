"""The goals for charts, set before anything was measured on them, and what was measured."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

from benchmarks.detection.calibration import expected_calibration_error, reliability, top_stated
from benchmarks.detection.charts import CHARTS, PLAIN_CHARTS, VOID_CHART, open_circuit_seen
from benchmarks.detection.families import LungCase
from benchmarks.detection.goals import FEWEST_INTERVALS, Goal
from benchmarks.detection.scoring import coverage, score
from benchmarks.detection.trials import Outcome, position
from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import CurveStep, Verdict

ODD = tuple(name for name in CHARTS if name not in (*PLAIN_CHARTS, VOID_CHART))


def kind_of_fall(case: LungCase) -> str:
    """Abrupt, gradual or between, by the limits of the families; or that nothing closed."""
    step, c = case.truth.step, case.compliances_ml_per_cmh2o
    if case.truth.verdict is not Verdict.FOUND or step is None:
        return case.truth.verdict.value
    lost = (c[step - 1] - c[step]) / max(c[:step])
    return "abrupt" if lost >= 0.10 else "gradual" if lost <= 0.065 else "between"


def chart_goals(outcomes: Sequence[Outcome], curves: Sequence[LungCase]) -> tuple[Goal, ...]:
    """Measure answers to charts against all goals.

    Args:
        outcomes: answers to charts of all kinds.
        curves: noise-free limbs, put to the estimate as three equal readings a step.
    """
    plain = _where(outcomes, lambda o: o.trial.condition in PLAIN_CHARTS)
    static, dynamic = (_named(outcomes, name) for name in PLAIN_CHARTS)
    falls = {name: [o for o in plain if kind_of_fall(o.trial.case) == name] for name in FALLS}
    odd = _where(outcomes, lambda o: o.trial.condition in ODD)
    every = score(plain)
    low, high = _off_by_one(plain, 1), _off_by_one(plain, -1)
    covered = [coverage(some) for some in (static, dynamic, *falls.values())]
    worst = min((share for count, share in covered if count >= FEWEST_INTERVALS), default=math.nan)
    exact = exact_curve_shares(curves)
    return (
        Goal("knowable closings, answered: how many", float(_closings_answered(plain))),
        Goal("  plateau charted: how many", float(_closings_answered(static))),
        Goal("knowable closings, answered: exact", every.exact, at_least=0.72),
        Goal("  plateau charted", score(static).exact, at_least=0.78),
        Goal("  dynamic only", score(dynamic).exact),
        *(Goal(f"  {name}", score(falls[name]).exact, at_least=least) for name, least in FALLS.items()),
        Goal("  one step too low", low, at_most=0.15),
        Goal("  one step too high", high),
        Goal("  too low beyond too high", low - high, at_most=0.05),
        Goal("  within one step", every.within_one, at_least=0.98),
        Goal("  more than one step too low", every.too_low, at_most=0.01),
        # Knowable trials are those that fell far at closing, so that the step above is often named. Whoever asks does
        # not know whether a trial is: the lean shows over all closings that were answered.
        *(
            goal
            for name, some in (("all", plain), ("plateau charted", static), ("dynamic only", dynamic))
            for goal in _lean(name, some)
        ),
        Goal("knowable: left indeterminate", every.abstained_knowable, at_most=0.15),
        Goal("  plateau charted", score(static).abstained_knowable, at_most=0.10),
        Goal("90 % interval: coverage", coverage(plain)[1], at_least=0.88, at_most=0.94),
        Goal("90 % interval: worst family", worst, at_least=0.85),
        Goal("calibration error", _calibration_error(plain), at_most=0.05),
        Goal("  dynamic only", _calibration_error(dynamic), at_most=0.08),
        Goal("not reached: pressure named", every.false_found, at_most=0.02),
        Goal("falling from first step: pressure named", every.falling_called_found, at_most=0.10),
        Goal("not knowable: wrong answer", every.wrong_unknowable, at_most=0.12),
        Goal("odd rows, knowable: left indeterminate", score(odd).abstained_knowable, at_most=0.20),
        Goal("odd rows, knowable: exact", score(odd).exact, at_least=0.65),
        *(Goal(f"  {name}: indeterminate", score(_named(odd, name)).abstained_knowable, at_most=0.20) for name in ODD),
        *(Goal(f"  {name}: exact", score(_named(odd, name)).exact, at_least=0.65) for name in ODD),
        Goal("circuit opened: not seen", _unseen(_named(outcomes, VOID_CHART)), at_most=0.0),
        Goal("exact curves: exact", exact.get(0, 0.0), at_least=0.90),
        Goal("exact curves: one step too low", exact.get(1, 0.0)),
        Goal("exact curves: one step too high", exact.get(-1, 0.0)),
    )


FALLS = {"abrupt": 0.82, "between": None, "gradual": 0.60}
"""Kinds of fall, and the least share of exact answers."""


def exact_curve_shares(curves: Sequence[LungCase]) -> dict[int | str, float]:
    """Put exact curves to the estimate; shares by steps too low (positive) or high, or by another verdict.

    Closings at the last step are left out: no next step confirms them.

    Args:
        curves: noise-free limbs.
    """
    found: Counter[int | str] = Counter()
    for case in curves:
        last = len(case.peeps_cmh2o) - 1
        if case.truth.step is None or case.truth.verdict is not Verdict.FOUND or case.truth.step == last:
            continue
        steps = [
            CurveStep(peep, (value,) * 3)
            for peep, value in zip(case.peeps_cmh2o, case.compliances_ml_per_cmh2o, strict=True)
        ]
        closing = estimate_closing(steps)
        named = closing.peep_cmh2o
        found[closing.verdict.value if named is None else case.peeps_cmh2o.index(named) - case.truth.step] += 1
    return {key: count / found.total() for key, count in found.items()}


def _off_by_one(outcomes: Sequence[Outcome], steps: int) -> float:
    """Share named one step too low (1) or too high (-1), of the knowable closings that were answered."""
    closed = _where(
        outcomes,
        lambda o: o.trial.knowable and o.answered and o.trial.case.truth.verdict is Verdict.FOUND,
    )
    off = [position(o.verdict, o.step) for o in closed]
    count = sum(
        place is not None and o.trial.case.truth.step is not None and place - o.trial.case.truth.step == steps
        for place, o in zip(off, closed, strict=True)
    )
    return count / len(closed) if closed else math.nan


def _lean(name: str, outcomes: Sequence[Outcome]) -> tuple[Goal, Goal]:
    """Share named too low and too high, by any number of steps, of all closings that were answered."""
    places = [
        (position(o.verdict, o.step), o.trial.case.truth.step or 0)
        for o in _where(outcomes, lambda o: o.answered and o.trial.case.truth.verdict is Verdict.FOUND)
    ]
    low, high = (
        sum(said is not None and sign * (said - true) > 0 for said, true in places) / len(places)
        if places
        else math.nan
        for sign in (1, -1)
    )
    return Goal(f"every closing answered, {name}: too low", low), Goal("  too high", high)


def _unseen(outcomes: Sequence[Outcome]) -> float:
    return sum(not open_circuit_seen(o.trial) for o in outcomes) / len(outcomes) if outcomes else math.nan


def _closings_answered(outcomes: Sequence[Outcome]) -> int:
    return sum(o.trial.knowable and o.answered and o.trial.case.truth.verdict is Verdict.FOUND for o in outcomes)


def _calibration_error(outcomes: Sequence[Outcome]) -> float:
    return expected_calibration_error(reliability(*top_stated(outcomes))) if outcomes else math.nan


def _named(outcomes: Sequence[Outcome], chart: str) -> list[Outcome]:
    return _where(outcomes, lambda o: o.trial.condition == chart)


def _where(outcomes: Sequence[Outcome], holds: Callable[[Outcome], bool]) -> list[Outcome]:
    return [outcome for outcome in outcomes if holds(outcome)]
