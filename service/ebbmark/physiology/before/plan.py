"""Plan of a PEEP trial, step by step, from where this patient is now.

The plan lays out what a clinician's chosen staircase says: what is set and for how long, what is written down, and what
may be seen. By default it holds no high-pressure recruitment: PEEP is raised only as far as peak pressure stays within
the plateau limit, then lowered. The variant with recruitment exists only on explicit choice and carries the evidence
against it.

Source: the chosen staircase's own numbers; common practice, no published source; and what `data/evidence.toml` lists.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple

from ebbmark.physiology.before.candidate import Candidate, obstacles_of, to_be_asked
from ebbmark.physiology.before.staircase import (
    DEFAULT_STAIRCASE,
    HIGH_PRESSURE_CMH2O,
    MarginMarker,
    NoPlan,
    NoPlanReason,
    RecruitmentRules,
    Settings,
    StaircaseRules,
    Variant,
    highest_start_cmh2o,
    origins_of,
    peak_warnings,
    peak_words,
    refusal,
    warnings_of_plan,
)
from ebbmark.physiology.findings import EvidenceLine, Message, Value, evidence_for, joined, message
from ebbmark.physiology.mechanics import Control, require_at_least_zero, require_positive
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


class Phase(Enum):
    """Part of the trial that a step belongs to."""

    BEFORE = "before"
    UP = "up"
    RECRUITMENT = "recruitment"
    DESCENT = "descent"
    REOPENING = "re-opening"
    SET = "set"


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step."""

    number: int
    phase: Phase
    peep_cmh2o: float | None  # to be set; None where it follows from the trial
    pressure_above_peep_cmh2o: float | None
    end_inspiratory_cmh2o: float | None
    peak_cmh2o: float | None  # expected: that sum and what flow takes in resistance now; None where not known
    dwell_s: float
    expected_tidal_volume_ml: float | None  # if compliance stayed as it is now; None where that is not known
    record: Value
    expect: Value
    remark: Value
    pressure_is_set: bool = True  # False in volume control, where the pressure above PEEP follows


@dataclass(frozen=True, slots=True)
class Plan:
    """One staircase for one patient."""

    variant: Variant
    rules: StaircaseRules
    steps: tuple[PlanStep, ...]
    total_s: float  # of all steps whose time is known [s]
    highest_end_inspiratory_cmh2o: float  # PEEP plus pressure above PEEP, over all steps
    highest_peak_cmh2o: float | None  # expected peak pressure, over all steps; None where not known
    target_ml: float  # tidal volume to return to, at the protocol's volume per predicted body weight [mL]
    stop_limits: StopLimits
    warnings: tuple[Value, ...]
    origins: Value
    evidence: tuple[EvidenceLine, ...]
    summary: Value


