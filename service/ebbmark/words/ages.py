"""Ages of readings and times of day in words."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["age", "capital", "clock"]

_NOW_S = 30.0
_HOURS_S = 5400.0


def age(age_s: float) -> str:
    """How old a reading is, as a phrase; one that is stamped ahead of now says that a clock is off.

    Args:
        age_s: now less the time of the reading [s].
    """
    if age_s < -_NOW_S:
        return f"stamped {max(1, round(-age_s / 60))} min ahead of now: one of the clocks is off"
    if age_s >= _HOURS_S:
        return f"{age_s / 3600:.1f} h old"
    minutes = round(age_s / 60)
    return "less than a minute old" if minutes < 1 else f"{minutes} min old"


def clock(at_s: float) -> str:
    """A moment as a time of day in UTC.

    Args:
        at_s: seconds since 1970-01-01T00:00:00Z.
    """
    return f"{datetime.fromtimestamp(at_s, UTC):%H:%M} UTC"


def capital(words: str) -> str:
    """The same with a capital, as a sentence begins."""
    return words[0].upper() + words[1:]
