"""Plan of a PEEP trial, step by step, from where this patient is now.

The plan lays out what a clinician's chosen protocol says. By default it holds no high-pressure recruitment: PEEP is
raised only as far as peak pressure stays within the plateau limit, then lowered. The variant with recruitment exists
only on explicit choice and carries the evidence against it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.before.candidate import Candidate
from ebbmark.physiology.before.plan_checks import (
    HIGH_PRESSURE_CMH2O,
    NoPlan,
    NoPlanReason,
    Variant,
    highest_start_cmh2o,
    peak_warnings,
    peak_words,
    refusal,
    warnings_of_plan,
)
from ebbmark.physiology.before.plan_steps import (
    Phase,
    PlanStep,
    Settings,
    climb_within_limit,
    descent,
    reopening,
    way_up,
    written_out,
)
from ebbmark.physiology.before.staircase import COMMON_PRACTICE, StaircaseRules, origins_of
from ebbmark.physiology.findings import EvidenceLine, Value, evidence_for, message
from ebbmark.physiology.mechanics import require_at_least_zero, require_positive
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, StopLimits

_USUAL_RISE_CMH2O: Final = 3.0  # this project's own choice within 2 to 5

_RECRUITMENT_EVIDENCE: Final = (
    "guideline-ats-2024",
    "guideline-esicm-2023",
    "trial-art-mortality",
    "trial-art-barotrauma",
    "trial-pharlap",
    "trial-pharlap-rhythm",
    "meta-analysis-dianti-2022",
)
_PLAIN_EVIDENCE: Final = ("guideline-ats-2024", "no-trial-of-this-definition", "passive-patient", "chest-wall")


@dataclass(frozen=True, slots=True)
class Plan:
    """One staircase for one patient.

    Attributes:
        total_s: of all steps whose time is known [s].
        highest_end_inspiratory_cmh2o: PEEP plus pressure above PEEP, over all steps.
        highest_peak_cmh2o: expected peak pressure, over all steps; None where not known.
        target_ml: tidal volume to return to, at the protocol's volume per predicted body weight [mL].
    """

    variant: Variant
    protocol: str
    version: str
    title: str
    citation: str
    steps: tuple[PlanStep, ...]
    total_s: float
    highest_end_inspiratory_cmh2o: float
    highest_peak_cmh2o: float | None
    high_pressure_s: float
    target_ml: float
    stop_limits: StopLimits
    warnings: tuple[Value, ...]
    origins: Value
    evidence: tuple[EvidenceLine, ...]
    summary: Value


def plan_trial(
    settings: Settings,
    *,
    protocol: Protocol,
    rules: StaircaseRules = COMMON_PRACTICE,
    variant: Variant = Variant.DECREMENTAL_ONLY,
    rise_cmh2o: float | None = None,
    limits: StopLimits = DEFAULT_STOP_LIMITS,
    candidate: Candidate | None = None,
    acknowledged: Collection[str] = (),
) -> Plan | NoPlan:
    """Lay out the steps that a chosen protocol describes, from the present settings.

    Args:
        rise_cmh2o: PEEP up per step, 2 to 5; the staircase's own where not given [cmH2O].
        candidate: what was found beforehand; without it the plan says that nobody looked.

    Raises:
        ValueError: a setting that cannot be; a reader refuses it earlier.

    Source: the staircase's own; common practice has no published source.
    """
    _refuse_nonsense(settings)
    refused = refusal(settings, rules, variant, rise_cmh2o, candidate, protocol, acknowledged)
    if refused is not None:
        return refused
    recruiting = variant is Variant.WITH_RECRUITMENT
    rise = rise_cmh2o or _own_rise(rules)
    if recruiting and rules.recruitment is not None:
        up = way_up(settings, rules.recruitment, rise)
        top = rules.start_cmh2o.value or 0.0
        closing = reopening(settings, rules)
    else:
        top = highest_start_cmh2o(settings, rules, protocol)
        up = climb_within_limit(settings, top, rise, rules.dwell_s.value or 0.0)
        closing = ()
    target_ml = protocol.target_ml_per_kg * settings.pbw_kg
    body = (*up, *descent(settings, rules, top), *closing)
    steps = written_out(body, settings, rules, protocol, recruiting=recruiting)
    plan = _plan(steps, settings, protocol, rules, variant, limits, candidate, target_ml, rise_cmh2o)
    return _above_ceiling(plan, limits) or plan


def _above_ceiling(plan: Plan, limits: StopLimits) -> NoPlan | None:
    """No plan that its own stop limit would end: the limit is of peak pressure, and held against it where known."""
    ceiling = limits.peak_pressure_above_cmh2o
    known = plan.highest_peak_cmh2o
    reached = plan.highest_end_inspiratory_cmh2o if known is None else known
    if ceiling is None or reached <= ceiling.value:
        return None
    sentence = message(
        f"plan-refusal.above-stop-limit{'-peak-unknown' if known is None else ''}",
        title=plan.title,
        reached_cmh2o=reached,
        limit_cmh2o=ceiling.value,
        source=ceiling.source,
    )
    return NoPlan(NoPlanReason.ABOVE_STOP_LIMIT, sentence)


def _plan(
    steps: tuple[PlanStep, ...],
    settings: Settings,
    protocol: Protocol,
    rules: StaircaseRules,
    variant: Variant,
    limits: StopLimits,
    candidate: Candidate | None,
    target_ml: float,
    rise_cmh2o: float | None,
) -> Plan:
    highest = max(step.end_inspiratory_cmh2o for step in steps if step.end_inspiratory_cmh2o is not None)
    high_s = sum(step.dwell_s for step in steps if (step.end_inspiratory_cmh2o or 0.0) >= HIGH_PRESSURE_CMH2O)
    total_s = sum(step.dwell_s for step in steps)
    recruiting = variant is Variant.WITH_RECRUITMENT
    tested = [step.peep_cmh2o for step in steps if step.phase is Phase.DESCENT and step.peep_cmh2o is not None]
    evidence = tuple(map(evidence_for, _RECRUITMENT_EVIDENCE if recruiting else _PLAIN_EVIDENCE))
    return Plan(
        variant=variant,
        protocol=rules.slug,
        version=rules.version,
        title=rules.title,
        citation=rules.citation,
        steps=steps,
        total_s=total_s,
        highest_end_inspiratory_cmh2o=highest,
        highest_peak_cmh2o=max((step.peak_cmh2o for step in steps if step.peak_cmh2o is not None), default=None),
        high_pressure_s=high_s,
        target_ml=target_ml,
        stop_limits=limits,
        warnings=(
            *warnings_of_plan(rules, highest, high_s, candidate, recruiting=recruiting),
            *peak_warnings(settings, limits, recruiting),
        ),
        origins=origins_of(rules, with_recruitment=recruiting, rise_cmh2o=rise_cmh2o),
        evidence=evidence,
        summary=message(
            "plan.summary",
            title=rules.title,
            how=message("plan.with-recruitment" if recruiting else "plan.without-recruitment"),
            now_cmh2o=settings.peep_cmh2o,
            top_cmh2o=tested[0],
            count=len(tested),
            lowest_cmh2o=tested[-1],
            minutes=round(total_s / 60),
            highest_cmh2o=highest,
            peak=peak_words(settings, highest, recruiting=recruiting),
            target_ml_per_kg=protocol.target_ml_per_kg,
            target_ml=round(target_ml),
        ),
    )


def _own_rise(rules: StaircaseRules) -> float:
    own = rules.recruitment.peep_rise_cmh2o.value if rules.recruitment else None
    return own if own is not None else _USUAL_RISE_CMH2O


def _refuse_nonsense(settings: Settings) -> None:
    require_at_least_zero(peep_cmh2o=settings.peep_cmh2o)
    require_positive(pressure_above_peep_cmh2o=settings.pressure_above_peep_cmh2o, pbw_kg=settings.pbw_kg)
    if settings.compliance_ml_per_cmh2o is not None:
        require_positive(compliance_ml_per_cmh2o=settings.compliance_ml_per_cmh2o)
