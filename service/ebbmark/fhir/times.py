"""FHIR dateTime, instant and Period as seconds since 1970-01-01T00:00:00Z, and instants as text, always in UTC.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/datatypes.html#dateTime: a time must carry a zone, a date alone has none.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from enum import Enum

EARLIEST_YEAR, LATEST_YEAR = 1900, 9998
"""A time of another year is a slip: nobody was ventilated then, and in the years 1 and 9999 the calendar ends."""


class TimeFault(Enum):
    """Why a text does not say when."""

    DATE_ONLY = "date-only"
    NO_ZONE = "no-zone"
    INVALID = "invalid-time"


def seconds(text: str) -> float | TimeFault:
    """A FHIR dateTime or instant [s since 1970-01-01T00:00:00Z], any zone offset, fractions of a second kept.

    A year before 1900 or after 9998 is as invalid as a thirteenth month.
    """
    if text[10:11] != "T":
        return TimeFault.DATE_ONLY if _is_partial_date(text) else TimeFault.INVALID
    if text[4:5] != "-" or text[13:14] != ":":
        return TimeFault.INVALID
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return TimeFault.INVALID
    if moment.tzinfo is None:
        return TimeFault.NO_ZONE
    if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
        return TimeFault.INVALID
    return moment.timestamp()


def latest_second(text: str) -> float | None:
    """The latest instant that a full or partial FHIR dateTime allows, wherever its zone; None where it is none.

    Args:
        text: such as `2026-03-01T10:00:00+01:00`, `2026-03-01` or `2026`.
    """
    at_s = seconds(text)
    if isinstance(at_s, float):
        return at_s
    ends = {4: "-12-31", 7: "-28", 10: ""}
    try:
        day = date.fromisoformat(f"{text[:10]}{ends[min(len(text), 10)]}")
    except (KeyError, ValueError):
        return None
    days = 4 if len(text) == 7 else 1  # a month ends at most three days after its 28th
    # Noon of the next day: no zone is more than 12 hours behind UTC.
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp() + days * 86400.0


def is_after(text: str, at_s: float) -> bool:
    """Whether a full or partial FHIR dateTime lies after an instant in every zone; False where it is no date.

    Args:
        text: such as `2026-03-01T10:00:00+01:00`, `2026-03-01` or `2026`.
    """
    exact = seconds(text)
    if isinstance(exact, float):
        return exact > at_s
    # No zone is more than 14 hours ahead of UTC.
    latest = datetime.fromtimestamp(at_s + 14 * 3600.0, UTC).date().isoformat()
    return _is_partial_date(text) and text > latest[: len(text)]


def age_range_years(birth: str, today: date) -> tuple[int, int] | None:
    """Youngest and oldest completed age that a full or partial birth date allows; None where it is no date.

    Args:
        birth: `1960-05-17`, `1960-05` or `1960`.
    """
    if not _is_partial_date(birth):
        return None
    try:
        earliest = date.fromisoformat(f"{birth}-01-01"[:10] if len(birth) == 4 else f"{birth}-01"[:10])
        latest = date.fromisoformat(f"{birth}-12-31"[:10] if len(birth) == 4 else f"{birth}-28"[:10])
    except ValueError:
        return None
    return _age(latest, today), _age(earliest, today)


def _age(born: date, today: date) -> int:
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))


def _is_partial_date(text: str) -> bool:
    parts = text.split("-")
    return (
        len(parts) <= 3
        and [len(part) for part in parts] == [4, 2, 2][: len(parts)]
        and all(part.isascii() and part.isdigit() for part in parts)
    )


def instant(seconds: float) -> str:
    """FHIR instant and dateTime, whole seconds where it is one, else milliseconds.

    Args:
        seconds: since 1970-01-01T00:00:00Z.
    """
    milliseconds = round(seconds * 1000)
    whole, rest = divmod(milliseconds, 1000)
    text = datetime.fromtimestamp(whole, UTC).isoformat()[:19]
    return f"{text}.{rest:03d}Z" if rest else text + "Z"
