"""One titration from a limb: the estimate, what follows from it, and the patient beside both.

Every question that needs a closing pressure or a suggested PEEP of a trial takes it from here, so that one trial
has one answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from ebbmark.physiology.advice.advice import Advice, advise
from ebbmark.physiology.advice.what_if import WhatIf, what_if
from ebbmark.physiology.closing.estimator import Estimator, closing_of, estimate_closing
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.findings import Finding, Weight, gravest_first
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.patient.checks import judge_curve, judge_suggestion
from ebbmark.physiology.patient.context import PatientContext, StepSeen, TrialContext, before_the_trial
from ebbmark.physiology.patient.suggestion_checks import limits_met_at, limits_met_in_trial
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.trial.limb import PeepLevel, began_of
from ebbmark.physiology.trial.steps import Trial

LUNG_OR_TUBE: Final = ("sudden-fall", "fall-with-vital-signs", "pressure-rises-as-peep-falls", "sudden-rise")
"""Findings that a pneumothorax or a displaced tube gives."""


@dataclass(frozen=True, slots=True)
class Titration:
    """The answer as values.

    Attributes:
        closing: the estimate, taken back where a check forbids it.
        advice: what follows; without a suggested PEEP where a check withholds it.
        seen: what each step saw, highest PEEP first.
        findings: of all checks, gravest first.
        chosen: what is expected at a PEEP that the clinician chose instead; None where none was chosen.
    """

    trial: Trial
    closing: Closing
    advice: Advice
    seen: tuple[StepSeen, ...]
    findings: tuple[Finding, ...]
    chosen: WhatIf | None = None

    @property
    def look_first(self) -> tuple[Finding, ...]:
        """The findings because of which there is no number."""
        return tuple(one for one in self.findings if one.weight is Weight.LOOK_FIRST)


def closing_for(
    trial: Trial,
    readings: Sequence[Reading],
    protocol: Protocol,
    patient: PatientContext | None = None,
    estimate: Estimator = estimate_closing,
) -> tuple[Closing, tuple[Finding, ...], TrialContext]:
    """The estimate of closing after all checks of what the curve rests on.

    Args:
        estimate: see `closing_of`.

    Returns:
        The estimate, the findings, and the context that they were made from.
    """
    context = (patient or PatientContext()).of_trial(trial, closing_of(trial, protocol, estimate), readings, protocol)
    closing, findings = judge_curve(context)
    return closing, findings, context


def titrate(
    trial: Trial,
    readings: Sequence[Reading],
    *,
    height_cm: float,
    sex: Sex,
    protocol: Protocol,
    patient: PatientContext | None = None,
    chosen_cmh2o: float | None = None,
    estimate: Estimator = estimate_closing,
    levels: Sequence[PeepLevel] | None = None,
) -> Titration:
    """Estimate closing, add the margin, and look at the patient before and after.

    Args:
        chosen_cmh2o: PEEP that the clinician chose instead of a suggested one.
        estimate: see `closing_of`.
        levels: stretches of PEEP among the readings; None where they are yet to be found.
    """
    closing, findings, context = closing_for(trial, readings, protocol, patient, estimate)
    advice = advise(height_cm=height_cm, sex=sex, trial=trial, closing=closing, protocol=protocol)
    rows = tuple(
        replace(row, limits_met=limits_met_at(context, row.peep_cmh2o)) if row.tested else row for row in advice.what_if
    )
    advice = replace(advice, what_if=rows)
    at = advice.suggested_peep_cmh2o
    if at is not None:
        charted = frozenset(reading.quantity for reading in readings)
        began_s = min(began_of(readings, trial, protocol, levels), trial.steps[0].start_s)
        tolerated = judge_suggestion(context, at, before=before_the_trial(readings, began_s), charted=charted)
        if any(one.weight is Weight.LOOK_FIRST for one in tolerated):
            advice = replace(advice, suggested_peep_cmh2o=None)
        findings = gravest_first((*findings, *tolerated))
    else:
        met = tuple(limits_met_in_trial(context))
        findings = (*met, *findings)
        if met:
            closing = replace(closing, would_help=None)
    chosen = None if chosen_cmh2o is None else _at(chosen_cmh2o, context, closing, advice)
    return Titration(trial, closing, advice, tuple(context.seen), findings, chosen)


def with_findings(titration: Titration, found: Sequence[Finding]) -> Titration:
    """The titration with what was found beside it; one that asks for a look first withholds the number."""
    if not found:
        return titration
    advice = titration.advice
    if any(one.weight is Weight.LOOK_FIRST for one in found):
        advice = replace(advice, suggested_peep_cmh2o=None)
    return replace(titration, advice=advice, findings=gravest_first((*found, *titration.findings)))


def _at(peep_cmh2o: float, context: TrialContext, closing: Closing, advice: Advice) -> WhatIf:
    """What is expected at any PEEP: nothing where the curve could not be read, or where it was not tested."""
    rungs = [rung for rung in reversed(advice.ladder) if rung.ml_per_kg <= advice.target.ml_per_kg]
    read = closing if closing.verdict is not Verdict.INDETERMINATE else replace(closing, steps=())
    row = what_if(0.0, peep_cmh2o, context.trial, read, rungs, context.protocol)
    levels = [step.peep_cmh2o for step in context.trial.steps]
    tested = min(levels) <= peep_cmh2o <= max(levels)
    return replace(row, tested=tested, limits_met=limits_met_at(context, peep_cmh2o) if tested else ())
