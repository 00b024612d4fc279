"""Ages of readings and times of day in words."""

from __future__ import annotations

from datetime import UTC, datetime

from ebbmark.words.messages import say

__all__ = ["age", "capital", "clock", "lasting"]

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
    """A moment as a time of day in UTC.

    Args:
        at_s: seconds since 1970-01-01T00:00:00Z.
    """
    return say("age.utc", time=f"{datetime.fromtimestamp(at_s, UTC):%H:%M}")


def capital(words: str) -> str:
    """The same with a capital, as a sentence begins."""
    return words[0].upper() + words[1:]
