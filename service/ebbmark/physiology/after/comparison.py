"""Comparison of two stretches of time: what changed after PEEP was set, and whether the limits hold now.

A difference is called better or worse only where it exceeds what the readings wander by themselves.

Sources of the limits: plateau and tidal volume: ARDS Network, N Engl J Med 2000;342:1301-8. Driving pressure: an
association, Amato et al, N Engl J Med 2015;372:747-55.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from ebbmark.physiology.after.events import PressureLimit
from ebbmark.physiology.after.measures import ASSUMED_NOISE, ChangeVerdict, Measure, MeasureChange, Noise, judge_change
from ebbmark.physiology.after.snapshot import Figure, Snapshot
from ebbmark.physiology.closing.result import StepEstimate
from ebbmark.physiology.findings import SOURCES
from ebbmark.physiology.protocols import Protocol

RELIEF = 0.05
"""Relative rise of compliance below the top step that is worth naming. This project's choice."""


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """Whether one limit holds.

    Attributes:
        slug: plateau, driving-pressure or tidal-volume.
        value: the figure; None where not known [cmH2O, or mL/kg for tidal volume].
    """

    slug: str
    holds: bool | None
    value: float | None
    limit: float
    sources: tuple[int, ...]
    citation: str


class Confidence(Enum):
    """How firmly overdistension shows at the top of the limb."""

    SHOWN = "shown"
    POSSIBLE = "possible"
    NOT_SEEN = "not-seen"
    NOT_KNOWN = "not-known"


@dataclass(frozen=True, slots=True)
class Overdistension:
    """Whether compliance rose when PEEP came down from the top.

    Attributes:
        sureness: shown where the 90 % bands of the top and the best step do not touch.
    """

    sureness: Confidence
    top_cmh2o: float | None = None
    best_cmh2o: float | None = None
    top_ml_per_cmh2o: float | None = None
    best_ml_per_cmh2o: float | None = None


@dataclass(frozen=True, slots=True)
class Pressure:
    """A mean arterial pressure that fell or is low.

    Attributes:
        before_mmhg: at the earlier time; None where it did not fall beyond noise.
    """

    now_mmhg: float
    before_mmhg: float | None
    limit: PressureLimit | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed between two stretches of time.

    Attributes:
        changes: one per measure: a fall of mean arterial pressure first, then those that are known on both sides.
    """

    changes: tuple[MeasureChange, ...]
    limits: tuple[LimitCheck, ...]
    overdistension: Overdistension
    pressure: Pressure | None


def compare(
    before: Snapshot,
    after: Snapshot,
    *,
    steps: Sequence[StepEstimate] = (),
    protocol: Protocol,
    pressure_limit: PressureLimit | None = None,
    noise: Mapping[Measure, Noise] = ASSUMED_NOISE,
) -> Comparison:
    """Compare two stretches of time, figure by figure.

    Args:
        steps: estimates of the steps of the trial in between, highest PEEP first; empty where there are none.

    Source: noise as each `Noise` says.
    """
    changes = sorted(
        (_change(measure, before, after, noise[measure]) for measure in _measures(before, after)),
        key=lambda change: (not _circulation_fell(change), change.verdict is ChangeVerdict.NOT_KNOWN),
    )
    pressure = _circulation(changes, after, pressure_limit)
    return Comparison(tuple(changes), _limits(after, protocol), overdistension_at_top(steps), pressure)


def overdistension_at_top(steps: Sequence[StepEstimate]) -> Overdistension:
    """Say whether compliance rose as PEEP came down from the top: relief of overdistension, not closing.

    Args:
        steps: estimates of the steps, highest PEEP first.

    Source: compliance falls with overdistension, as in the PEEP studies tabled in Pilbeam's Mechanical Ventilation,
    chapter 13 (read at second hand). The size that is worth naming, 5 %, is this project's choice.
    """
    if not steps:
        return Overdistension(Confidence.NOT_KNOWN)
    top = steps[0]
    best = max(steps, key=lambda step: step.fitted_ml_per_cmh2o)
    sureness = Confidence.POSSIBLE
    if best.fitted_ml_per_cmh2o <= (1 + RELIEF) * top.fitted_ml_per_cmh2o:
        sureness = Confidence.NOT_SEEN
    elif best.fitted_low_ml_per_cmh2o > top.fitted_high_ml_per_cmh2o:
        sureness = Confidence.SHOWN
    return Overdistension(sureness, top.peep_cmh2o, best.peep_cmh2o, top.fitted_ml_per_cmh2o, best.fitted_ml_per_cmh2o)


def _circulation_fell(change: MeasureChange) -> bool:
    return change.measure is Measure.MEAN_ARTERIAL_PRESSURE and change.verdict is ChangeVerdict.WORSE


def _circulation(changes: Sequence[MeasureChange], after: Snapshot, limit: PressureLimit | None) -> Pressure | None:
    """A mean arterial pressure that fell or is low, ahead of all else: whoever reads one line reads this."""
    figure = after.figures.get(Measure.MEAN_ARTERIAL_PRESSURE)
    fell = next((one for one in changes if _circulation_fell(one)), None)
    low = figure is not None and limit is not None and figure.value < limit.below_mmhg
    if figure is None or not (fell or low):
        return None
    return Pressure(figure.value, None if fell is None else fell.before, limit if low else None)


def _measures(before: Snapshot, after: Snapshot) -> list[Measure]:
    """All measures; dynamic compliance only where static compliance is not known on both sides."""
    static = Measure.COMPLIANCE in before.figures and Measure.COMPLIANCE in after.figures
    return [measure for measure in Measure if not (static and measure is Measure.COMPLIANCE_DYNAMIC)]


def _change(measure: Measure, before: Snapshot, after: Snapshot, noise: Noise) -> MeasureChange:
    first, second = before.figures.get(measure), after.figures.get(measure)
    return judge_change(
        measure,
        before=first.value if first else None,
        after=second.value if second else None,
        readings_before=first.readings if first else 1,
        readings_after=second.readings if second else 1,
        noise=noise,
    )


def _limits(after: Snapshot, protocol: Protocol) -> tuple[LimitCheck, ...]:
    driving = after.figures.get(Measure.DRIVING_PRESSURE)
    return (
        _limit("plateau", after.plateau, protocol.plateau_limit_cmh2o, "ards-network-2000"),
        _limit("driving-pressure", driving, protocol.driving_pressure_limit_cmh2o, "amato-2015"),
        _limit("tidal-volume", after.tidal_volume_per_kg, protocol.target_ml_per_kg, "ards-network-2000"),
    )


def _limit(slug: str, figure: Figure | None, limit: float, source: str) -> LimitCheck:
    citation = SOURCES[source]
    if figure is None:
        return LimitCheck(slug, None, None, limit, (), citation)
    # Compared as shown, so that nobody reads "30.0 is above 30".
    return LimitCheck(slug, round(figure.value, 1) <= limit, figure.value, limit, figure.sources, citation)
