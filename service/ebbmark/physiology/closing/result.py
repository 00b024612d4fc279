"""The result of an estimate of the closing pressure; `estimator` makes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import fsum
from typing import Final

from ebbmark.physiology.findings import Message, Value, joined, message

NAMED_IN_VAIN: Final = 8.0
NO_ANSWER: Final = 0.8
"""Loss of a closing that is named in vain, and of no answer [units of `decision`]."""

STOP_LIMIT: Final = 1.0 - NO_ANSWER / NAMED_IN_VAIN
"""Probability at which lowering should stop: there a call in vain is expected to cost as much as no answer."""


def should_stop_lowering(passed: Sequence[float], *, limit: float = STOP_LIMIT, in_a_row: int = 1) -> bool:
    """Decide whether lowering PEEP should stop now.

    Args:
        passed: probability that closing has been passed, after each step so far, oldest first.
        limit: least probability, above 0 to 1.
        in_a_row: how many of the last steps must reach it, at least 1.

    Raises:
        ValueError: a limit or number outside its range.
    """
    if not 0.0 < limit <= 1.0 or in_a_row < 1:
        raise ValueError("limit must lie above 0 and not above 1, and in_a_row be at least 1")
    return len(passed) >= in_a_row and all(chance >= limit for chance in passed[-in_a_row:])


class Verdict(Enum):
    """What the trial says about closing."""

    FOUND = "found"
    NOT_REACHED = "not-reached"
    FALLING_FROM_FIRST_STEP = "falling-from-first-step"
    INDETERMINATE = "indeterminate"


class Shape(Enum):
    """How compliance fell once it fell."""

    ABRUPT = "abrupt"
    GRADUAL = "gradual"


class Evidence(Enum):
    """Strength of the evidence for the verdict, in words with a fixed rule."""

    STRONG = "strong"
    MODERATE = "moderate"
    WEAK = "weak"


def evidence_of(probability: float) -> Evidence:
    """Word for the probability of the step named with its neighbours, or of the verdict; limits as in `decision`."""
    if probability >= _STRONG:
        return Evidence.STRONG
    return Evidence.MODERATE if probability >= _MODERATE else Evidence.WEAK


_STRONG, _MODERATE = 0.97, 0.90


class Measurement(Enum):
    """A further measurement that may settle what is indeterminate."""

    READING = "reading"
    PLATEAU = "plateau"
    LOWER_STEP = "lower-step"


@dataclass(frozen=True, slots=True)
class Help:
    """The further measurement that would tell most.

    Attributes:
        peep_cmh2o: at which tested step; READING only.
        gain: by how much the expected loss would fall.
    """

    measurement: Measurement
    peep_cmh2o: float | None
    gain: float

    @property
    def message(self) -> Message:
        """What would have told most."""
        return message(f"closing.help-{self.measurement.value}", peep_cmh2o=round(self.peep_cmh2o or 0.0, 1))


@dataclass(frozen=True, slots=True)
class CurveStep:
    """One step of the decremental limb as the estimate sees it.

    Attributes:
        compliances_ml_per_cmh2o: one per settled reading, all of one kind (static or dynamic), at least one.
        resolution: relative standard deviation that rounding of the charted values alone gives one such
            reading (0 where values were not rounded).
        span_s: time between the first and the last of these readings [s]; None where not known.
    """

    peep_cmh2o: float
    compliances_ml_per_cmh2o: tuple[float, ...]
    resolution: float = 0.0
    span_s: float | None = None


@dataclass(frozen=True, slots=True)
class StepEstimate:
    """What the model says of one step.

    Attributes:
        fitted_ml_per_cmh2o: expected true compliance given all steps.
        fitted_low_ml_per_cmh2o, fitted_high_ml_per_cmh2o: 90 % band of the true compliance.
        probability: that this is the step at which closing started.
    """

    peep_cmh2o: float
    readings: int
    compliance_ml_per_cmh2o: float
    fitted_ml_per_cmh2o: float
    fitted_low_ml_per_cmh2o: float
    fitted_high_ml_per_cmh2o: float
    probability: float


@dataclass(frozen=True, slots=True)
class Closing:
    """The estimate: a probability over the steps, plus not reached, plus falling from the first step.

    The probabilities of all steps, `not_reached` and `falling_from_first_step` sum to one.

    Attributes:
        peep_cmh2o: closing pressure; only when the verdict is FOUND.
        interval_cmh2o: 90 % interval of the closing pressure given that there is one, as (low, high) set
            PEEP of tested steps; only when FOUND.
        probability: of the verdict (for FOUND: that closing was reached at one of the steps);
            for INDETERMINATE the largest of the three probabilities: closed at a step, not reached, falling.
        not_reached: probability that compliance never fell for good in this trial.
        falling_from_first_step: probability that it fell from the first step on.
        steps: one estimate per step, highest PEEP first.
        shape: abrupt or gradual; only when FOUND.
        reason: why INDETERMINATE; empty otherwise.
        would_help: what would tell most, where INDETERMINATE and anything would.
    """

    verdict: Verdict
    peep_cmh2o: float | None
    interval_cmh2o: tuple[float, float] | None
    probability: float
    not_reached: float
    falling_from_first_step: float
    steps: tuple[StepEstimate, ...]
    shape: Shape | None
    evidence: Evidence
    reason: Value = ""
    would_help: Help | None = None

    def taken_back(self, reason: Value) -> Closing:
        """The same probabilities, with no pressure named; the reason is empty where findings say it."""
        return replace(
            self,
            verdict=Verdict.INDETERMINATE,
            peep_cmh2o=None,
            interval_cmh2o=None,
            shape=None,
            evidence=Evidence.WEAK,
            reason=reason,
        )

    @property
    def is_estimated(self) -> bool:
        """Whether there are probabilities; where the model does not apply, what stands in their place is not told."""
        return self.verdict is not Verdict.INDETERMINATE or self.probability > 0

    @property
    def why(self) -> Value:
        """Why INDETERMINATE, and what would tell most; empty otherwise."""
        return joined("sentences", [one for one in (self.reason, self.would_help and self.would_help.message) if one])

    @property
    def evidence_of_curve(self) -> Evidence:
        """What the curve alone says of the step named, whatever was found beside it; only when FOUND."""
        named = [step.peep_cmh2o for step in self.steps].index(self.peep_cmh2o or 0.0)
        return evidence_of(round(fsum(step.probability for step in self.steps[max(named - 1, 0) : named + 2]), 9))