def plan_trial(
    settings: Settings,
    *,
    protocol: Protocol,
    rules: StaircaseRules = DEFAULT_STAIRCASE,
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
    require_at_least_zero(peep_cmh2o=settings.peep_cmh2o)
    require_positive(pressure_above_peep_cmh2o=settings.pressure_above_peep_cmh2o, pbw_kg=settings.pbw_kg)
    if settings.compliance_ml_per_cmh2o is not None:
        require_positive(compliance_ml_per_cmh2o=settings.compliance_ml_per_cmh2o)
    recruiting = variant is Variant.WITH_RECRUITMENT
    against = _against(candidate, acknowledged, recruiting=recruiting) if candidate else None
    refused = against or refusal(settings, rules, variant, rise_cmh2o, protocol)
    if refused is not None:
        return refused
    own_rise = rules.recruitment.peep_rise_cmh2o.value if rules.recruitment else None
    rise = rise_cmh2o or (_USUAL_RISE_CMH2O if own_rise is None else own_rise)
    if recruiting and rules.recruitment is not None:
        top = rules.start_cmh2o.value or 0.0
        up, again = _way_up(settings, rules.recruitment, rise), _reopening(settings, rules)
    else:
        top = highest_start_cmh2o(settings, rules, protocol)
        up, again = _climb_within_limit(settings, top, rise, rules.dwell_s.value or 0.0), ()
    down = _descent(settings, rules, top)
    steps = _written_out((*up, *down, *again), settings, rules, protocol, recruiting=recruiting)
    highest = max(step.end_inspiratory_cmh2o for step in steps if step.end_inspiratory_cmh2o is not None)
    high_s = sum(step.dwell_s for step in steps if (step.end_inspiratory_cmh2o or 0.0) >= HIGH_PRESSURE_CMH2O)
    total_s = sum(step.dwell_s for step in steps)
    target_ml = protocol.target_ml_per_kg * settings.pbw_kg
    plan = Plan(
        variant=variant,
        rules=rules,
        steps=steps,
        total_s=total_s,
        highest_end_inspiratory_cmh2o=highest,
        highest_peak_cmh2o=max((step.peak_cmh2o for step in steps if step.peak_cmh2o is not None), default=None),
        target_ml=target_ml,
        stop_limits=limits,
        warnings=(
            *warnings_of_plan(rules, highest, high_s, recruiting=recruiting),
            *_found_beforehand(candidate, recruiting=recruiting),
            *peak_warnings(settings, limits, recruiting),
        ),
        origins=origins_of(rules, with_recruitment=recruiting, rise_cmh2o=rise_cmh2o),
        evidence=tuple(map(evidence_for, _RECRUITMENT_EVIDENCE if recruiting else _PLAIN_EVIDENCE)),
        summary=message(
            "plan.summary",
            title=rules.title,
            how=message("plan.with-recruitment" if recruiting else "plan.without-recruitment"),
            now_cmh2o=settings.peep_cmh2o,
            top_cmh2o=down[0].peep_cmh2o,
            count=len(down),
            lowest_cmh2o=down[-1].peep_cmh2o,
            minutes=round(total_s / 60),
            highest_cmh2o=highest,
            peak=peak_words(settings, highest, recruiting=recruiting),
            target_ml_per_kg=protocol.target_ml_per_kg,
            target_ml=round(target_ml),
        ),
    )
    return _above_ceiling(plan, limits) or plan


def _against(candidate: Candidate, acknowledged: Collection[str], *, recruiting: bool) -> NoPlan | None:
    obstacles = obstacles_of(candidate, recruiting=recruiting)
    final = [obstacle for obstacle in obstacles if obstacle.final]
    if final:
        said = [message("plan-refusal.contraindicated", found=one.sentence) for one in final]
        return NoPlan(NoPlanReason.CONTRAINDICATED, joined("sentences", said))
    open_ones = [obstacle for obstacle in obstacles if obstacle.slug not in acknowledged]
    if open_ones:
        found = joined("sentences", [one.sentence for one in open_ones])
        return NoPlan(NoPlanReason.NOT_ACKNOWLEDGED, message("plan-refusal.not-acknowledged", found=found))
    return None


def _found_beforehand(candidate: Candidate | None, *, recruiting: bool) -> list[Value]:
    if candidate is None:
        return [message("plan-warning.nobody-looked")]
    asked = to_be_asked(candidate, recruiting=recruiting)
    missing = [message("plan-warning.to-be-asked", listed=joined("semicolons", asked))] if asked else []
    return [*missing, candidate.sentence]


def _above_ceiling(plan: Plan, limits: StopLimits) -> NoPlan | None:
    """No plan that its own stop limit would end: the limit is of peak pressure, and held against it where known."""
    ceiling = limits.peak_pressure_above_cmh2o
    known = plan.highest_peak_cmh2o
    reached = plan.highest_end_inspiratory_cmh2o if known is None else known
    if ceiling is None or reached <= ceiling.value:
        return None
    sentence = message(
        f"plan-refusal.above-stop-limit{'-peak-unknown' if known is None else ''}",
        title=plan.rules.title,
        reached_cmh2o=reached,
        limit_cmh2o=ceiling.value,
        source=ceiling.source,
    )
    return NoPlan(NoPlanReason.ABOVE_STOP_LIMIT, sentence)


class Draft(NamedTuple):
    """A step before it is written out."""

    phase: Phase
    peep_cmh2o: float
    pressure_above_peep_cmh2o: float
    dwell_s: float


def _climb_within_limit(settings: Settings, top_cmh2o: float, rise_cmh2o: float, dwell_s: float) -> tuple[Draft, ...]:
    """PEEP up to just below the start of the way down, the last step cut; pressure above PEEP unchanged."""
    levels = _rising(settings.peep_cmh2o, top_cmh2o, rise_cmh2o)[:-1]
    return tuple(Draft(Phase.UP, level, settings.pressure_above_peep_cmh2o, dwell_s) for level in levels)


def _way_up(settings: Settings, recruitment: RecruitmentRules, rise_cmh2o: float) -> tuple[Draft, ...]:
    """PEEP up to the top, then inspiratory pressure up to the peak; the last step of each is cut, never overshoots.

    The protocol's peak is held against peak pressure: what flow takes in resistance now is left room for, where known.
    """
    top, peak = recruitment.peep_top_cmh2o.value or 0.0, _room(settings, recruitment)
    hold_s = recruitment.hold_s.value or 0.0
    cell = recruitment.pressure_above_peep_cmh2o
    above = settings.pressure_above_peep_cmh2o if cell is None or cell.value is None else cell.value
    steps = [
        Draft(Phase.RECRUITMENT, level, min(above, peak - level), hold_s)
        for level in _rising(settings.peep_cmh2o, top, rise_cmh2o)
    ]
    top = max(top, settings.peep_cmh2o)
    pressure_rise = recruitment.pressure_rise_cmh2o.value or 0.0
    if pressure_rise > 0:
        steps += [
            Draft(Phase.RECRUITMENT, top, level, hold_s)
            for level in _rising(min(above, peak - top), peak - top, pressure_rise)
        ]
    return tuple(steps)


def _descent(settings: Settings, rules: StaircaseRules, top_cmh2o: float) -> tuple[Draft, ...]:
    """PEEP down from the top, pressure above PEEP as it is now."""
    down, lowest = rules.decrement_cmh2o.value or 1.0, rules.lowest_cmh2o.value or 0.0
    count = int((top_cmh2o - lowest) / down + 1e-9) + 1
    return tuple(
        Draft(Phase.DESCENT, top_cmh2o - index * down, settings.pressure_above_peep_cmh2o, rules.dwell_s.value or 0.0)
        for index in range(count)
    )


def _reopening(settings: Settings, rules: StaircaseRules) -> tuple[Draft, ...]:
    """The highest step of the way up once more, where the chosen protocol says so."""
    if not rules.reopens or rules.recruitment is None:
        return ()
    top, peak = rules.recruitment.peep_top_cmh2o.value or 0.0, _room(settings, rules.recruitment)
    return (Draft(Phase.REOPENING, top, peak - top, rules.recruitment.hold_s.value or 0.0),)


def _room(settings: Settings, recruitment: RecruitmentRules) -> float:
    """How high end-inspiratory pressure may go so that peak pressure keeps to the protocol's [cmH2O]."""
    return (recruitment.peak_top_cmh2o.value or 0.0) - (settings.resistive_cmh2o or 0.0)


def _rising(start: float, top: float, rise: float) -> list[float]:
    """Levels above the start, up to and including the top; empty where the start is there already."""
    levels: list[float] = []
    level = start
    while level < top - 1e-9:
        level = min(level + rise, top)
        levels.append(level)
    return levels


_BY_COMPLIANCE: Final = (MarginMarker.COMPLIANCE, MarginMarker.STATIC_COMPLIANCE, MarginMarker.DYNAMIC_COMPLIANCE)


def _written_out(
    drafts: Sequence[Draft], settings: Settings, rules: StaircaseRules, protocol: Protocol, *, recruiting: bool
) -> tuple[PlanStep, ...]:
    """Number the steps, with the one before and the one after, and say what to record and to expect."""
    now = Draft(Phase.BEFORE, settings.peep_cmh2o, settings.pressure_above_peep_cmh2o, 0.0)
    first_down = next(draft.peep_cmh2o for draft in drafts if draft.phase is Phase.DESCENT)
    steps = [
        PlanStep(
            number=number,
            phase=draft.phase,
            peep_cmh2o=draft.peep_cmh2o,
            pressure_above_peep_cmh2o=draft.pressure_above_peep_cmh2o,
            end_inspiratory_cmh2o=_tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o),
            peak_cmh2o=None
            if settings.resistive_cmh2o is None
            else _tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o + settings.resistive_cmh2o),
            dwell_s=draft.dwell_s,
            expected_tidal_volume_ml=_volume_ml(draft, settings),
            record=message(f"plan-step.record-{_RECORDED_AS.get(draft.phase, draft.phase).value}"),
            expect=message(f"plan-step.expect-{'top' if _is_top(draft, first_down) else draft.phase.value}"),
            remark=_remark(draft, settings, protocol),
            pressure_is_set=recruiting or settings.control is not Control.VOLUME,
        )
        for number, draft in enumerate((now, *drafts), start=1)
    ]
    return (*steps, _last(len(steps) + 1, settings, rules, protocol, recruiting))


