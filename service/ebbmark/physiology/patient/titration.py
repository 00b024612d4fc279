"""One titration from a limb: the estimate, what follows from it, and the patient beside both.

Every question that needs a closing pressure or a suggested PEEP of a trial takes it from here, so that one trial
has one answer. An ordered table of checks decides: a number, a number with a high caution, or no number and a look
first. `judge_curve` comes before the advice and may take an estimate back; `judge_suggestion` comes after it and may
withhold the suggested PEEP. Neither ever names another PEEP. Here too: the checks of what the record says beside
readings, namely Conditions, the Patient itself, position and mode.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ebbmark.physiology.advice import Advice, advise
from ebbmark.physiology.closing.estimator import Estimator, closing_of, estimate_closing
from ebbmark.physiology.closing.result import Closing, Evidence, Verdict
from ebbmark.physiology.findings import OWN_CHOICE, ChangeKind, Finding, Value, Weight, gravest_first
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.patient.breathing_and_circulation_checks import (
    carbon_dioxide_halved,
    circulation_fails,
    clocks_differ,
    effort,
    impossible_plateaus,
    lost_carbon_dioxide,
    measured_peep_off,
    missing_hold,
    narrowed_airway,
    poor_throughout,
    trapped_air,
    vasopressor_raised,
)
from ebbmark.physiology.patient.context import PatientContext, StepSeen, TrialContext, before_the_trial
from ebbmark.physiology.patient.lung_checks import (
    changed_setting,
    circuit_opened,
    no_lasting_fall,
    sudden_fall,
    sudden_rise,
    uneven_leak,
    unsettled,
)
from ebbmark.physiology.patient.suggestion_checks import (
    acidosis,
    doubtful_pressure,
    limits_met_at,
    limits_met_in_trial,
    stop_limits,
    unseen_vital_signs,
    worse_than_best,
)
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import PeepLevel, began_of
from ebbmark.physiology.trial.steps import Trial
from ebbmark.physiology.what_if import WhatIf, what_if

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
        return tuple(finding for finding in self.findings if finding.weight is Weight.LOOK_FIRST)


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
    return *judge_curve(context), context


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
    met_at = [limits_met_at(context, row.peep_cmh2o) if row.tested else () for row in advice.what_if]
    if any(met_at):
        rows = tuple(replace(row, limits_met=met) for row, met in zip(advice.what_if, met_at, strict=True))
        advice = replace(advice, what_if=rows)
    at = advice.suggested_peep_cmh2o
    if at is not None:
        began_s = min(began_of(readings, trial, protocol, levels), trial.steps[0].start_s)
        tolerated = judge_suggestion(context, at, readings, before_the_trial(readings, began_s))
        if _forbid(tolerated):
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
    advice = replace(titration.advice, suggested_peep_cmh2o=None) if _forbid(found) else titration.advice
    return replace(titration, advice=advice, findings=gravest_first((*found, *titration.findings)))


def _at(peep_cmh2o: float, context: TrialContext, closing: Closing, advice: Advice) -> WhatIf:
    """What is expected at any PEEP: nothing where the curve could not be read, or where it was not tested."""
    rungs = [rung for rung in reversed(advice.ladder) if rung.ml_per_kg <= advice.target.ml_per_kg]
    read = closing if closing.verdict is not Verdict.INDETERMINATE else replace(closing, steps=())
    row = what_if(0.0, peep_cmh2o, context.trial, read, rungs, context.protocol)
    tested = context.steps[-1].peep_cmh2o <= peep_cmh2o <= context.steps[0].peep_cmh2o
    return replace(row, tested=tested, limits_met=limits_met_at(context, peep_cmh2o) if tested else ())


def _forbid(found: Iterable[Finding]) -> bool:
    """Whether one of them leaves no number."""
    return any(one.weight is Weight.LOOK_FIRST for one in found)


def judge_curve(context: TrialContext) -> tuple[Closing, tuple[Finding, ...]]:
    """Look at everything beside the curve.

    Returns:
        The estimate: INDETERMINATE without a reason in words where a finding forbids it, else with a certainty that
        follows from the whole; and the findings, gravest first, otherwise in the order of the table.
    """
    found = gravest_first([finding for check in CURVE_CHECKS for finding in check(context)])
    closing = replace(context.closing.taken_back(""), would_help=None) if _forbid(found) else context.closing
    return _with_certainty(closing, context, found), found


def judge_suggestion(
    context: TrialContext, suggested_cmh2o: float, readings: Sequence[Reading], before: Mapping[Quantity, float]
) -> tuple[Finding, ...]:
    """Look at how the suggested PEEP was tolerated.

    Args:
        before: middle of each quantity in the hour before PEEP was first moved.

    Returns:
        Findings, gravest first; with a LOOK_FIRST among them no PEEP may be suggested.
    """
    found = [
        *stop_limits(context, suggested_cmh2o, before),
        *worse_than_best(context, suggested_cmh2o),
        *unseen_vital_signs(context, suggested_cmh2o, readings),
    ]
    if _forbid(found):
        # Without a suggestion nothing lies above or below it.
        beside = ("stop-limit-above-suggestion", "stop-limit-below-suggestion")
        found = [
            replace(one, slug="stop-limit-met") if one.slug in beside else one
            for one in found
            if one.slug != "worse-than-best"
        ]
    return gravest_first(found)


def _with_certainty(closing: Closing, context: TrialContext, found: Sequence[Finding]) -> Closing:
    """Words of certainty follow from the whole: a grave doubt leaves weak evidence, any doubt leaves no strong one."""
    doubts = [one for one in found if one.of_curve and one.weight is not Weight.LOW]
    if any(doubt.weight in (Weight.LOOK_FIRST, Weight.HIGH) for doubt in doubts):
        return replace(closing, evidence=Evidence.WEAK)
    if closing.evidence is not Evidence.STRONG:
        return closing
    # A high caution about the patient's readings is a doubt of quality; what the record says beside them is none.
    doubts += [one for one in found if one.weight is Weight.HIGH and not one.slug.startswith(_NO_QUALITY)]
    last = closing.verdict is Verdict.FOUND and closing.peep_cmh2o == context.steps[-1].peep_cmh2o
    poor = not context.trial.kind.static or any(seen.slug in _QUALITY for seen in context.trial.observed)
    return replace(closing, evidence=Evidence.MODERATE) if doubts or last or poor else closing


_NO_QUALITY: Final = "condition-"

_QUALITY: Final = frozenset(
    {
        "charted-compliance-differs",
        "charted-driving-pressure-differs",
        "compliance-as-charted",
        "driving-pressure-as-charted",
        "leak-likely",
        "plateau-above-peak",
        "short-trial",
        "step-without-compliance",
        "tidal-volume-as-set",
        "tidal-volume-varies",
        "total-peep-below-set",
        "unsettled-steps",
    }
)
"""Remarks about a limb after which its evidence is not called strong. This project's choice."""


