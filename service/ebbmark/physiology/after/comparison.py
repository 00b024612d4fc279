"""Comparison of two stretches of time: what changed after PEEP was set, and whether the limits hold now.

A difference is called better or worse only where it exceeds what the readings wander by themselves. No published figure
for that wander was found: every one is this project's assumption and is shown as such; a site that has measured its own
replaces the table.

Sources of the limits: plateau and tidal volume: ARDS Network, N Engl J Med 2000;342:1301-8. Driving pressure: an
association, Amato et al, N Engl J Med 2015;372:747-55.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from math import hypot, sqrt
from typing import Final

from ebbmark.data import table
from ebbmark.physiology.closing.result import StepEstimate
from ebbmark.physiology.findings import SOURCES, Message
from ebbmark.physiology.mechanics import require_positive
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.stop.limits import Limit

TWO_SIDED_95: Final = 1.959963984540054

RELIEF: Final = 0.05  # relative rise of compliance below the top step that is worth naming; this project's choice


class Measure(Enum):
    """A figure that is compared: stable name, unit and which direction is better (+1 up, -1 down, 0 neither)."""

    COMPLIANCE = ("compliance-static", "mL/cmH2O", 1)
    COMPLIANCE_DYNAMIC = ("compliance-dynamic", "mL/cmH2O", 1)
    DRIVING_PRESSURE = ("driving-pressure", "cmH2O", -1)
    PF_RATIO = ("pf-ratio", "mmHg", 1)
    PACO2 = ("paco2", "mmHg", -1)
    VENTILATORY_RATIO = ("ventilatory-ratio", "", -1)
    MECHANICAL_POWER = ("mechanical-power", "J/min", -1)
    MEAN_ARTERIAL_PRESSURE = ("mean-arterial-pressure", "mmHg", 0)

    __hash__ = object.__hash__

    def __init__(self, slug: str, unit: str, better: int) -> None:
        self.slug = slug
        self.unit = unit
        self.better = better

    def show(self, value: float) -> str:
        """The value as it is printed, with its unit."""
        digits = {"J/min": 1, "cmH2O": 1, "mL/cmH2O": 1, "": 2}.get(self.unit, 0)
        return f"{value:.{digits}f} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Noise:
    """How far one reading may lie from the truth, as one standard deviation."""

    relative: float  # share of the value [1]
    absolute: float  # in the unit of the measure; the two are combined as independent
    source: str
    assumed: bool = True  # True where no published source stands behind it


_ROWS: Final = table("measurement_noise")


def assumed_noise(slug: str) -> Noise:
    """The noise of one quantity or measure."""
    row = _ROWS[slug]
    return Noise(row.get("relative", 0.0), row.get("absolute", 0.0), row["source"])


ASSUMED_NOISE: Final = {measure: assumed_noise(measure.slug) for measure in Measure}
"""One standard deviation of a single reading."""


class ChangeVerdict(Enum):
    """What may be said of a difference."""

    IMPROVED = "improved"
    WORSE = "worse"
    CHANGED = "changed"  # beyond noise, in a direction that is good or bad only with its cause
    WITHIN_NOISE = "within-measurement-noise"
    NOT_KNOWN = "not-known"


@dataclass(frozen=True, slots=True)
class MeasureChange:
    """One figure before and after."""

    measure: Measure
    before: float | None
    after: float | None
    difference: float | None
    noise: float | None  # half-width of the band in which a difference of nothing but noise lies 19 times out of 20
    noise_source: str
    noise_assumed: bool
    verdict: ChangeVerdict


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a stretch of time."""

    value: float  # in the unit of its measure or quantity
    readings: int  # the fewest readings that any part of it rests on
    sources: tuple[int, ...]
    spread: float = 0.0  # highest less lowest of the readings that it is the middle of; 0 for a computed figure
    is_setting: bool = False  # a setting does not wander, so it limits no count of readings


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The state in one stretch of time."""

    from_s: float
    until_s: float
    figures: Mapping[Measure, Figure]
    not_known: Mapping[Measure, Message]
    peep: Figure | None  # total where known, else set, else measured; None where not sent or changed [cmH2O]
    plateau: Figure | None
    tidal_volume: Figure | None
    tidal_volume_per_kg: Figure | None


def noise_of_difference(
    noise: Noise, *, before: float, after: float, readings_before: int = 1, readings_after: int = 1
) -> float:
    """Half-width of the band that holds 95 % of differences when nothing has changed.

    Args:
        readings_before: how many readings the first value is the middle of.

    Returns:
        1.96 standard deviations of the difference [same unit].

    Raises:
        ValueError: a value or a count not above zero.

    Source: independent errors add in squares; the band is this project's choice.
    """
    require_positive(before=before, after=after, readings_before=readings_before, readings_after=readings_after)
    # The size of the error is that of the common value, if there is one: each side's own would favour one direction.
    level = 0.5 * (before + after)
    single = hypot(noise.relative * level, noise.absolute)
    return TWO_SIDED_95 * single * sqrt(1.0 / readings_before + 1.0 / readings_after)


def judge_change(
    measure: Measure, before: Figure | None, after: Figure | None, noise: Noise | None = None
) -> MeasureChange:
    """Whether a figure improved, worsened, or moved no more than its readings wander by the noise of a single one.

    Source: this project's choice; see `ASSUMED_NOISE`.
    """
    noise = noise or ASSUMED_NOISE[measure]
    if before is None or after is None:
        values = (before.value if before else None, after.value if after else None)
        return MeasureChange(measure, *values, None, None, noise.source, noise.assumed, ChangeVerdict.NOT_KNOWN)
    band = noise_of_difference(
        noise,
        before=before.value,
        after=after.value,
        readings_before=before.readings,
        readings_after=after.readings,
    )
    difference = after.value - before.value
    verdict = _verdict(measure, difference, band)
    return MeasureChange(measure, before.value, after.value, difference, band, noise.source, noise.assumed, verdict)


def _verdict(measure: Measure, difference: float, band: float) -> ChangeVerdict:
    if abs(difference) <= band:
        return ChangeVerdict.WITHIN_NOISE
    if measure.better == 0:
        return ChangeVerdict.WORSE if difference < 0 else ChangeVerdict.CHANGED
    return ChangeVerdict.IMPROVED if difference * measure.better > 0 else ChangeVerdict.WORSE


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """Whether one limit holds."""

    slug: str  # plateau, driving-pressure or tidal-volume
    holds: bool | None
    value: float | None  # the figure; None where not known [cmH2O, or mL/kg for tidal volume]
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
    """Whether compliance rose when PEEP came down from the top."""

    sureness: Confidence  # shown where the 90 % bands of the top and the best step do not touch
    top_cmh2o: float | None = None
    best_cmh2o: float | None = None
    top_ml_per_cmh2o: float | None = None
    best_ml_per_cmh2o: float | None = None


@dataclass(frozen=True, slots=True)
class Pressure:
    """A mean arterial pressure that fell or is low."""

    now_mmhg: float
    before_mmhg: float | None  # at the earlier time; None where it did not fall beyond noise
    limit: Limit | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed between two stretches of time."""

    changes: tuple[MeasureChange, ...]  # a fall of mean arterial pressure first, then what is known on both sides
    limits: tuple[LimitCheck, ...]
    overdistension: Overdistension
    pressure: Pressure | None


