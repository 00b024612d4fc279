"""Answer `$plan-trial`: the steps of a staircase from the settings of now, once what stands in the way is acknowledged.

Settings come from the latest readings of the last twelve hours; what is older is no longer taken as in force. In volume
control at constant flow peak pressure lies above plateau pressure by flow times resistance, and keeps that distance
while volume and flow stay as they are; in pressure control the set pressure is the peak. Source: equation of motion.

A documented contraindication or high-risk condition, readings that show one, and a Condition that nobody here can judge
stop a plan until a clinician has acknowledged each by name; with recruitment a contraindication stops it for good.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Ignored, Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.after.comparison import Measure
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.before.candidate import Candidate, Obstacle, obstacles_of
from ebbmark.physiology.before.plan import plan_trial
from ebbmark.physiology.before.risks import READING_RISKS, RISK_CONCEPTS
from ebbmark.physiology.before.staircase import NoPlan, NoPlanReason, Settings, Variant
from ebbmark.physiology.mechanics import Control, predicted_body_weight_kg
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import SETTING_HOLDS_S
from ebbmark.physiology.trial.limb import same_setting
from ebbmark.use_cases.answer_builder import (
    answered,
    how_to_complete,
    missing,
    nobody_acknowledges,
    rule_of,
    rule_of_limits,
)
from ebbmark.use_cases.before_trial import (
    candidate_of,
    named,
    not_looked_for,
    sources_of_dose,
    unjudged_words,
    warnings_of,
)
from ebbmark.words.before_in_short import plan_in_short
from ebbmark.words.messages import level, say, spell

CONTRADICTION_CMH2O = 3.0
"""Measured PEEP this far from its setting: the setting is not the one in force. This project's choice."""

BESIDE_S = 900.0
"""Peak pressure this near in time to plateau pressure is of the same breaths. This project's choice."""

BELOW_CMH2O = 1.0
"""Peak pressure this far below the plateau cannot be true, since a plateau is no higher. This project's choice."""

_NOW_S = 3600.0
"""Compliance now is taken over the last hour of readings. This project's choice."""


def _settings_now(request: Request) -> Settings:
    """Where this patient is now.

    Raises:
        Rejected: PEEP, or the pressure above it, is not known.
    """
    weight_kg = predicted_body_weight_kg(request.known_person.height_cm, request.known_person.sex)
    now_s = request.as_of_s
    snapshot = take_snapshot(request.readings, pbw_kg=weight_kg, from_s=now_s - _NOW_S, until_s=now_s + _NOW_S)
    peep = _latest(request, Quantity.PEEP_SET) or _latest(request, Quantity.PEEP_MEASURED)
    if peep is None:
        accepted = say("plan.set-peep-last")
        raise missing(request, "no PEEP", accepted, f"To plan from where this patient is now, {accepted} is needed.")
    _refuse_contradicted(request, peep)
    figure = snapshot.figures.get(Measure.COMPLIANCE) or snapshot.figures.get(Measure.COMPLIANCE_DYNAMIC)
    above_cmh2o, resistive_cmh2o = _pressures(request, peep)
    return Settings(
        peep_cmh2o=peep.value,
        pressure_above_peep_cmh2o=above_cmh2o,
        pbw_kg=weight_kg,
        compliance_ml_per_cmh2o=figure.value if figure else None,
        resistive_cmh2o=resistive_cmh2o,
        control=_control(request),
    )


def _pressures(request: Request, peep: Reading) -> tuple[float, float | None]:
    """The end-inspiratory pressure above PEEP, and by how much peak pressure lies above that; None where not known.

    Of a setting and a pressure read since the larger one counts: a setting may have been charted long ago, and a plan
    from too small a pressure would pass the limits unseen. Without plateau pressure peak pressure stands for it.

    Raises:
        Rejected: no pressure above PEEP is known.
    """
    setting = _latest(request, Quantity.PRESSURE_ABOVE_PEEP_SET)
    plateau = _since_peep(request, peep, Quantity.PLATEAU_PRESSURE)
    peak = _since_peep(request, peep, Quantity.PEAK_PRESSURE, beside=plateau)
    read = plateau or peak
    above = max(
        (one for one in (setting.value if setting else None, read.value - peep.value if read else None) if one),
        default=None,
    )
    if above is None:
        accepted = say("plan.inspiratory-pressure-above")
        raise missing(request, "no pressure above PEEP", accepted, f"A plan needs {accepted}.")
    above = round(above, 1)
    contradicted = peak is not None and plateau is not None and peak.value < plateau.value - BELOW_CMH2O
    if peak is not None and not contradicted:
        return above, round(max(peak.value - peep.value - above, 0.0), 1)
    return above, 0.0 if _control(request) is Control.PRESSURE else None