def _last(number: int, settings: Settings, rules: StaircaseRules, protocol: Protocol, recruiting: bool) -> PlanStep:
    target_ml = protocol.target_ml_per_kg * settings.pbw_kg
    level = message("plan-step.closing" if rules.margin_on == "closing" else "plan-step.best")
    margin = rules.margin_cmh2o.value
    expected: list[Value] = [
        message("plan-step.margin-unread", level=level)
        if margin is None
        else message("plan-step.margin", margin_cmh2o=margin, level=level, source=rules.margin_cmh2o.source)
    ]
    if rules.margin_on != "closing" or rules.marker not in _BY_COMPLIANCE:
        expected.append(message("plan-step.other-rule"))
    expected.append(
        message(
            "plan-step.target",
            ml_per_kg=protocol.target_ml_per_kg,
            volume_ml=round(target_ml),
            limit_cmh2o=protocol.plateau_limit_cmh2o,
        )
    )
    if not recruiting:
        expected.append(message("plan-step.nothing-reopened"))
    record, expect = message("plan-step.record-set"), joined("sentences", expected)
    return PlanStep(number, Phase.SET, None, None, None, None, 0.0, target_ml, record, expect, "")


def _volume_ml(draft: Draft, settings: Settings) -> float | None:
    compliance = settings.compliance_ml_per_cmh2o
    return None if compliance is None else compliance * draft.pressure_above_peep_cmh2o


