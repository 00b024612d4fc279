"""Before a trial: how would it go for this patient, step by step, from where things are now?"""

from __future__ import annotations

from dataclasses import replace

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.before.plan import NoPlan, NoPlanReason, Settings, Variant, plan_trial
from ebbmark.use_cases.acknowledging import acknowledged_sentences, in_the_way, still_open, without_effect
from ebbmark.use_cases.answer_builder import answered, how_to_complete, rule_of, rule_of_limits
from ebbmark.use_cases.before_trial import candidate_of, not_looked_for, warnings_of
from ebbmark.use_cases.settings_now import settings_now
from ebbmark.words.before_in_short import plan_in_short
from ebbmark.words.messages import spell

__all__ = ["plan_answer"]

OPERATION = "plan-trial"


def plan_answer(request: Request, site: Site) -> Answer:
    """Answer `$plan-trial`.

    Raises:
        Rejected: the present settings are not known, or no plan is laid out, with the reason.
    """
    asked = request.asked
    staircase = asked.staircase or site.default_staircase
    candidate = candidate_of(request, site)
    found = in_the_way(candidate, request, recruiting=asked.variant is Variant.WITH_RECRUITMENT)
    settings = _unless_stopped(request, still_open(found, request))
    plan = plan_trial(
        settings,
        protocol=request.protocol,
        rules=staircase,
        variant=asked.variant,
        rise_cmh2o=asked.peep_rise_cmh2o,
        limits=site.stop_limits,
        candidate=candidate,
        acknowledged={one.what for one in found},
    )
    if isinstance(plan, NoPlan):
        accepted = "settings, a staircase and conditions for which a plan can be laid out"
        sentence = spell(plan.sentence)
        if plan.reason is NoPlanReason.NOT_VERIFIED:
            sentence = f"{sentence} {how_to_complete(staircase, plan.missing_names)}"
        problem = Problem(ProblemKind.NO_PLAN, "", plan.reason.value, accepted, sentence)
        raise Rejected((problem,), request.ignored)
    acknowledged = acknowledged_sentences(found, request)
    warnings = (*acknowledged, *map(spell, plan.warnings), *not_looked_for(site), *without_effect(found, request))
    plan = replace(plan, warnings=warnings)
    return answered(
        OPERATION,
        request,
        short=plan_in_short(
            plan,
            now_cmh2o=settings.peep_cmh2o,
            ml_per_kg=request.protocol.target_ml_per_kg,
            candidate=candidate,
            acknowledged=len(acknowledged),
        ),
        said=(spell(plan.summary), *warnings, spell(plan.origins)),
        statements=(),
        warnings=warnings_of(candidate, request),
        rules=(rule_of(request.protocol), rule_of(staircase), rule_of_limits(site.stop_limits)),
        values=(request.protocol, staircase, site.stop_limits),
        span_s=(request.as_of_s, request.as_of_s),
        dated=True,
        more_would_help=bool(candidate.missing),
        plan=plan,
        acknowledged=acknowledged,
    )


def _unless_stopped(request: Request, stops: tuple[Problem, ...]) -> Settings:
    """The present settings, unless something stops the plan; then everything that does, at once.

    Raises:
        Rejected: something stands in the way, the settings are not known, or both.
    """
    try:
        settings = settings_now(request)
    except Rejected as rejected:
        raise Rejected((*stops, *rejected.problems), request.ignored) from None
    if stops:
        raise Rejected(stops, request.ignored)
    return settings
