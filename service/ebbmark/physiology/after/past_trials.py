"""One trial of the past, as one row of a table and one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark.physiology.closing.estimate import Closing, StepEstimate, Verdict
from ebbmark.physiology.trial.steps import ComplianceKind
from ebbmark.physiology.wording import level

__all__ = ["PastTrial", "TrialRow", "row_of"]


@dataclass(frozen=True, slots=True)
class PastTrial:
    """One trial as it was estimated.

    Attributes:
        at_s: its last step [s since 1970-01-01T00:00:00Z].
        closing: the estimate.
        kind: of its compliances.
        suggested_peep_cmh2o: None where none was given.
    """

    at_s: float
    closing: Closing
    kind: ComplianceKind
    suggested_peep_cmh2o: float | None


@dataclass(frozen=True, slots=True)
class TrialRow:
    """One trial in the table.

    Attributes:
        at_s: when [s since 1970-01-01T00:00:00Z].
        verdict: of the estimate.
        closing_cmh2o: None unless found.
        interval_cmh2o: 90 % interval of it; None unless found.
        suggested_peep_cmh2o: None where none was given.
        compliance_ml_per_cmh2o: expected at the suggestion; None where that was not a tested step.
        compliance_band_ml_per_cmh2o: its 90 % band; None where not known.
        kind: of the compliances.
        sentence: one plain sentence.
    """

    at_s: float
    verdict: Verdict
    closing_cmh2o: float | None
    interval_cmh2o: tuple[float, float] | None
    suggested_peep_cmh2o: float | None
    compliance_ml_per_cmh2o: float | None
    compliance_band_ml_per_cmh2o: tuple[float, float] | None
    kind: ComplianceKind
    sentence: str


def row_of(trial: PastTrial) -> TrialRow:
    """Write one trial as a row; compliance is that of the step at the suggested PEEP, never one between steps."""
    closing = trial.closing
    at = _step_at(closing.steps, trial.suggested_peep_cmh2o)
    band = None if at is None else (at.fitted_low_ml_per_cmh2o, at.fitted_high_ml_per_cmh2o)
    return TrialRow(
        at_s=trial.at_s,
        verdict=closing.verdict,
        closing_cmh2o=closing.peep_cmh2o,
        interval_cmh2o=closing.interval_cmh2o,
        suggested_peep_cmh2o=trial.suggested_peep_cmh2o,
        compliance_ml_per_cmh2o=None if at is None else at.fitted_ml_per_cmh2o,
        compliance_band_ml_per_cmh2o=band,
        kind=trial.kind,
        sentence=_told(trial, at),
    )


def _told(trial: PastTrial, at: StepEstimate | None) -> str:
    closing = trial.closing
    if closing.peep_cmh2o is None or closing.interval_cmh2o is None:
        said = {
            Verdict.NOT_REACHED: "closing was not reached",
            Verdict.FALLING_FROM_FIRST_STEP: "compliance fell from the first step on",
        }.get(closing.verdict, "closing could not be told")
        return f"In this trial {said}."
    low, high = closing.interval_cmh2o
    text = f"Closing at {level(closing.peep_cmh2o)} cmH2O (90 % interval {level(low)} to {level(high)})"
    if trial.suggested_peep_cmh2o is not None:
        text += f", suggested PEEP {level(trial.suggested_peep_cmh2o)} cmH2O"
    if at is not None:
        text += (
            f", {'static' if trial.kind.static else 'dynamic'} compliance there about {at.fitted_ml_per_cmh2o:.0f} "
            f"mL/cmH2O (90 % band {at.fitted_low_ml_per_cmh2o:.0f} to {at.fitted_high_ml_per_cmh2o:.0f})"
        )
    return f"{text}."


def _step_at(steps: Sequence[StepEstimate], peep: float | None) -> StepEstimate | None:
    return next((step for step in steps if peep is not None and abs(step.peep_cmh2o - peep) < 0.25), None)
