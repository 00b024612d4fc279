"""Before a trial: how would it go for this patient, step by step, from where things are now?

Settings come from the latest readings of the last twelve hours; what is older is no longer taken as in force.
"""

from __future__ import annotations

from dataclasses import replace

from ebbmark.bedside.acknowledging import acknowledged_sentences, in_the_way, still_open, without_effect
from ebbmark.bedside.candidate import candidate_of, not_looked_for, warnings_of
from ebbmark.bedside.said import answered, missing, rule_of, rule_of_limits
from ebbmark.fhir.bedside.answer import Answer
from ebbmark.fhir.bedside.received import BedsideRequest
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.physiology.after.measures import Measure
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.before.ards_class import SETTING_HOLDS_S
from ebbmark.physiology.before.plan import NoPlan, Settings, Variant, plan_trial
from ebbmark.physiology.formulas.body import predicted_body_weight_kg
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.wording import level

__all__ = ["plan_answer"]

OPERATION = "plan-trial"
CONTRADICTION_CMH2O = 3.0
"""Measured PEEP this far from its setting: the setting is not the one in force. This project's choice."""

_NOW_S = 3600.0
"""Compliance now is taken over the last hour of readings. This project's choice."""


def plan_answer(request: BedsideRequest, site: Site) -> Answer:
    """Answer `$plan-trial`.

    Raises:
        Rejected: the present settings are not known, or no plan is laid out, with the reason.
    """
    asked = request.asked
    staircase = asked.staircase or site.default_staircase
    candidate = candidate_of(request)
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
        problem = Problem(ProblemKind.NO_PLAN, "", plan.reason.value, accepted, plan.sentence)
        raise Rejected((problem,), request.ignored)
    acknowledged = acknowledged_sentences(found, request)
    warnings = (*acknowledged, *plan.warnings, *not_looked_for(site), *without_effect(found, request))
    plan = replace(plan, warnings=warnings)
    return answered(
        OPERATION,
        request,
        said=(plan.summary, *plan.warnings),
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


def _unless_stopped(request: BedsideRequest, stops: tuple[Problem, ...]) -> Settings:
    """The present settings, unless something stops the plan; then everything that does, at once.

    Raises:
        Rejected: something stands in the way, the settings are not known, or both.
    """
    try:
        settings = _settings(request)
    except Rejected as rejected:
        raise Rejected((*stops, *rejected.problems), request.ignored) from None
    if stops:
        raise Rejected(stops, request.ignored)
    return settings


def _settings(request: BedsideRequest) -> Settings:
    """Where this patient is now.

    Raises:
        Rejected: PEEP, or the pressure above it, is not known.
    """
    assert request.person is not None  # noqa: S101 - the reader refuses requests without
    weight_kg = predicted_body_weight_kg(request.person.height_cm, request.person.sex)
    now_s = request.as_of_s
    snapshot = take_snapshot(request.readings, pbw_kg=weight_kg, from_s=now_s - _NOW_S, until_s=now_s + _NOW_S)
    peep = _latest(request, Quantity.PEEP_SET) or _latest(request, Quantity.PEEP_MEASURED)
    if peep is None:
        accepted = "set PEEP of the last 12 hours (LOINC 20077-4)"
        raise missing(request, "no PEEP", accepted, f"To plan from where this patient is now, {accepted} is needed.")
    _refuse_contradicted(request, peep)
    above = _pressure_above(request, peep)
    if above is None:
        accepted = (
            "the inspiratory pressure above PEEP: as it is set (LOINC 76152-8), or from plateau (76259-1) or peak "
            "pressure (76531-3) of the last 12 hours"
        )
        raise missing(request, "no pressure above PEEP", accepted, f"A plan needs {accepted}.")
    figure = snapshot.figures.get(Measure.COMPLIANCE) or snapshot.figures.get(Measure.COMPLIANCE_DYNAMIC)
    return Settings(peep.value, above, weight_kg, figure.value if figure else None)


def _pressure_above(request: BedsideRequest, peep: Reading) -> float | None:
    """What plateau or, where that is not known, peak pressure lies above the PEEP that it was read at, or as set.

    Of a setting and a pressure read since the larger one counts: a setting may have been charted long ago, and a plan
    from too small a pressure would pass the limits unseen.
    """
    setting = _latest(request, Quantity.PRESSURE_ABOVE_PEEP_SET)
    read = None
    for quantity in (Quantity.PLATEAU_PRESSURE, Quantity.PEAK_PRESSURE):
        reading = _latest(request, quantity)
        if reading is not None and reading.start_s >= _since(request, peep) and reading.value > peep.value:
            read = round(reading.value - peep.value, 1)
            break
    return max((one for one in (setting.value if setting else None, read) if one is not None), default=None)


def _refuse_contradicted(request: BedsideRequest, peep: Reading) -> None:
    """Refuse a plan from a PEEP setting that a later measurement contradicts.

    Raises:
        Rejected: set and measured PEEP differ by more than rounding and leaks explain.
    """
    measured = _latest(request, Quantity.PEEP_MEASURED)
    if peep.quantity is not Quantity.PEEP_SET or measured is None or measured.start_s < peep.start_s:
        return
    if abs(measured.value - peep.value) > CONTRADICTION_CMH2O:
        found = f"PEEP set {level(peep.value)} and measured since {level(measured.value)} cmH2O"
        sentence = f"{found[0].upper()}{found[1:]}: from which of them to plan is not known. Send the setting in force."
        raise missing(request, found, "a PEEP setting that agrees with what is measured", sentence)


def _since(request: BedsideRequest, peep: Reading) -> float:
    """Since when PEEP has been what it is now [s since 1970-01-01T00:00:00Z]."""
    group = sorted((one for one in request.readings if one.quantity is peep.quantity), key=lambda one: one.start_s)
    since_s = peep.start_s
    for one in reversed(group):
        if abs(one.value - peep.value) > 0.25:
            break
        since_s = one.start_s
    return since_s


def _latest(request: BedsideRequest, quantity: Quantity) -> Reading | None:
    recent = [
        one for one in request.readings if one.quantity is quantity and one.start_s >= request.as_of_s - SETTING_HOLDS_S
    ]
    return max(recent, key=lambda one: (one.start_s, one.source), default=None)
