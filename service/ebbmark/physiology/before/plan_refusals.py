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
        sentence: one or two plain sentences.
        missing: numbers of the protocol that nobody has verified; empty otherwise.
        missing_names: the same by the names of their cells.
    """

    reason: NoPlanReason
    sentence: str
    missing: tuple[str, ...] = ()
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
        return NoPlan(NoPlanReason.NO_RECRUITMENT_IN_PROTOCOL, f"{rules.title} describes no recruitment.")
    rise_asked_for = rise_cmh2o is not None
    missing = unverified_cells(rules, with_recruitment=recruiting, rise_asked_for=rise_asked_for)
    if missing:
        names = unverified_names(rules, with_recruitment=recruiting, rise_asked_for=rise_asked_for)
        sentence = (
            f"{rules.title} is not laid out: {', '.join(missing)} could not be verified against {rules.citation}."
        )
        return NoPlan(NoPlanReason.NOT_VERIFIED, sentence, missing, names)
    if rise_cmh2o is not None and not SMALLEST_RISE_CMH2O <= rise_cmh2o <= LARGEST_RISE_CMH2O:
        sentence = f"A rise of {rise_cmh2o:g} cmH2O per step was asked for; common practice is 2 to 5 cmH2O."
        return NoPlan(NoPlanReason.RISE_OUT_OF_RANGE, sentence)
    return _without_room_above(settings, rules) if recruiting else _without_room(settings, rules, protocol)


def _against(candidate: Candidate | None, acknowledged: Collection[str], *, recruiting: bool) -> NoPlan | None:
    obstacles = obstacles_of(candidate, recruiting=recruiting) if candidate else ()
    final = [one for one in obstacles if one.final]
    if final:
        return NoPlan(NoPlanReason.CONTRAINDICATED, " ".join(f"No plan: {one.sentence}" for one in final))
    open_ones = [one for one in obstacles if one.slug not in acknowledged]
    if open_ones:
        said = " ".join(one.sentence for one in open_ones)
        return NoPlan(NoPlanReason.NOT_ACKNOWLEDGED, f"No plan until a clinician has acknowledged it: {said}")
    return None


def _without_room_above(settings: Settings, rules: StaircaseRules) -> NoPlan | None:
    """With recruitment: resistance may leave no breath between the highest PEEP and the protocol's peak."""
    assert rules.recruitment is not None  # noqa: S101 - refused before
    top, peak = _value(rules.recruitment.peep_top_cmh2o.value), _value(rules.recruitment.peak_top_cmh2o.value)
    resistive = settings.resistive_cmh2o or 0.0
    if peak - resistive - top >= SMALLEST_PRESSURE_ABOVE_CMH2O:
        return None
    sentence = (
        f"Flow takes {resistive:g} cmH2O in resistance now. Below a peak pressure of {peak:g} cmH2O that leaves no "
        f"breath at a PEEP of {top:g} cmH2O."
    )
    return NoPlan(NoPlanReason.NO_ROOM, sentence)


def _without_room(settings: Settings, rules: StaircaseRules, protocol: Protocol) -> NoPlan | None:
    limit = protocol.plateau_limit_cmh2o
    peak = settings.peep_cmh2o + settings.pressure_above_peep_cmh2o
    if peak > limit:
        sentence = (
            f"End-inspiratory pressure is {peak:g} cmH2O now ({settings.peep_cmh2o:g} PEEP and "
            f"{settings.pressure_above_peep_cmh2o:g} above it), above {limit:g}. A trial without recruitment would "
            "not keep to the limit; a smaller tidal volume may make room for it."
        )
        return NoPlan(NoPlanReason.ALREADY_ABOVE_LIMIT, sentence)
    top = highest_start_cmh2o(settings, rules, protocol)
    lowest, down = _value(rules.lowest_cmh2o.value), _value(rules.decrement_cmh2o.value)
    count = floor((top - lowest) / down + 1e-9) + 1
    if count < protocol.minimum_steps:
        sentence = (
            f"With {settings.pressure_above_peep_cmh2o:g} cmH2O above PEEP the highest PEEP within {limit:g} "
            f"at the end of inspiration is {top:g} cmH2O. Down to {lowest:g} cmH2O that leaves {max(count, 0)} steps; "
            f"at least {protocol.minimum_steps} are needed to tell closing from noise."
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
