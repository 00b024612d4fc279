"""Step by step: when would one have been told to stop lowering, how often falsely, and how late?

The question is asked again after each step, on the steps so far, and the rule of the core (`closing.estimator`) is
applied for a row of limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.detection.trials import Trial, is_dynamic
from ebbmark.physiology.closing.estimator import closing_passed
from ebbmark.physiology.closing.result import Verdict, should_stop_lowering

LIMITS = (0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.975, 0.99)


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """One limit of the call to stop.

    Attributes:
        limit: probability that closing was passed, at or above which the call is given.
        in_a_row: how many steps in a row must say so.
        false_calls: share of all trials in which the call came before closing, or closing never came.
        never_called: share of the trials with closing or falling in which no call came by the end.
        delay_steps: mean number of steps from the closing step to the call, where it came and was not false.
    """

    limit: float
    in_a_row: int
    false_calls: float
    never_called: float
    delay_steps: float


def passed_by_step(trial: Trial) -> tuple[float, ...]:
    """Probability that closing was passed, asked after each step."""
    dynamic = is_dynamic(trial)
    return tuple(closing_passed(trial.steps[: i + 1], dynamic=dynamic) for i in range(len(trial.steps)))


def operating_curve(
    trials: Sequence[Trial], passed: Sequence[Sequence[float]], *, in_a_row: int
) -> tuple[OperatingPoint, ...]:
    """Trade false calls against delay over all limits.

    Args:
        trials: the trials.
        passed: `passed_by_step` of each.
        in_a_row: how many steps in a row must reach the limit.
    """
    return tuple(_point(trials, passed, limit, in_a_row) for limit in LIMITS)


def _point(trials: Sequence[Trial], passed: Sequence[Sequence[float]], limit: float, in_a_row: int) -> OperatingPoint:
    false, never, delays, closings = 0, 0, [], 0
    for trial, chances in zip(trials, passed, strict=True):
        truth = trial.case.truth
        call = _call(chances, limit, in_a_row)
        closes = truth.verdict is not Verdict.NOT_REACHED and truth.step is not None
        closings += closes
        if call is None:
            never += closes
        elif not closes or truth.step is None or call < truth.step:
            false += 1
        else:
            delays.append(call - truth.step)
    return OperatingPoint(
        limit=limit,
        in_a_row=in_a_row,
        false_calls=false / len(trials),
        never_called=never / closings if closings else float("nan"),
        delay_steps=float(np.mean(delays)) if delays else float("nan"),
    )


def _call(chances: Sequence[float], limit: float, in_a_row: int) -> int | None:
    for i in range(len(chances)):
        if should_stop_lowering(chances[: i + 1], limit=limit, in_a_row=in_a_row):
            return i
    return None
