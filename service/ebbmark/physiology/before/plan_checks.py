"""Checks of a plan: what a clinician looks at first, why no plan is laid out, and what is to be known before.

A documented contraindication or high-risk state, and readings that show one, stand in the way of a plan until somebody
who can judge them says so by name. What is not documented does not stand in the way: it is asked after, and never taken
as absent. Which of the two is this project's choice; what each condition means is its source's word.

Plateau pressure is what a lung feels; peak pressure at constant flow lies above it by flow times resistance. A limit of
plateau pressure is held against the end-inspiratory pressure, a ceiling of peak pressure against the peak.
Source: equation of motion, textbook; the guidelines and trials in `evidence`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import Enum
from math import floor
from typing import Final

from ebbmark.physiology.before.candidate import Candidate, Documented
from ebbmark.physiology.before.risks import Risk, RiskConcept, Scope
from ebbmark.physiology.before.staircase import StaircaseRules, unverified
from ebbmark.physiology.findings import Message, Value, joined, message
from ebbmark.physiology.mechanics import Control
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.stop.limits import StopLimits


@dataclass(frozen=True, slots=True)
class Settings:
    """Where this patient is now.

    Attributes:
        pressure_above_peep_cmh2o: inspiratory pressure set above PEEP; in volume control the driving pressure.
        resistive_cmh2o: by how much peak pressure lies above the end-inspiratory pressure; None where not known.
    """

    peep_cmh2o: float
    pressure_above_peep_cmh2o: float
    pbw_kg: float
    compliance_ml_per_cmh2o: float | None = None
    resistive_cmh2o: float | None = None
    control: Control | None = None


ALSO: Final = frozenset({"recent-lung-surgery", "pregnancy"})
"""Cautions that stand in the way, too: a fresh stump, and a second patient. This project's choice."""

_WHERE: Final = {"pregnancy": message("candidate.pregnancy-to-be-asked")}


@dataclass(frozen=True, slots=True)
class Obstacle:
    """One thing that stands in the way of a plan.

    Attributes:
        slug: of the condition, or of what the readings show; the word by which it is acknowledged.
        source: index of the reading that shows it; None for a condition, whose inputs the reader knows.
    """

    slug: str
    words: Value
    sentence: Value
    citation: Value
    final: bool
    source: int | None = None


def is_obstacle(concept: RiskConcept) -> bool:
    """Whether this condition, where it is documented, stands in the way of a plan."""
    return concept.risk in (Risk.ABSOLUTE, Risk.HIGH) or concept.slug in ALSO


def obstacles_of(candidate: Candidate, *, recruiting: bool) -> tuple[Obstacle, ...]:
    """What was found and stands in the way, gravest first.

    Args:
        recruiting: whether high-pressure recruitment was chosen: then a contraindication cannot be acknowledged away.

    Source: each condition's and threshold's own; that they stand in the way is this project's choice.
    """
    found = [
        Obstacle(
            one.concept.slug,
            one.words,
            one.sentence,
            one.concept.citation,
            recruiting and one.concept.risk is Risk.ABSOLUTE,
        )
        for one in candidate.findings
        if is_obstacle(one.concept) and one.counts
    ]
    shown = [
        Obstacle(one.slug, one.slug.replace("-", " "), one.sentence, one.citation, False, one.source)
        for one in candidate.reading_risks
        if one.risk is Risk.HIGH
    ]
    return (*found, *shown)


def to_be_asked(candidate: Candidate, *, recruiting: bool) -> tuple[Value, ...]:
    """What would stand in the way and is not documented, in words: to be asked at the bedside.

    Source: this project's choice.
    """
    return tuple(
        _WHERE.get(one.concept.slug, one.concept.words)
        for one in candidate.findings
        if one.documented is Documented.NOT_DOCUMENTED
        and (is_obstacle(one.concept) or (recruiting and one.concept.scope is Scope.RECRUITMENT))
    )


def peak_words(settings: Settings, highest_cmh2o: float, *, recruiting: bool) -> Message:
    """The expected peak pressure beside the highest end-inspiratory pressure, to be read on in one sentence."""
    resistive = settings.resistive_cmh2o
    fixed = recruiting or settings.control is Control.PRESSURE
    if resistive is None:
        return message("plan.peak-unknown" if fixed else "plan.peak-unknown-and-compliance")
    follows = "" if fixed else message("plan.if-compliance-stays")
    if resistive == 0.0:
        return message("plan.peak-the-same", follows=follows)
    peak = round(highest_cmh2o + resistive, 6)
    return message("plan.peak", peak_cmh2o=peak, resistive_cmh2o=resistive, follows=follows)


