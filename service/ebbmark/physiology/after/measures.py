"""Figures that are compared before and after, and how far each may wander without anything having changed.

No published figure for the wander of charted bedside readings was found. Every one here is this project's assumption
and is shown as such; a site that has measured its own replaces the table.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import hypot, sqrt
from typing import Final

from ebbmark.data import table
from ebbmark.physiology.mechanics import require_positive

_TWO_SIDED_95: Final = 1.959963984540054


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
    """How far one reading may lie from the truth, as one standard deviation.

    Attributes:
        relative: share of the value [1].
        absolute: in the unit of the measure; the two are combined as independent.
        assumed: True where no published source stands behind it.
    """

    relative: float
    absolute: float
    source: str
    assumed: bool = True


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
    """One figure before and after.

    Attributes:
        noise: half-width of the band in which a difference of nothing but noise lies 19 times out of 20.
    """

    measure: Measure
    before: float | None
    after: float | None
    difference: float | None
    noise: float | None
    noise_source: str
    noise_assumed: bool
    verdict: ChangeVerdict


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
    return _TWO_SIDED_95 * single * sqrt(1.0 / readings_before + 1.0 / readings_after)


def judge_change(
    measure: Measure,
    *,
    before: float | None,
    after: float | None,
    readings_before: int = 1,
    readings_after: int = 1,
    noise: Noise | None = None,
) -> MeasureChange:
    """Say whether a figure improved, worsened, or moved no more than its readings wander.

    Args:
        noise: of a single reading; the assumed one where not given.

    Source: this project's choice; see `ASSUMED_NOISE`.
    """
    noise = noise or ASSUMED_NOISE[measure]
    if before is None or after is None:
        return MeasureChange(measure, before, after, None, None, noise.source, noise.assumed, ChangeVerdict.NOT_KNOWN)
    band = noise_of_difference(
        noise, before=before, after=after, readings_before=readings_before, readings_after=readings_after
    )
    difference = after - before
    verdict = _verdict(measure, difference, band)
    return MeasureChange(measure, before, after, difference, band, noise.source, noise.assumed, verdict)


def _verdict(measure: Measure, difference: float, band: float) -> ChangeVerdict:
    if abs(difference) <= band:
        return ChangeVerdict.WITHIN_NOISE
    if measure.better == 0:
        return ChangeVerdict.WORSE if difference < 0 else ChangeVerdict.CHANGED
    return ChangeVerdict.IMPROVED if difference * measure.better > 0 else ChangeVerdict.WORSE
