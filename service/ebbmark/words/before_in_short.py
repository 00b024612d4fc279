"""What is asked before a trial in its two short layers: the candidate, and the plan."""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.before.candidate import Candidate, CandidateAnswer, ConditionFinding
from ebbmark.physiology.before.plan import Phase, Plan, PlanStep
from ebbmark.physiology.before.risks import ReadingRisk, Risk
from ebbmark.physiology.before.staircase import Variant
from ebbmark.physiology.before.state import ArdsClass
from ebbmark.physiology.gas_exchange import Oxygenation
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.words.messages import ENGLISH, InShort, capital, level, say, section, shortened

_say = section("candidate-line")
_of_plan = section("plan-line")

_CLASSES: Final = {
    Oxygenation.SEVERE: "severe",
    Oxygenation.MODERATE: "moderate",
    Oxygenation.MILD: "mild",
    Oxygenation.ABOVE_THRESHOLD: "above-threshold",
    Oxygenation.NOT_CLASSIFIED: "not-classified",
}
_IN_THE_LINE: Final = 2
_DECIMALS: Final = {"arterial-ph-low": 2, "arterial-ph-high": 2, "vasopressor-high": 2}


def candidate_in_short(
    candidate: Candidate, *, unjudged: int = 0, noradrenaline_mcg_per_kg_per_min: float | None = None
) -> InShort:
    """Put the candidate in short: what speaks against a trial, how severe it is, and what is not charted."""
    against = list(dict.fromkeys(_against(candidate)))
    silent = [finding for finding in candidate.findings if finding.silent]
    forbids = [_condition(one) for one in silent if one.concept.risk is Risk.ABSOLUTE]
    severity = _severity(candidate.classes)
    not_charted = _not_charted(forbids, len(silent) - len(forbids))
    dose = noradrenaline_mcg_per_kg_per_min
    rest = [
        _say("unjudged", count=unjudged) if unjudged else "",
        _now(candidate, dose),
        "" if dose is not None else _say("vasopressor-unknown"),
        _say("decides"),
    ]
    head = _say(candidate.answer.value)
    if against and candidate.answer in (CandidateAnswer.CONTRAINDICATED, CandidateAnswer.HIGH_RISK):
        named, others = against[:_IN_THE_LINE], against[_IN_THE_LINE:]
        more = say("short.also", listed="; ".join(others)) if others else ""
        return shortened(head, capital(_say("found", listed="; ".join(named))), severity, [more, not_charted, *rest])
    if candidate.answer is CandidateAnswer.CANNOT_JUDGE:
        more = say("short.also", listed="; ".join(against)) if against else ""
        return shortened(
            head, _say("unjudged", count=unjudged) if unjudged else not_charted, severity, [not_charted, more, *rest]
        )
    more = say("short.against", what="; ".join(against)) if against else ""
    return shortened(head, severity, more, [not_charted, *rest])


def _against(candidate: Candidate) -> list[str]:
    """What speaks against a trial, gravest first."""
    absolute = [finding for finding in candidate.findings if finding.counts and finding.concept.risk is Risk.ABSOLUTE]
    others = [finding for finding in candidate.findings if finding.counts and finding.concept.risk is not Risk.ABSOLUTE]
    high = [one for one in others if one.concept.risk is Risk.HIGH]
    low = [one for one in others if one.concept.risk is not Risk.HIGH]
    risks = {
        level_: [_risk(reading_risk) for reading_risk in candidate.reading_risks if reading_risk.risk is level_]
        for level_ in Risk
    }
    doubts = [_say("doubt")] if candidate.doubts else []
    return [
        *map(_condition, absolute),
        *risks[Risk.ABSOLUTE],
        *map(_condition, high),
        *risks[Risk.HIGH],
        *doubts,
        *map(_condition, low),
        *risks[Risk.CAUTION],
    ]


def _condition(one: ConditionFinding) -> str:
    known = f"condition.{one.concept.slug}"
    return say(known) if known in ENGLISH else one.concept.words


