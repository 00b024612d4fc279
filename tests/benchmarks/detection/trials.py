"""Which trials are run, and what did each method answer?"""

from __future__ import annotations

import time
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchmarks.detection.competitors import Rule
from benchmarks.detection.conditions import CONDITIONS, Kind
from benchmarks.detection.families import FAMILIES, LungCase, cases
from benchmarks.detection.invented_lungs import Purpose
from benchmarks.detection.knowable import is_knowable
from benchmarks.detection.measuring import measure, standard_errors
from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import Closing, CurveStep, Verdict


class Estimate(Protocol):
    """What is put to the test: the estimator, told as in service whether compliance is dynamic."""

    def __call__(self, steps: Sequence[CurveStep], *, dynamic: bool = False) -> Closing:
        """Estimate the closing pressure of one limb."""
        ...


@dataclass(frozen=True, slots=True)
class Trial:
    """One measured limb.

    Attributes:
        case: the noise-free limb with its right answer.
        condition: name of the measuring conditions.
        steps: what the methods see.
        knowable: whether a statement may be expected (see `knowable`).
        noise: largest relative standard error of a step mean, from the noise that was put in.
    """

    case: LungCase
    condition: str
    steps: tuple[CurveStep, ...]
    knowable: bool
    noise: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """One answer to one trial.

    Attributes:
        trial: the trial.
        verdict: what was said.
        step: index of the step named where FOUND.
        interval_cmh2o: 90 % interval where given.
        chances: probability per hypothesis, steps 0 to n - 1 (where 0 stays empty and 1 is falling from the
            first step), then not reached; empty for rules, which give none.
        seconds: how long it took.
    """

    trial: Trial
    verdict: Verdict
    step: int | None
    interval_cmh2o: tuple[float, float] | None = None
    chances: tuple[float, ...] = ()
    seconds: float = 0.0

    @property
    def answered(self) -> bool:
        """Whether a statement was made."""
        return self.verdict is not Verdict.INDETERMINATE

    @property
    def exact(self) -> bool:
        """Whether it was the right verdict and, where found, the right step."""
        truth = self.trial.case.truth
        return self.verdict is truth.verdict and (self.verdict is not Verdict.FOUND or self.step == truth.step)

    @property
    def within_one(self) -> bool:
        """Whether it was exact or next to it, falling from the first step standing at step 1."""
        truth = self.trial.case.truth
        said, true = position(self.verdict, self.step), position(truth.verdict, truth.step)
        return self.exact or (said is not None and true is not None and abs(said - true) <= 1)

    @property
    def error_cmh2o(self) -> float:
        """Pressure named minus true closing pressure; only where both are found."""
        peeps = self.trial.case.peeps_cmh2o
        assert self.step is not None
        assert self.trial.case.truth.step is not None
        return peeps[self.step] - peeps[self.trial.case.truth.step]

    @property
    def dangerous(self) -> bool:
        """Whether a pressure more than one step too low was named."""
        true = self.trial.case.truth.step
        return self.verdict is Verdict.FOUND and self.step is not None and true is not None and self.step > true + 1

    @property
    def confidence(self) -> float:
        """Largest probability of a single hypothesis."""
        return max(self.chances)


def position(verdict: Verdict, step: int | None) -> int | None:
    """Place a verdict on the axis of steps; None for not reached and indeterminate."""
    if verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return 1
    return step if verdict is Verdict.FOUND else None


def draw_trials(
    *,
    purpose: Purpose,
    per_cell: int,
    families: Iterable[str] = tuple(FAMILIES),
    conditions: Iterable[str] = tuple(CONDITIONS),
    lungs: int = 160,
    seed: int = 0,
) -> tuple[Trial, ...]:
    """Measure `per_cell` limbs for each family under each condition; the limbs differ from cell to cell.

    Args:
        purpose: tuning or report lungs.
        per_cell: limbs per family and condition.
        families: keys of FAMILIES.
        conditions: keys of CONDITIONS.
        lungs: size of the pool of lungs.
        seed: same arguments, same trials.
    """
    trials = []
    names = tuple(conditions)
    for family in families:
        limbs = cases(family, purpose=purpose, count=per_cell * len(names), seed=seed, lungs=lungs)
        for i, limb in enumerate(limbs):
            name = names[i % len(names)]
            how = CONDITIONS[name]
            trials.append(
                Trial(
                    case=limb,
                    condition=name,
                    steps=measure(limb, how, seed=zlib.crc32(name.encode())),
                    knowable=is_knowable(limb, how),
                    noise=max(standard_errors(limb, how)),
                )
            )
    return tuple(trials)


def is_dynamic(trial: Trial) -> bool:
    """Whether the compliances of the trial are dynamic, which the service knows of every trial."""
    return CONDITIONS[trial.condition].kind is Kind.DYNAMIC


def estimate_trial(trial: Trial) -> Closing:
    """Estimate as the service would."""
    return estimate_closing(trial.steps, dynamic=is_dynamic(trial))


def ask_estimator(estimate: Estimate, trial: Trial) -> Outcome:
    """Put one trial to the estimator."""
    start = time.perf_counter()
    closing = estimate(trial.steps, dynamic=is_dynamic(trial))
    seconds = time.perf_counter() - start
    peeps = [step.peep_cmh2o for step in trial.steps]
    named = closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None
    chances = [step.probability for step in closing.steps]
    # Where closing lies at the second step is by definition falling from the first step: one hypothesis, one place.
    if len(chances) > 1:
        chances[1] += closing.falling_from_first_step
    return Outcome(
        trial=trial,
        verdict=closing.verdict,
        step=peeps.index(closing.peep_cmh2o) if named and closing.peep_cmh2o is not None else None,
        interval_cmh2o=closing.interval_cmh2o,
        chances=(*chances, closing.not_reached),
        seconds=seconds,
    )


def ask_rule(rule: Rule, trial: Trial) -> Outcome:
    """Put one trial to a rule that sees the means of the steps."""
    peeps = np.array([step.peep_cmh2o for step in trial.steps])
    means = np.array([float(np.mean(step.compliances_ml_per_cmh2o)) for step in trial.steps])
    start = time.perf_counter()
    answer = rule(peeps, means)
    seconds = time.perf_counter() - start
    step = answer.step if answer.verdict is Verdict.FOUND else None
    return Outcome(trial=trial, verdict=answer.verdict, step=step, seconds=seconds)