def peak_warnings(settings: Settings, limits: StopLimits, recruiting: bool) -> tuple[Value, ...]:
    """What must be said where peak pressure is not known, or the steps are of another mode than the present one."""
    said: list[Value] = []
    ceiling = limits.peak_pressure_above_cmh2o
    if settings.resistive_cmh2o is None:
        unheld = [] if ceiling is None else [message("plan-warning.peak-limit-unheld", limit_cmh2o=ceiling.value)]
        said.append(joined("sentences", [message("plan-warning.peak-unknown"), *unheld]))
    if settings.control is Control.VOLUME and not recruiting:
        said.append(message("plan-warning.volume-control"))
    if recruiting and settings.control is not Control.PRESSURE:
        mode = "volume-control" if settings.control is Control.VOLUME else "unknown-mode"
        said.append(message(f"plan-warning.way-up-in-{mode}"))
    return tuple(said)


HIGH_PRESSURE_CMH2O: Final = 35.0
"""Airway pressure from which the European guideline speaks of high pressure; one minute or longer is prolonged."""


def warnings_of_plan(
    rules: StaircaseRules, highest: float, high_s: float, candidate: Candidate | None, *, recruiting: bool
) -> tuple[Value, ...]:
    """What must be known before a plan is followed, gravest first.

    Source: the guidelines and trials in `evidence`, and the staircase's own remark.
    """
    warnings: list[Value] = []
    if recruiting:
        warnings.append(
            message(
                "plan-warning.recruitment-chosen",
                highest_cmh2o=highest,
                high_cmh2o=HIGH_PRESSURE_CMH2O,
                minutes=high_s / 60,
            )
        )
    if rules.remark:
        warnings.append(message("plan-warning.remark", title=rules.title, remark=rules.remark))
    if candidate is None:
        return (*warnings, message("plan-warning.nobody-looked"))
    asked = to_be_asked(candidate, recruiting=recruiting)
    if asked:
        warnings.append(message("plan-warning.to-be-asked", listed=joined("semicolons", asked)))
    return (*warnings, candidate.sentence)


SMALLEST_RISE_CMH2O: Final = 2.0
LARGEST_RISE_CMH2O: Final = 5.0
SMALLEST_PRESSURE_ABOVE_CMH2O: Final = 5.0
"""Less pressure above PEEP than this is no breath to plan with. This project's choice."""


class Variant(Enum):
    """Whether the lung is opened with high pressure first."""

    DECREMENTAL_ONLY = "decremental-only"
    WITH_RECRUITMENT = "with-recruitment"


class NoPlanReason(Enum):
    """Why no plan is laid out."""

    CONTRAINDICATED = "contraindicated"
    NOT_ACKNOWLEDGED = "not-acknowledged"
    NOT_VERIFIED = "protocol-not-verified"
    NO_RECRUITMENT_IN_PROTOCOL = "no-recruitment-in-protocol"
    RISE_OUT_OF_RANGE = "rise-out-of-range"
    ALREADY_ABOVE_LIMIT = "already-above-limit"
    NO_ROOM = "no-room"
    ABOVE_STOP_LIMIT = "above-stop-limit"


@dataclass(frozen=True, slots=True)
class NoPlan:
    """No plan, and why; with the numbers that nobody has verified, by the names of their cells."""

    reason: NoPlanReason
    sentence: Value
    missing: Mapping[str, Message] = field(default_factory=dict)


