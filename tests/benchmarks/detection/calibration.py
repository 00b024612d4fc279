"""Does 80 % mean 80 %? And what is the error if only the surest answers are given?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.detection.trials import Outcome, position
from ebbmark.physiology.closing.result import Verdict


@dataclass(frozen=True, slots=True)
class Bin:
    """Stated probabilities of one tenth, and how often they came true.

    Attributes:
        low, high: edges of the bin.
        count: stated probabilities in it.
        stated: their mean.
        observed: share that came true.
    """

    low: float
    high: float
    count: int
    stated: float
    observed: float


@dataclass(frozen=True, slots=True)
class RiskPoint:
    """Error of the surest answers.

    Attributes:
        answered: share of the trials answered.
        not_exact: share of those answered otherwise than the truth.
        not_within_one: share of those answered more than one step off, or with another verdict.
    """

    answered: float
    not_exact: float
    not_within_one: float


def top_stated(outcomes: Sequence[Outcome]) -> tuple[list[float], list[bool]]:
    """Collect for every trial, also the indeterminate ones, the likeliest hypothesis and whether it was true.

    The hypotheses are the steps (step 1 being *falling from the first step*) and *not reached*.
    """
    stated, true = [], []
    for outcome in outcomes:
        best = int(np.argmax(outcome.chances))
        stated.append(outcome.chances[best])
        true.append(best == _true_place(outcome))
    return stated, true


def reliability(stated: Sequence[float], true: Sequence[bool], bins: int = 10) -> tuple[Bin, ...]:
    """Sort stated probabilities into equal bins; empty bins are left out."""
    p, hit = np.asarray(stated), np.asarray(true, dtype=float)
    place = np.minimum((p * bins).astype(int), bins - 1)
    return tuple(
        Bin(k / bins, (k + 1) / bins, int(at.sum()), float(p[at].mean()), float(hit[at].mean()))
        for k in range(bins)
        if (at := place == k).any()
    )


def expected_calibration_error(table: Sequence[Bin]) -> float:
    """Mean distance of stated from observed, weighted by count."""
    total = sum(b.count for b in table)
    return sum(b.count * abs(b.stated - b.observed) for b in table) / total


def risk_coverage(outcomes: Sequence[Outcome], points: int = 40) -> tuple[RiskPoint, ...]:
    """Answer only the surest share of the trials with the likeliest hypothesis, for shares from a twentieth up."""
    ranked = sorted(outcomes, key=lambda o: -o.confidence)
    exact = np.cumsum([_best_place(o) != _true_place(o) for o in ranked])
    near = np.cumsum([not _near(o) for o in ranked])
    ends = np.unique(np.linspace(max(len(ranked) / 20, 1), len(ranked), points).astype(int))
    return tuple(RiskPoint(n / len(ranked), float(exact[n - 1]) / n, float(near[n - 1]) / n) for n in map(int, ends))


def _best_place(outcome: Outcome) -> int:
    return int(np.argmax(outcome.chances))


def _true_place(outcome: Outcome) -> int:
    truth = outcome.trial.case.truth
    place = position(truth.verdict, truth.step)
    return len(outcome.chances) - 1 if place is None else place


def _near(outcome: Outcome) -> bool:
    best, true = _best_place(outcome), _true_place(outcome)
    none = len(outcome.chances) - 1
    if outcome.trial.case.truth.verdict is Verdict.NOT_REACHED or best == none:
        return best == true
    return abs(best - true) <= 1
