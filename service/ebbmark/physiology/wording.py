"""How are pressures and probabilities spelled in sentences?"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["interval", "level", "listed", "percent"]

NEARLY_SURE = 0.99
"""No estimate is certain: beyond this, and below its complement, only the bound is named."""


def level(pressure_cmh2o: float) -> str:
    """A pressure to one decimal, without trailing zeros: a setting in mbar must not read 8.00477 cmH2O."""
    return f"{round(pressure_cmh2o, 1):g}"


def interval(low_cmh2o: float, high_cmh2o: float) -> str:
    """An interval of steps; a single step is named as such."""
    if low_cmh2o == high_cmh2o:
        return f"the step of {level(low_cmh2o)} cmH2O alone"
    return f"{level(low_cmh2o)} to {level(high_cmh2o)} cmH2O"


def listed(words: Sequence[str]) -> str:
    """At least one word or phrase, as a sentence lists them."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def percent(probability: float) -> str:
    """Whole per cent; never a certainty that a model cannot have."""
    if probability > NEARLY_SURE:
        return f"over {100 * NEARLY_SURE:.0f} %"
    if probability < 1 - NEARLY_SURE:
        return f"under {100 * (1 - NEARLY_SURE):.0f} %"
    return f"{100 * probability:.0f} %"
