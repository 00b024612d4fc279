"""From which compliance to which does the upper panel reach?"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log10

from ebbmark.views.content import Shown

__all__ = ["Scale", "beyond", "scale_of"]

LEAST_SPAN = 0.25
"""Least height of the scale as a share of the highest value: small noise must not look like a fall. Our choice."""

FURTHEST = 1.0
"""How far single readings and the band may widen the scale, in spans of medians and curve; our choice. What lies
beyond stands at the edge, and the figure says so."""

_MARGIN = 0.06
_TICKS = 5


@dataclass(frozen=True, slots=True)
class Scale:
    """Ends of the scale, and between which compliances readings stand in their place [mL/cmH2O]."""

    low: float
    high: float

    def share(self, compliance: float) -> float:
        """Where between the ends a compliance lies, 0 to 1; at an end where it lies beyond it."""
        return (min(max(compliance, self.low), self.high) - self.low) / (self.high - self.low)

    def ticks(self) -> tuple[float, ...]:
        """Round numbers along the scale."""
        rough = (self.high - self.low) / _TICKS
        power: float = 10.0 ** floor(log10(rough))
        distance = next(power * step for step in (1, 2, 5, 10) if power * step >= rough)
        return tuple(distance * n for n in range(ceil(self.low / distance), floor(self.high / distance) + 1))


def scale_of(figure: Shown) -> Scale:
    """The scale that shows medians and curve in full, and readings and band as far as they are near.

    Args:
        figure: what is drawn.
    """
    steps = figure.steps
    core = [step.centre_ml_per_cmh2o for step in steps]
    core += [step.expected_ml_per_cmh2o[0] for step in steps if step.expected_ml_per_cmh2o]
    low, high = min(core), max(core)
    reach = FURTHEST * max(high - low, LEAST_SPAN * high)
    readings = [value for step in steps for value in step.readings_ml_per_cmh2o]
    near = [value for value in readings if low - reach <= value <= high + reach]
    bands = [end for step in steps if step.expected_ml_per_cmh2o for end in step.expected_ml_per_cmh2o[1:]]
    near += [min(max(end, low - reach), high + reach) for end in bands]
    low, high = min([low, *near]), max([high, *near])
    missing = max(0.0, LEAST_SPAN * high - (high - low)) / 2
    margin = _MARGIN * (high - low + 2 * missing)
    return Scale(max(0.0, low - missing - margin), high + missing + margin)


def beyond(figure: Shown, scale: Scale) -> tuple[float, ...]:
    """Readings that the scale does not reach, lowest first.

    Args:
        figure: what is drawn.
        scale: its scale.
    """
    readings = (value for step in figure.steps for value in step.readings_ml_per_cmh2o)
    return tuple(sorted(value for value in readings if not scale.low <= value <= scale.high))
