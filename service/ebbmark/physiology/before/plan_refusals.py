"""When is no plan laid out, and why?"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum
from math import floor
from typing import Final

from ebbmark.physiology.before.candidate import Candidate
from ebbmark.physiology.before.obstacles import obstacles_of
from ebbmark.physiology.before.plan_steps import Settings
from ebbmark.physiology.before.staircase import StaircaseRules, unverified_cells, unverified_names
from ebbmark.physiology.message import Value, joined, message
from ebbmark.physiology.protocols import Protocol

__all__ = ["NoPlan", "NoPlanReason", "Variant", "highest_start_cmh2o", "refusal"]

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
    """No plan, and why.

    Attributes:
        reason: which kind.
        sentence: the same in full.
        missing: numbers of the protocol that nobody has verified; empty otherwise.
        missing_names: the same by the names of their cells.
    """

    reason: NoPlanReason
    sentence: Value
    missing: tuple[Value, ...] = ()
    missing_names: tuple[str, ...] = ()


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
        settings: of this patient now.
        rules: the staircase.
        variant: with or without recruitment.
        rise_cmh2o: asked for; None for the staircase's own [cmH2O].
        candidate: what was found beforehand, if anybody looked.
        protocol: pressure limits.
        acknowledged: slugs of what a clinician has acknowledged.
    """
    recruiting = variant is Variant.WITH_RECRUITMENT
    against = _against(candidate, acknowledged, recruiting=recruiting)
    if against is not None:
        return against
    if recruiting and rules.recruitment is None:
        return NoPlan(
            NoPlanReason.NO_RECRUITMENT_IN_PROTOCOL, message("plan-refusal.no-recruitment", title=rules.title)
        )
    rise_asked_for = rise_cmh2o is not None
    missing = unverified_cells(rules, with_recruitment=recruiting, rise_asked_for=rise_asked_for)
    if missing:
        names = unverified_names(rules, with_recruitment=recruiting, rise_asked_for=rise_asked_for)
        listed = joined("commas", missing)
        sentence = message("plan-refusal.not-verified", title=rules.title, listed=listed, citation=rules.citation)
        return NoPlan(NoPlanReason.NOT_VERIFIED, sentence, missing, names)
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
        settings: of this patient now.
        rules: the staircase, every number known.
        protocol: the limit.

    Source: this project's choice: a start above the plateau limit would be a high-pressure step of its own.
    """
    room = floor(protocol.plateau_limit_cmh2o - settings.pressure_above_peep_cmh2o + 1e-9)
    return max(min(_value(rules.start_cmh2o.value), room), settings.peep_cmh2o)


def _value(value: float | None) -> float:
    if value is None:
        raise ValueError("an unverified number was used; such a protocol is refused earlier")
    return value
