"""How good are a method's answers? Every figure is a share of the trials that its comment names."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.detection.trials import Outcome
from ebbmark.physiology.closing.result import Verdict


@dataclass(frozen=True, slots=True)
class Scores:
    """One row of the table. `nan` where no trial is of the kind.

    Attributes:
        trials: number of trials.
        exact: right step; of the trials with closing, knowable, answered.
        within_one: right step or a neighbour; likewise. A closing called not reached counts as a miss.
        mae_cmh2o: mean absolute error; where closing was reached, knowable, and a pressure was named.
        too_low: pressure more than one step too low; of the knowable, answered trials with a closing or falling.
        false_found_knowable: pressure named; of the knowable trials in which closing was not reached.
        false_found: pressure named; of all trials in which closing was not reached.
        falling_called_found: pressure named; of all trials that fall from the first step.
        missed: called not reached; of all trials with closing.
        missed_confirmable: likewise, of those whose closing has a next step to confirm it.
        abstained_knowable: indeterminate; of the knowable trials.
        abstained: indeterminate; of all trials.
        wrong_unknowable: answered, and not within one step of the truth; of the trials that are not knowable.
        microseconds: median time of one answer.
    """

    trials: int
    exact: float
    within_one: float
    mae_cmh2o: float
    too_low: float
    false_found_knowable: float
    false_found: float
    falling_called_found: float
    missed: float
    missed_confirmable: float
    abstained_knowable: float
    abstained: float
    wrong_unknowable: float
    microseconds: float


def score(outcomes: Sequence[Outcome]) -> Scores:
    """Score a method's answers."""
    closed = _of(outcomes, Verdict.FOUND)
    not_reached = _of(outcomes, Verdict.NOT_REACHED)
    falling = _of(outcomes, Verdict.FALLING_FROM_FIRST_STEP)
    knowable = [o for o in outcomes if o.trial.knowable]
    answered = [o for o in closed if o.trial.knowable and o.answered]
    named = [abs(o.error_cmh2o) for o in answered if o.verdict is Verdict.FOUND]
    steep = [o for o in (*closed, *falling) if o.trial.knowable and o.answered]
    return Scores(
        trials=len(outcomes),
        exact=_share(answered, lambda o: o.exact),
        within_one=_share(answered, lambda o: o.within_one),
        mae_cmh2o=float(np.mean(named)) if named else float("nan"),
        too_low=_share(steep, lambda o: o.dangerous),
        false_found_knowable=_share([o for o in not_reached if o.trial.knowable], _names_a_pressure),
        false_found=_share(not_reached, _names_a_pressure),
        falling_called_found=_share(falling, _names_a_pressure),
        missed=_share(closed, _says_not_reached),
        missed_confirmable=_share([o for o in closed if not _at_the_last_step(o)], _says_not_reached),
        abstained_knowable=_share(knowable, lambda o: not o.answered),
        abstained=_share(outcomes, lambda o: not o.answered),
        wrong_unknowable=_share(
            [o for o in outcomes if not o.trial.knowable], lambda o: o.answered and not o.within_one
        ),
        microseconds=1e6 * float(np.median([o.seconds for o in outcomes])) if outcomes else float("nan"),
    )


def coverage(outcomes: Sequence[Outcome]) -> tuple[int, float]:
    """Return how many intervals of real closings were given, and the share that holds the true closing pressure."""
    given = _with_interval(outcomes)
    return len(given), _share(given, _holds_truth)


def mean_width_cmh2o(outcomes: Sequence[Outcome]) -> float:
    """Return the mean width of the intervals of real closings."""
    widths = [o.interval_cmh2o[1] - o.interval_cmh2o[0] for o in _with_interval(outcomes) if o.interval_cmh2o]
    return float(np.mean(widths)) if widths else float("nan")


def _with_interval(outcomes: Sequence[Outcome]) -> list[Outcome]:
    return [o for o in _of(outcomes, Verdict.FOUND) if o.interval_cmh2o is not None]


def _holds_truth(outcome: Outcome) -> bool:
    case = outcome.trial.case
    assert outcome.interval_cmh2o is not None
    assert case.truth.step is not None
    low, high = outcome.interval_cmh2o
    return low - 1e-9 <= case.peeps_cmh2o[case.truth.step] <= high + 1e-9


def _of(outcomes: Sequence[Outcome], truth: Verdict) -> list[Outcome]:
    return [o for o in outcomes if o.trial.case.truth.verdict is truth]


def _names_a_pressure(outcome: Outcome) -> bool:
    return outcome.verdict is Verdict.FOUND


def _says_not_reached(outcome: Outcome) -> bool:
    return outcome.verdict is Verdict.NOT_REACHED


def _at_the_last_step(outcome: Outcome) -> bool:
    return outcome.trial.case.truth.step == len(outcome.trial.steps) - 1


def _share(outcomes: Sequence[Outcome], holds: Callable[[Outcome], bool]) -> float:
    return sum(map(holds, outcomes)) / len(outcomes) if outcomes else float("nan")
