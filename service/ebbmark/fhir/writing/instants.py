"""FHIR instants as text: always in UTC, always with its zone."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["instant"]


def instant(seconds: float) -> str:
    """FHIR instant and dateTime, whole seconds where it is one, else milliseconds.

    Args:
        seconds: since 1970-01-01T00:00:00Z.
    """
    milliseconds = round(seconds * 1000)
    whole, rest = divmod(milliseconds, 1000)
    text = datetime.fromtimestamp(whole, UTC).isoformat()[:19]
    return f"{text}.{rest:03d}Z" if rest else text + "Z"
