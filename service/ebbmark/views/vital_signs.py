"""Vital signs as rows of a figure: the lowest charted value of each step, and whether it lies beyond its stop limit.

Heart rate has no row: it has a limit on either side, and the lowest value would hide a rise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor

from ebbmark.physiology.patient.context import LIMITS, StepSeen
from ebbmark.physiology.readings import Quantity

NOT_CHARTED = "figure.not-charted"


@dataclass(frozen=True, slots=True)
class VitalRow:
    """One vital sign at each step.

    Attributes:
        limit: stop limit; a value below it lies beyond.
        lowest: lowest charted value per step, in the order of the steps, settled ones before others; None where the
            step has none.
    """

    name: str
    unit: str
    limit: float
    lowest: tuple[float | None, ...]

    @property
    def title(self) -> str:
        """What the row shows, with its unit."""
        return f"lowest {self.name} ({self.unit})"

    @property
    def limit_words(self) -> str:
        """What is said of a value beyond the limit."""
        return f"below {self.limit:g}"

    def beyond(self, step: int) -> bool:
        """Whether the value of a step, counted from 0, lies beyond the limit."""
        value = self.lowest[step]
        return value is not None and value < self.limit

    def spelled(self, step: int) -> str | None:
        """The value of a step in whole numbers; rounding moves none across the limit. None where it has none."""
        value = self.lowest[step]
        if value is None:
            return None
        whole = f"{value:.0f}"
        return f"{floor(10 * value) / 10:.1f}" if self.beyond(step) and float(whole) >= self.limit else whole


def vital_rows_of(seen: Sequence[StepSeen]) -> tuple[VitalRow, ...]:
    """The rows of SpO2 and of mean arterial pressure, each only where it was charted.

    Systolic pressure has a row where it says what the mean does not: at a step without a mean, or beyond its limit
    where the mean is not.

    Args:
        seen: what each step saw, in the order of the steps.
    """
    vital = LIMITS.vital

    def row(name: str, unit: str, limit: float, quantity: Quantity) -> VitalRow:
        charted = (one.by_quantity.get(quantity) for one in seen)
        return VitalRow(name, unit, limit, tuple(None if one is None else one.least for one in charted))

    saturation = row("SpO2", "%", vital.spo2_below_percent, Quantity.SPO2)
    mean = row("MAP", "mmHg", vital.mean_arterial_pressure_below_mmhg, Quantity.MEAN_ARTERIAL_PRESSURE)
    systolic = row("systolic", "mmHg", vital.systolic_arterial_pressure_below_mmhg, Quantity.SYSTOLIC_ARTERIAL_PRESSURE)
    says_more = any(
        value is not None and (mean.lowest[step] is None or (systolic.beyond(step) and not mean.beyond(step)))
        for step, value in enumerate(systolic.lowest)
    )
    rows = (saturation, mean, systolic) if says_more else (saturation, mean)
    return tuple(one for one in rows if any(value is not None for value in one.lowest))
