"""Several trials of one patient: whether closing, suggested PEEP and compliance changed by more than noise.

Two trials are compared through their whole estimates, not their best guesses: the probability that the later closing
pressure lies above, at or below the earlier one. Trials whose compliances are of different kinds (static, dynamic) are
not compared in compliance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import sqrt
from typing import Final

from ebbmark.physiology.after.measures import ASSUMED_NOISE, Measure, Noise
from ebbmark.physiology.closing.result import Closing, StepEstimate, Verdict
from ebbmark.physiology.trial.limb import same_setting
from ebbmark.physiology.trial.steps import ComplianceKind


@dataclass(frozen=True, slots=True)
class PastTrial:
    """One trial as it was estimated.

    Attributes:
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
        closing_cmh2o: None unless found.
        interval_cmh2o: 90 % interval of it; None unless found.
        suggested_peep_cmh2o: None where none was given.
        compliance_ml_per_cmh2o: expected at the suggestion; None where that was not a tested step.
        compliance_band_ml_per_cmh2o: its 90 % band; None where not known.
    """

    at_s: float
    verdict: Verdict
    closing_cmh2o: float | None
    interval_cmh2o: tuple[float, float] | None
    suggested_peep_cmh2o: float | None
    compliance_ml_per_cmh2o: float | None
    compliance_band_ml_per_cmh2o: tuple[float, float] | None
    kind: ComplianceKind


def row_of(trial: PastTrial) -> TrialRow:
    """One trial as a row; compliance is that of the step at the suggested PEEP, never one between steps."""
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
    )


def _step_at(steps: Sequence[StepEstimate], peep: float | None) -> StepEstimate | None:
    return next((step for step in steps if peep is not None and abs(step.peep_cmh2o - peep) < 0.25), None)


SURE_ENOUGH: Final = 0.9
"""Probability at or above which a shift of closing is stated. This project's choice."""

_TWO_SIDED_90: Final = 1.6448536269514722
_TWO_SIDED_95: Final = 1.959963984540054


class Shift(Enum):
    """What may be said of the later trial against the earlier."""

    HIGHER = "higher"
    LOWER = "lower"
    WITHIN_NOISE = "within-noise"
    NOT_COMPARABLE = "not-comparable"


@dataclass(frozen=True, slots=True)
class TrialChange:
    """One trial against the one before it.

    Attributes:
        higher, same, lower: probability that the later closing pressure lies above, at or below the earlier; sum to
            one, or are all zero where the two cannot be compared [1].
        compliance: how compliance at the suggestion shifted.
    """

    from_s: float
    to_s: float
    closing: Shift
    higher: float
    same: float
    lower: float
    compliance: Shift


@dataclass(frozen=True, slots=True)
class TrialsOverTime:
    """All trials of one patient, oldest first."""

    rows: tuple[TrialRow, ...]
    changes: tuple[TrialChange, ...]


def follow_trials(trials: Sequence[PastTrial], *, noise: Noise = ASSUMED_NOISE[Measure.COMPLIANCE]) -> TrialsOverTime:
    """Lay several trials of one patient side by side.

    Args:
        noise: of a single compliance between two days, beside the band of each estimate.
        trials: in any order.

    Source: this project's choice.
    """
    ordered = sorted(trials, key=lambda trial: trial.at_s)
    rows = tuple(map(row_of, ordered))
    changes = tuple(
        _change(first, second, row_one, row_two, noise)
        for (first, second), (row_one, row_two) in zip(pairwise(ordered), pairwise(rows), strict=True)
    )
    return TrialsOverTime(rows, changes)


def _change(first: PastTrial, second: PastTrial, one: TrialRow, two: TrialRow, noise: Noise) -> TrialChange:
    higher, same, lower = _shifts(first.closing, second.closing)
    return TrialChange(
        from_s=first.at_s,
        to_s=second.at_s,
        closing=_closing_shift(higher, same, lower),
        higher=higher,
        same=same,
        lower=lower,
        compliance=_compliance_shift(one, two, noise),
    )


def _shifts(first: Closing, second: Closing) -> tuple[float, float, float]:
    """Probabilities of a higher, equal and lower closing pressure, given that both trials found one."""
    if first.verdict is not Verdict.FOUND or second.verdict is not Verdict.FOUND:
        return 0.0, 0.0, 0.0
    higher = same = lower = 0.0
    for early in first.steps:
        for late in second.steps:
            weight = early.probability * late.probability
            if same_setting(late.peep_cmh2o, early.peep_cmh2o):
                same += weight
            elif late.peep_cmh2o > early.peep_cmh2o:
                higher += weight
            else:
                lower += weight
    total = higher + same + lower
    return (higher / total, same / total, lower / total) if total > 0 else (0.0, 0.0, 0.0)


def _closing_shift(higher: float, same: float, lower: float) -> Shift:
    if higher + same + lower == 0.0:
        return Shift.NOT_COMPARABLE
    if higher >= SURE_ENOUGH:
        return Shift.HIGHER
    return Shift.LOWER if lower >= SURE_ENOUGH else Shift.WITHIN_NOISE


def _compliance_shift(one: TrialRow, two: TrialRow, noise: Noise) -> Shift:
    """Both estimates' own bands, and the noise of one reading for what differs between two days at one bedside."""
    values = (one.compliance_ml_per_cmh2o, two.compliance_ml_per_cmh2o)
    bands = (one.compliance_band_ml_per_cmh2o, two.compliance_band_ml_per_cmh2o)
    before, after = values
    if before is None or after is None or bands[0] is None or bands[1] is None or one.kind.static != two.kind.static:
        return Shift.NOT_COMPARABLE
    variances = [((high - low) / (2 * _TWO_SIDED_90)) ** 2 for low, high in (bands[0], bands[1])]
    level = 0.5 * (before + after)
    between_days = 2 * ((noise.relative * level) ** 2 + noise.absolute**2)
    band = _TWO_SIDED_95 * sqrt(sum(variances) + between_days)
    if abs(after - before) <= band:
        return Shift.WITHIN_NOISE
    return Shift.HIGHER if after > before else Shift.LOWER