def _tidy(pressure_cmh2o: float) -> float:
    """Without what binary fractions leave behind: pressures are read to a tenth at most."""
    return round(pressure_cmh2o, 6)


def _is_top(draft: Draft, first_down_cmh2o: float) -> bool:
    return draft.phase is Phase.DESCENT and draft.peep_cmh2o == first_down_cmh2o


def _remark(draft: Draft, settings: Settings, protocol: Protocol) -> Value:
    reached = _tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o)
    parts: list[Message] = []
    if reached > (limit := protocol.plateau_limit_cmh2o):
        parts.append(message("plan-step.above-limit", reached_cmh2o=reached, limit_cmh2o=limit))
    volume, largest = _volume_ml(draft, settings), max(protocol.ladder_ml_per_kg)
    if volume is not None and volume > largest * settings.pbw_kg:
        per_kg = f"{volume / settings.pbw_kg:.1f}"
        parts.append(
            message("plan-step.large-volume", volume_ml=round(volume), ml_per_kg=per_kg, largest_ml_per_kg=largest)
        )
    return joined("sentences", parts)


_RECORDED_AS: Final = {Phase.RECRUITMENT: Phase.UP, Phase.REOPENING: Phase.UP}
"""What is recorded on the way up is the same, however the lung is opened."""