def _risk(one: ReadingRisk) -> str:
    digits = _DECIMALS.get(one.slug, 1)
    return say(f"risk.{one.slug}", value=f"{round(one.value, digits):g}")


def _not_charted(forbids: list[str], others: int) -> str:
    if not forbids and not others:
        return ""
    if not forbids:
        return _say("not-charted", listed=_say("conditions", count=others))
    listed = ", ".join(forbids)
    return _say("not-charted-more", listed=listed, count=others) if others else _say("not-charted", listed=listed)


def _severity(classes: tuple[ArdsClass, ...]) -> str:
    """The class of the first ratio that could be classed; a gas before a saturation."""
    for one in classes:
        if one.oxygenation is not None and one.ratio is not None:
            return _say(
                "class", ratio=one.ratio_name, value=f"{one.ratio:.0f}", severity=_say(_CLASSES[one.oxygenation])
            )
    return _say("class-unknown")


def _now(candidate: Candidate, dose: float | None) -> str:
    shown = [_shown(one.reading) for one in candidate.state.shown]
    if dose is not None:
        shown.append(_say("vasopressor", dose=f"{round(dose, 2):g}"))
    return _say("now", listed=", ".join(shown)) if shown else ""


def _shown(reading: Reading) -> str:
    unit = " %" if reading.quantity is Quantity.SPO2 else ""
    return f"{say(f'name.{reading.quantity.slug}')} {round(reading.value, 2):g}{unit}"


def plan_in_short(
    plan: Plan, *, now_cmh2o: float, ml_per_kg: float, candidate: Candidate, acknowledged: int
) -> InShort:
    """Put a plan in short: from where to where, how long, how high, and what was found against it."""
    down = [step.peep_cmh2o for step in plan.steps if step.phase is Phase.DESCENT and step.peep_cmh2o is not None]
    recruiting = plan.variant is Variant.WITH_RECRUITMENT
    against = list(dict.fromkeys(_against(candidate)))
    silent = [finding for finding in candidate.findings if finding.silent]
    forbids = [_condition(one) for one in silent if one.concept.risk is Risk.ABSOLUTE]
    return shortened(
        _of_plan("plan", now=level(now_cmh2o), top=level(down[0]), lowest=level(down[-1])),
        _of_plan("steps", count=len(down), minutes=f"{plan.total_s / 60:.0f}"),
        _of_plan("pressures", highest=level(plan.highest_end_inspiratory_cmh2o)),
        [
            _of_plan("chosen") if recruiting else _of_plan("plain"),
            _of_plan("warned", listed="; ".join(against)) if against else "",
            _not_charted(forbids, len(silent) - len(forbids)),
            _of_plan("acknowledged", count=acknowledged) if acknowledged else "",
            _of_plan("peak-unknown") if plan.highest_peak_cmh2o is None else "",
            _of_plan("afterwards", volume=f"{plan.target_ml:.0f}", ml_per_kg=f"{ml_per_kg:g}"),
            _say("decides"),
        ],
    )


def before_the_first_step() -> tuple[str, ...]:
    """What the team checks before the first step: common practice, no published source, beside its own."""
    return tuple(say(f"team.{one}") for one in _CHECKS)


_CHECKS: Final = ("watched", "oxygen", "cuff", "suction", "vasopressor", "transducer", "roles", "source")


def settings_words(step: PlanStep) -> str:
    """What a step sets, in one line."""
    if step.peep_cmh2o is None or step.pressure_above_peep_cmh2o is None:
        return say("plan.peep-tidal-volume")
    above = say(
        "plan.above",
        ending="" if step.pressure_is_set else "about ",
        pressure_above_peep_cmh2o=f"{step.pressure_above_peep_cmh2o:g}",
    )
    peak = (
        say("plan.peak-not-known")
        if step.peak_cmh2o is None
        else say("plan.peak-about", peak_cmh2o=f"{step.peak_cmh2o:g}")
    )
    return say(
        "plan.peep-end-inspiration",
        peep_cmh2o=f"{step.peep_cmh2o:g}",
        above=above,
        end_inspiratory_cmh2o=f"{step.end_inspiratory_cmh2o:g}",
        peak=peak,
    )