def compare(
    before: Snapshot,
    after: Snapshot,
    *,
    steps: Sequence[StepEstimate] = (),
    protocol: Protocol,
    pressure_limit: Limit | None = None,
    noise: Mapping[Measure, Noise] = ASSUMED_NOISE,
) -> Comparison:
    """Compare two stretches of time, figure by figure; `steps` are those of the trial in between, highest PEEP first.

    Source: noise as each `Noise` says.
    """
    changes = sorted(
        (
            judge_change(measure, before.figures.get(measure), after.figures.get(measure), noise[measure])
            for measure in _measures(before, after)
        ),
        key=lambda change: (not _circulation_fell(change), change.verdict is ChangeVerdict.NOT_KNOWN),
    )
    pressure = _circulation(changes, after, pressure_limit)
    return Comparison(tuple(changes), _limits(after, protocol), overdistension_at_top(steps), pressure)


def overdistension_at_top(steps: Sequence[StepEstimate]) -> Overdistension:
    """Whether compliance rose as PEEP came down from the top, highest first: relief of overdistension, not closing.

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


def _circulation(changes: Sequence[MeasureChange], after: Snapshot, limit: Limit | None) -> Pressure | None:
    """A mean arterial pressure that fell or is low, ahead of all else: whoever reads one line reads this."""
    figure = after.figures.get(Measure.MEAN_ARTERIAL_PRESSURE)
    fell = next((change for change in changes if _circulation_fell(change)), None)
    low = figure is not None and limit is not None and figure.value < limit.value
    if figure is None or not (fell or low):
        return None
    return Pressure(figure.value, None if fell is None else fell.before, limit if low else None)


def _measures(before: Snapshot, after: Snapshot) -> list[Measure]:
    """All measures; dynamic compliance only where static compliance is not known on both sides."""
    static = Measure.COMPLIANCE in before.figures and Measure.COMPLIANCE in after.figures
    return [measure for measure in Measure if not (static and measure is Measure.COMPLIANCE_DYNAMIC)]


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