def refusal(
    settings: Settings,
    rules: StaircaseRules,
    variant: Variant,
    rise_cmh2o: float | None,
    candidate: Candidate | None,
    protocol: Protocol,
    acknowledged: Collection[str],
) -> NoPlan | None:
    """The first reason not to lay out a plan, or None.

    Args:
        rise_cmh2o: asked for; None for the staircase's own [cmH2O].
    """
    recruiting = variant is Variant.WITH_RECRUITMENT
    against = _against(candidate, acknowledged, recruiting=recruiting)
    if against is not None:
        return against
    if recruiting and rules.recruitment is None:
        return NoPlan(
            NoPlanReason.NO_RECRUITMENT_IN_PROTOCOL, message("plan-refusal.no-recruitment", title=rules.title)
        )
    missing = unverified(rules, with_recruitment=recruiting, rise_asked_for=rise_cmh2o is not None)
    if missing:
        listed = joined("commas", tuple(missing.values()))
        sentence = message("plan-refusal.not-verified", title=rules.title, listed=listed, citation=rules.citation)
        return NoPlan(NoPlanReason.NOT_VERIFIED, sentence, missing)
    if rise_cmh2o is not None and not SMALLEST_RISE_CMH2O <= rise_cmh2o <= LARGEST_RISE_CMH2O:
        return NoPlan(NoPlanReason.RISE_OUT_OF_RANGE, message("plan-refusal.rise-out-of-range", rise_cmh2o=rise_cmh2o))
    return _without_room_above(settings, rules) if recruiting else _without_room(settings, rules, protocol)


def _against(candidate: Candidate | None, acknowledged: Collection[str], *, recruiting: bool) -> NoPlan | None:
    obstacles = obstacles_of(candidate, recruiting=recruiting) if candidate else ()
    final = [one for one in obstacles if one.final]
    if final:
        said = [message("plan-refusal.contraindicated", found=one.sentence) for one in final]
        return NoPlan(NoPlanReason.CONTRAINDICATED, joined("sentences", said))
    open_ones = [one for one in obstacles if one.slug not in acknowledged]
    if open_ones:
        found = joined("sentences", [one.sentence for one in open_ones])
        return NoPlan(NoPlanReason.NOT_ACKNOWLEDGED, message("plan-refusal.not-acknowledged", found=found))
    return None


def _without_room_above(settings: Settings, rules: StaircaseRules) -> NoPlan | None:
    """With recruitment: resistance may leave no breath between the highest PEEP and the protocol's peak."""
    assert rules.recruitment is not None  # noqa: S101 - refused before
    top, peak = _value(rules.recruitment.peep_top_cmh2o.value), _value(rules.recruitment.peak_top_cmh2o.value)
    resistive = settings.resistive_cmh2o or 0.0
    if peak - resistive - top >= SMALLEST_PRESSURE_ABOVE_CMH2O:
        return None
    sentence = message("plan-refusal.no-breath-at-top", resistive_cmh2o=resistive, peak_cmh2o=peak, top_cmh2o=top)
    return NoPlan(NoPlanReason.NO_ROOM, sentence)


def _without_room(settings: Settings, rules: StaircaseRules, protocol: Protocol) -> NoPlan | None:
    limit = protocol.plateau_limit_cmh2o
    peak = settings.peep_cmh2o + settings.pressure_above_peep_cmh2o
    if peak > limit:
        sentence = message(
            "plan-refusal.already-above-limit",
            peak_cmh2o=peak,
            peep_cmh2o=settings.peep_cmh2o,
            above_cmh2o=settings.pressure_above_peep_cmh2o,
            limit_cmh2o=limit,
        )
        return NoPlan(NoPlanReason.ALREADY_ABOVE_LIMIT, sentence)
    top = highest_start_cmh2o(settings, rules, protocol)
    lowest, down = _value(rules.lowest_cmh2o.value), _value(rules.decrement_cmh2o.value)
    count = floor((top - lowest) / down + 1e-9) + 1
    if count < protocol.minimum_steps:
        sentence = message(
            "plan-refusal.too-few-steps",
            above_cmh2o=settings.pressure_above_peep_cmh2o,
            limit_cmh2o=limit,
            top_cmh2o=top,
            lowest_cmh2o=lowest,
            count=max(count, 0),
            least=protocol.minimum_steps,
        )
        return NoPlan(NoPlanReason.NO_ROOM, sentence)
    return None


def highest_start_cmh2o(settings: Settings, rules: StaircaseRules, protocol: Protocol) -> float:
    """As high as the staircase starts, as long as peak pressure stays within the limit; never below where PEEP is.

    Args:
        rules: the staircase, every number known.

    Source: this project's choice: a start above the plateau limit would be a high-pressure step of its own.
    """
    room = floor(protocol.plateau_limit_cmh2o - settings.pressure_above_peep_cmh2o + 1e-9)
    return max(min(_value(rules.start_cmh2o.value), room), settings.peep_cmh2o)


def _value(value: float | None) -> float:
    if value is None:
        raise ValueError("an unverified number was used; such a protocol is refused earlier")
    return value
