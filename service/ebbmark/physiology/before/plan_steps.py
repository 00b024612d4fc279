"""What is set at each step of a planned trial, and for how long?

Source: the chosen staircase's own numbers; common practice has no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from ebbmark.physiology.before.staircase import RecruitmentRules, StaircaseRules
from ebbmark.physiology.message import Value

__all__ = [
    "Control",
    "Draft",
    "Phase",
    "PlanStep",
    "Settings",
    "climb_within_limit",
    "descent",
    "reopening",
    "way_up",
]


class Phase(Enum):
    """Part of the trial that a step belongs to."""

    BEFORE = "before"
    UP = "up"
    RECRUITMENT = "recruitment"
    DESCENT = "descent"
    REOPENING = "re-opening"
    SET = "set"


class Control(Enum):
    """What the ventilator controls."""

    PRESSURE = "pressure"
    VOLUME = "volume"


@dataclass(frozen=True, slots=True)
class Settings:
    """Where this patient is now.

    Attributes:
        peep_cmh2o: set PEEP.
        pressure_above_peep_cmh2o: inspiratory pressure set above PEEP; in volume control the driving pressure.
        pbw_kg: predicted body weight.
        compliance_ml_per_cmh2o: at these settings; None where not known.
        resistive_cmh2o: by how much peak pressure lies above the end-inspiratory pressure; None where not known.
        control: what the ventilator controls; None where that is not told.
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
        number: from 1.
        phase: part of the trial.
        peep_cmh2o: to be set; None where it follows from the trial.
        pressure_above_peep_cmh2o: to be set; None where it follows from the trial.
        end_inspiratory_cmh2o: their sum; None where it follows from the trial.
        peak_cmh2o: expected peak pressure: that sum and what flow takes in resistance, as it is now; None where not
            known, or where it follows from the trial.
        dwell_s: time at this step.
        expected_tidal_volume_ml: if compliance stayed as it is now; None where that is not known.
        record: what to write down.
        expect: what may be seen, and what it would mean.
        remark: what this step must be read with, for example a pressure above a limit; empty otherwise.
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
        settings: now.
        top_cmh2o: where the way down begins.
        rise_cmh2o: per step; the last step is cut so that it does not pass the top.
        dwell_s: at each step.
    """
    levels = _rising(settings.peep_cmh2o, top_cmh2o, rise_cmh2o)[:-1]
    return tuple(Draft(Phase.UP, level, settings.pressure_above_peep_cmh2o, dwell_s) for level in levels)


def way_up(settings: Settings, recruitment: RecruitmentRules, rise_cmh2o: float) -> tuple[Draft, ...]:
    """PEEP up to the top, then inspiratory pressure up to the peak; the last step of each is cut, never overshoots.

    The protocol's peak is held against peak pressure: what flow takes in resistance now is left room for, where it is
    known.

    Args:
        settings: now.
        recruitment: the chosen protocol's way up, every number known.
        rise_cmh2o: PEEP per step.
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
        settings: now.
        rules: the staircase, every number known.
        top_cmh2o: PEEP of the first step.
    """
    down, lowest = rules.decrement_cmh2o.value or 1.0, rules.lowest_cmh2o.value or 0.0
    count = int((top_cmh2o - lowest) / down + 1e-9) + 1
    return tuple(
        Draft(Phase.DESCENT, top_cmh2o - index * down, settings.pressure_above_peep_cmh2o, rules.dwell_s.value or 0.0)
        for index in range(count)
    )


def reopening(settings: Settings, rules: StaircaseRules) -> tuple[Draft, ...]:
    """The highest step of the way up once more, where the chosen protocol says so.

    Args:
        settings: now.
        rules: the staircase, every number known.
    """
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