def _control(request: Request) -> Control | None:
    """What is controlled, where one setting and not the other tells it."""
    pressure = _latest(request, Quantity.PRESSURE_ABOVE_PEEP_SET) is not None
    volume = _latest(request, Quantity.TIDAL_VOLUME_SET) is not None
    if pressure == volume:
        return None
    return Control.PRESSURE if pressure else Control.VOLUME


def _since_peep(
    request: Request, peep: Reading, quantity: Quantity, *, beside: Reading | None = None
) -> Reading | None:
    """The latest pressure above PEEP read since PEEP is what it is, or the one read beside another reading."""
    since_s = _since(request, peep)
    found = [
        reading
        for reading in request.readings
        if reading.quantity is quantity
        and reading.start_s >= max(since_s, request.as_of_s - SETTING_HOLDS_S)
        and reading.value > peep.value
    ]
    if beside is None:
        return max(found, key=lambda one: (one.start_s, one.source), default=None)
    near = [one for one in found if abs(one.start_s - beside.start_s) <= BESIDE_S]
    # Of two equally near the higher one: what a ceiling is held against is not taken too low.
    return min(near, key=lambda one: (abs(one.start_s - beside.start_s), -one.value), default=None)


def _refuse_contradicted(request: Request, peep: Reading) -> None:
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


def _since(request: Request, peep: Reading) -> float:
    """Since when PEEP has been what it is now [s since 1970-01-01T00:00:00Z]."""
    group = sorted(
        (reading for reading in request.readings if reading.quantity is peep.quantity), key=lambda one: one.start_s
    )
    since_s = peep.start_s
    for one in reversed(group):
        if not same_setting(one.value, peep.value):
            break
        since_s = one.start_s
    return since_s


def _latest(request: Request, quantity: Quantity) -> Reading | None:
    recent = [
        reading
        for reading in request.readings
        if reading.quantity is quantity and reading.start_s >= request.as_of_s - SETTING_HOLDS_S
    ]
    return max(recent, key=lambda one: (one.start_s, one.source), default=None)


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
        accepted = say("plan.settings-staircase-conditions")
        sentence = spell(plan.sentence)
        if plan.reason is NoPlanReason.NOT_VERIFIED:
            sentence = f"{sentence} {how_to_complete(staircase, tuple(plan.missing))}"
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
        settings = _settings_now(request)
    except Rejected as rejected:
        raise Rejected((*stops, *rejected.problems), request.ignored) from None
    if stops:
        raise Rejected(stops, request.ignored)
    return settings


_KNOWN = frozenset({*(concept.slug for concept in RISK_CONCEPTS), *READING_RISKS})


_OF_A_REFERENCE = frozenset("/:.")


_DOSE = "Parameters.parameter.where(name='noradrenaline-equivalent')"


_OF_A_PARAMETER = {"vasopressor-high": _DOSE, "vasopressor-not-converted": _DOSE}


@dataclass(frozen=True, slots=True)
class NamedObstacle:
    """An obstacle to a plan in words, with the inputs that show it.

    Attributes:
        what: the word by which it is acknowledged.
        paths: FHIRPath of the inputs that show it.
        inputs: names of the same inputs.
    """

    what: str
    words: str
    sentence: str
    paths: tuple[str, ...]
    inputs: tuple[str, ...]
    final: bool = False


