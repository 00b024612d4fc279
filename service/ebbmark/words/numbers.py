"""Pressures, probabilities, ages, times of day and lists as sentences spell them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from ebbmark.words.messages import say, spell

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


_NOW_S = 30.0
_HOURS_S = 5400.0
_LONG_S = 7200.0


def age(age_s: float) -> str:
    """How old a reading is, as a phrase; one that is stamped ahead of now says that a clock is off.

    Args:
        age_s: now less the time of the reading [s].
    """
    if age_s < -_NOW_S:
        return say("age.stamped-min-ahead", value=max(1, round(-age_s / 60)))
    if age_s >= _HOURS_S:
        return say("age.h-old", age_s=f"{age_s / 3600:.1f}")
    minutes = round(age_s / 60)
    return say("age.less-than-minute") if minutes < 1 else say("age.min-old", minutes=minutes)


def lasting(length_s: float) -> str:
    """A length of time in minutes, from two hours on in hours.

    Args:
        length_s: not negative [s].
    """
    if length_s >= _LONG_S:
        return say("span.hours", count=f"{length_s / 3600:.0f}")
    return say("span.minutes", count=f"{length_s / 60:.0f}")


def clock(at_s: float) -> str:
    """A moment as a time of day in UTC."""
    return say("age.utc", time=f"{datetime.fromtimestamp(at_s, UTC):%H:%M}")


def capital(words: str) -> str:
    """The same with a capital, as a sentence begins."""
    return words[0].upper() + words[1:]
