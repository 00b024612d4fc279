"""Steps of a planned trial: what is set and for how long, what is written down, and what may be seen.

Source: the chosen staircase's own numbers; common practice, no published source; and what `evidence` lists.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple

from ebbmark.physiology.before.staircase import MarginMarker, RecruitmentRules, StaircaseRules
from ebbmark.physiology.findings import Message, Value, joined, message
from ebbmark.physiology.mechanics import Control
from ebbmark.physiology.protocols import Protocol


class Phase(Enum):
    """Part of the trial that a step belongs to."""

    BEFORE = "before"
    UP = "up"
    RECRUITMENT = "recruitment"
    DESCENT = "descent"
    REOPENING = "re-opening"
    SET = "set"


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


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step.

    Attributes:
        peep_cmh2o: to be set; None where it follows from the trial.
        peak_cmh2o: expected peak pressure: that sum and what flow takes in resistance, as it is now; None where not
            known, or where it follows from the trial.
        expected_tidal_volume_ml: if compliance stayed as it is now; None where that is not known.
        pressure_is_set: False where volume is controlled and stays so: the pressure above PEEP then follows.
    """

    number: int
    phase: Phase
    peep_cmh2o: float | None
    pressure_above_peep_cmh2o: float | None
    end_inspiratory_cmh2o: float | None
    peak_cmh2o: float | None
    dwell_s: float
    expected_tidal_volume_ml: float | None
    record: Value
    expect: Value
    remark: Value
    pressure_is_set: bool = True


class Draft(NamedTuple):
    """A step before it is written out."""

    phase: Phase
    peep_cmh2o: float
    pressure_above_peep_cmh2o: float
    dwell_s: float


def climb_within_limit(settings: Settings, top_cmh2o: float, rise_cmh2o: float, dwell_s: float) -> tuple[Draft, ...]:
    """PEEP up to just below the start of the way down, pressure above PEEP unchanged.

    Args:
        rise_cmh2o: per step; the last step is cut so that it does not pass the top.
    """
    levels = _rising(settings.peep_cmh2o, top_cmh2o, rise_cmh2o)[:-1]
    return tuple(Draft(Phase.UP, level, settings.pressure_above_peep_cmh2o, dwell_s) for level in levels)


def way_up(settings: Settings, recruitment: RecruitmentRules, rise_cmh2o: float) -> tuple[Draft, ...]:
    """PEEP up to the top, then inspiratory pressure up to the peak; the last step of each is cut, never overshoots.

    The protocol's peak is held against peak pressure: what flow takes in resistance now is left room for, where it is
    known.

    Args:
        recruitment: the chosen protocol's way up, every number known.
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


def descent(settings: Settings, rules: StaircaseRules, top_cmh2o: float) -> tuple[Draft, ...]:
    """PEEP down from the top, pressure above PEEP as it is now.

    Args:
        rules: the staircase, every number known.
    """
    down, lowest = rules.decrement_cmh2o.value or 1.0, rules.lowest_cmh2o.value or 0.0
    count = int((top_cmh2o - lowest) / down + 1e-9) + 1
    return tuple(
        Draft(Phase.DESCENT, top_cmh2o - index * down, settings.pressure_above_peep_cmh2o, rules.dwell_s.value or 0.0)
        for index in range(count)
    )


def reopening(settings: Settings, rules: StaircaseRules) -> tuple[Draft, ...]:
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


def written_out(
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