def in_the_way(candidate: Candidate, request: Request, *, recruiting: bool) -> tuple[NamedObstacle, ...]:
    """Everything that stands in the way, Conditions that nobody here can judge first, then gravest first."""
    found = [_of_obstacle(one, request) for one in obstacles_of(candidate, recruiting=recruiting)]
    return (*[_of_unjudged(one, request) for one in request.unjudged], *found)


def _of_unjudged(one: Ignored, request: Request) -> NamedObstacle:
    name = one.reference or one.path
    words = say("plan.condition-could-not", named=named(one, request))
    return NamedObstacle(name, words, unjudged_words(one, request), (one.path,), (name,))


def _of_obstacle(one: Obstacle, request: Request) -> NamedObstacle:
    if one.source is not None:
        shown = [request.sources[one.source]]
    elif one.slug in _OF_A_PARAMETER:
        shown = [request.sources[index] for index in sources_of_dose(request)]
    else:
        indices = {index for said, index in request.conditions if said.present and one.slug in said.concepts}
        shown = [request.sources[index] for index in sorted(indices)]
    asked_with = (_OF_A_PARAMETER[one.slug],) if one.slug in _OF_A_PARAMETER and not shown else ()
    return NamedObstacle(
        what=one.slug,
        words=spell(one.words),
        sentence=say("plan.source", sentence=spell(one.sentence), citation=spell(one.citation)),
        paths=(*[source.path for source in shown], *asked_with),
        inputs=tuple(source.reference or source.path for source in shown),
        final=one.final,
    )


def still_open(found: Sequence[NamedObstacle], request: Request) -> tuple[Problem, ...]:
    """What stops the plan: everything not acknowledged, and acknowledgements that cannot count."""
    given = request.asked.acknowledged
    what = {name for name, _ in given.what}
    problems = [_problem(one) for one in found if one.final or one.what not in what]
    problems += nobody_acknowledges(given)
    for name, path in given.what:
        if name not in _KNOWN and not _OF_A_REFERENCE & set(name) and name not in {one.what for one in found}:
            accepted = ", ".join(one.what for one in found) or "nothing, since nothing stands in the way"
            sentence = f"There is nothing named {name[:60]!r} to acknowledge; here: {accepted}."
            problems.append(Problem(ProblemKind.BAD_PARAMETER, path, name[:60], accepted, sentence))
    return tuple(problems)


def _problem(one: NamedObstacle) -> Problem:
    path = one.paths[0] if one.paths else ""
    shown = f" Shown by {', '.join(one.inputs)}." if one.inputs and one.what not in one.inputs else ""
    if one.final:
        sentence = f"No plan with recruitment, acknowledged or not: {one.sentence}{shown}"
        return Problem(ProblemKind.NO_PLAN, path, one.what, "a plan without recruitment", sentence)
    accepted = f"the parameters acknowledged with {one.what!r} and acknowledged-by"
    sentence = (
        f"{one.sentence}{shown} No plan is laid out until a clinician has looked at it and says so: send the "
        f"parameters acknowledged with {one.what!r} and acknowledged-by."
    )
    return Problem(ProblemKind.NOT_ACKNOWLEDGED, path, one.what, accepted, sentence)


def acknowledged_sentences(found: Collection[NamedObstacle], request: Request) -> tuple[str, ...]:
    """What stands in the way and was acknowledged, one sentence each, for the answer to repeat."""
    given = request.asked.acknowledged
    if given.who is None:
        return ()
    what = {name for name, _ in given.what}
    return tuple(_repeated(one, given.who.words) for one in found if one.what in what)


def _repeated(one: NamedObstacle, who: str) -> str:
    shown = f" ({', '.join(one.inputs)})" if one.inputs and one.what not in one.inputs else ""
    return say("plan.planned-although-record", words=one.words, shown=shown, who=who)


def without_effect(found: Collection[NamedObstacle], request: Request) -> tuple[str, ...]:
    """Acknowledgements of what does not stand in the way, one sentence for all."""
    idle = sorted({name for name, _ in request.asked.acknowledged.what} - {one.what for one in found})
    if not idle:
        return ()
    return (say("plan.acknowledged-without-effect", listed=", ".join(idle)),)
