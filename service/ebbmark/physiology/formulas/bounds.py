"""Bounds: the refusals of numbers that cannot exist, shared by every formula.

What a person typed or a device sent is judged earlier, where it is read, and answered in words. What arrives here
wrong is a mistake in our own code, so it is raised and not explained to a patient's chart.
"""

from __future__ import annotations

from math import isfinite


def require_positive(**values: float) -> None:
    """Refuse what must be a finite number above zero.

    Args:
        values: by argument name, which carries the unit [as named].

    Raises:
        ValueError: a value is not finite or not above zero.
    """
    for name, value in values.items():
        if not (isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be a finite number above zero, got {value}")


def require_at_least_zero(**values: float) -> None:
    """Refuse what must be a finite number, zero or above.

    Args:
        values: by argument name, which carries the unit [as named].

    Raises:
        ValueError: a value is not finite or below zero.
    """
    for name, value in values.items():
        if not (isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be a finite number, zero or above, got {value}")
