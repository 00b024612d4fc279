"""What does the figure show? Everything that is drawn, taken from a recommendation, and nothing else of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.physiology.closing.estimate import Closing, StepEstimate, Verdict

__all__ = ["Figure", "FigureStep", "Margin", "Shown", "figure_of"]


@dataclass(frozen=True, slots=True)
class FigureStep:
    """One step of the limb.

    Attributes:
        peep_cmh2o: set PEEP.
        readings_ml_per_cmh2o: one compliance per settled reading, in order of time.
        centre_ml_per_cmh2o: their median, as the step's result says it.
        expected_ml_per_cmh2o: expected true compliance and its 90 % band as (value, low, high); None without an
            estimate.
        probability: that closing started at this step, or in a trial in progress that it has been passed; None
            without an estimate.
    """

    peep_cmh2o: float
    readings_ml_per_cmh2o: tuple[float, ...]
    centre_ml_per_cmh2o: float
    expected_ml_per_cmh2o: tuple[float, float, float] | None
    probability: float | None


class Shown(Protocol):
    """What both panels need of a figure, whether the trial has ended or not."""

    @property
    def steps(self) -> tuple[FigureStep, ...]:
        """Those with readings, highest PEEP first, at least one."""

    @property
    def levels_cmh2o(self) -> tuple[float, ...]:
        """Every PEEP on the scale, highest first; one without a reading yet included."""

    @property
    def static(self) -> bool:
        """Whether the compliances are static (from plateau pressure) or dynamic."""

    @property
    def peep_source(self) -> str:
        """Either set or measured."""


@dataclass(frozen=True, slots=True)
class Margin:
    """What one margin above the closing pressure would lead to.

    Attributes:
        margin_cmh2o: the margin.
        peep_cmh2o: closing pressure plus margin.
        tested: whether that PEEP lies within the tested range.
    """

    margin_cmh2o: float
    peep_cmh2o: float
    tested: bool


@dataclass(frozen=True, slots=True)
class Figure:
    """Everything drawn.

    Attributes:
        steps: highest PEEP first, at least one.
        static: whether the compliances are static (from plateau pressure) or dynamic.
        peep_source: "set" or "measured".
        closing: the estimate, for what is said of it; its steps are not drawn, those above are.
        estimated: whether there are probabilities; without, the estimate says why.
        suggested_peep_cmh2o: None where none is suggested.
        margin_cmh2o: margin of the suggestion.
        margins: all margins looked at; empty without a suggestion.
        identity: of the answer.
        engine_version: version of this software.
    """

    steps: tuple[FigureStep, ...]
    static: bool
    peep_source: str
    closing: Closing
    estimated: bool
    suggested_peep_cmh2o: float | None
    margin_cmh2o: float
    margins: tuple[Margin, ...]
    identity: str
    engine_version: str

    @property
    def levels_cmh2o(self) -> tuple[float, ...]:
        """PEEP of every step."""
        return tuple(step.peep_cmh2o for step in self.steps)


def figure_of(recommendation: Recommendation) -> Figure:
    """Take what is drawn out of an answer.

    Args:
        recommendation: the answer.
    """
    closing, trial, advice = recommendation.closing, recommendation.trial, recommendation.advice
    # Where the model does not apply, what fills the places of its numbers must not be shown.
    estimated = closing.verdict is not Verdict.INDETERMINATE or closing.probability > 0
    estimates: Sequence[StepEstimate | None] = closing.steps if estimated else [None] * len(trial.steps)
    suggested = advice.suggested_peep_cmh2o
    return Figure(
        steps=tuple(
            FigureStep(
                peep_cmh2o=step.peep_cmh2o,
                readings_ml_per_cmh2o=tuple(sample.compliance_ml_per_cmh2o for sample in step.samples),
                centre_ml_per_cmh2o=step.compliance_ml_per_cmh2o,
                expected_ml_per_cmh2o=None if estimate is None else _expected(estimate),
                probability=None if estimate is None else estimate.probability,
            )
            for step, estimate in zip(trial.steps, estimates, strict=True)
        ),
        static=trial.kind.static,
        peep_source=trial.peep_source,
        closing=closing,
        estimated=estimated,
        suggested_peep_cmh2o=suggested,
        margin_cmh2o=advice.margin_cmh2o,
        margins=()
        if suggested is None
        else tuple(Margin(row.margin_cmh2o, row.peep_cmh2o, row.tested) for row in advice.what_if),
        identity=recommendation.identity,
        engine_version=recommendation.engine_version,
    )


def _expected(estimate: StepEstimate) -> tuple[float, float, float]:
    return (
        estimate.fitted_ml_per_cmh2o,
        estimate.fitted_low_ml_per_cmh2o,
        estimate.fitted_high_ml_per_cmh2o,
    )
