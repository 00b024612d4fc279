"""Pressures, probabilities and lists as sentences spell them."""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.words.messages import say, spell

__all__ = ["interval", "level", "listed", "percent"]

NEARLY_SURE = 0.99
"""No estimate is certain: beyond this, and below its complement, only the bound is named."""


def level(pressure_cmh2o: float) -> str:
    """A pressure to one decimal, without trailing zeros: a setting in mbar must not read 8.00477 cmH2O."""
    return f"{round(pressure_cmh2o, 1):g}"


def interval(low_cmh2o: float, high_cmh2o: float) -> str:
    """An interval of steps; a single step is named as such."""
    if low_cmh2o == high_cmh2o:
        return say("number.single-step", at=level(low_cmh2o))
    return say("number.interval", low=level(low_cmh2o), high=level(high_cmh2o))


def listed(words: Sequence[str]) -> str:
    """At least one word or phrase, as a sentence lists them."""
    return spell(tuple(words))


def percent(probability: float) -> str:
    """Whole per cent; never a certainty that a model cannot have."""
    if probability > NEARLY_SURE:
        return say("number.over", percent=f"{100 * NEARLY_SURE:.0f}")
    if probability < 1 - NEARLY_SURE:
        return say("number.under", percent=f"{100 * (1 - NEARLY_SURE):.0f}")
    return say("number.percent", percent=f"{100 * probability:.0f}")