def conditions_present(context: TrialContext) -> Iterator[Finding]:
    """Conditions that forbid a number, question it, or change what it means."""
    for condition in context.patient.conditions:
        values, sources = (
            {"words": condition.words, "says": condition.says},
            () if condition.source is None else (condition.source,),
        )
        yield Finding(
            f"condition-{condition.slug}", condition.weight, values, sources=sources, source=condition.citation
        )


def patient_in_use(context: TrialContext) -> Iterator[Finding]:
    """A patient who had died, or whose record is no longer used: the readings may be of somebody else."""
    status = context.patient.status
    if status.died:
        before = status.died_s is not None and status.died_s <= context.steps[-1].end_s
        weight = Weight.LOOK_FIRST if before or status.dead else Weight.HIGH
        yield Finding("died-before-trial" if before else "patient-died", weight, source=OWN_CHOICE)
    if status.inactive:
        yield Finding("patient-inactive", Weight.HIGH, source=OWN_CHOICE)


def changed_during_limb(context: TrialContext) -> Iterator[Finding]:
    """Position or ventilator mode changed while PEEP was being lowered: two lungs in one curve."""
    start_s, end_s = context.steps[0].end_s, context.steps[-1].end_s
    for change in context.patient.changes:
        if start_s <= change.at_s <= end_s and not change.first:
            slug = "position-changed-in-trial" if change.kind is ChangeKind.POSITION else "mode-changed-in-trial"
            peeps = tuple(row.peep_cmh2o for row in context.seen if row.start_s <= change.at_s < row.until_s)[:1]
            values: dict[str, Value] = {"words": change.words}
            if peeps:
                values["peep_cmh2o"] = peeps[0]
            yield Finding(
                slug, Weight.LOOK_FIRST, values, peeps, change.at_s, (change.source,), OWN_CHOICE, of_curve=True
            )


def done_prone(context: TrialContext) -> Iterator[Finding]:
    """A trial done in prone position holds for that position."""
    start_s, end_s = context.steps[0].end_s, context.steps[-1].end_s
    positions = [change for change in context.patient.changes if change.kind is ChangeKind.POSITION]
    before = [position for position in positions if position.at_s < (end_s if position.first else start_s)]
    latest = max(before, key=lambda one: one.at_s, default=None)
    if latest is not None and "prone" in latest.words.casefold():
        # A first value that was charted on the way down does not say since when: two lungs may lie in one curve.
        slug, weight = ("prone-since-when", Weight.HIGH) if latest.at_s > start_s else ("done-prone", Weight.LOW)
        yield Finding(slug, weight, {}, (), latest.at_s, (latest.source,), OWN_CHOICE, of_curve=weight is Weight.HIGH)


CURVE_CHECKS: Final[tuple[Callable[[TrialContext], Iterator[Finding]], ...]] = (
    patient_in_use,
    conditions_present,
    circuit_opened,
    lost_carbon_dioxide,
    carbon_dioxide_halved,
    impossible_plateaus,
    effort,
    sudden_fall,
    sudden_rise,
    uneven_leak,
    trapped_air,
    measured_peep_off,
    clocks_differ,
    no_lasting_fall,
    changed_during_limb,
    done_prone,
    changed_setting,
    unsettled,
    vasopressor_raised,
    circulation_fails,
    poor_throughout,
    doubtful_pressure,
    acidosis,
    missing_hold,
    narrowed_airway,
)
"""Most dangerous first. Each names its source; where none stands beside a rule, it is this project's own choice."""
