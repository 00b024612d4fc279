"""What do the marks of the curve mean? Each beside its name, next to the curve or above it."""

from __future__ import annotations

from collections.abc import Iterator

from ebbmark.views.content import Shown
from ebbmark.views.field import Field
from ebbmark.views.ink import Area, Ink, Label, Line, Marks
from ebbmark.views.placing import ASCENT, LEADING, POINTS_PER_INCH

__all__ = ["CURVE_PT", "KEY_ROWS", "MEDIAN_PT", "READING_PT", "key_above", "key_beside"]

READING_PT, MEDIAN_PT, CURVE_PT = 4.2, 1.9, 1.1
"""Size of a reading's ring; widths of the median's bar and of the curve."""

KEY_ROWS = 2
"""Rows of the key where it stands above."""

_NAMES = ("single reading", "median of the step", "expected true curve", "its 90 % band")
_SWATCH_IN = 0.26


def key_beside(field: Field[Shown], middle: float) -> Iterator[Ink]:
    """One name below the other, right of the panel.

    Args:
        field: where the panels lie.
        middle: height that the key would best be at [in].
    """
    row = 1.35 * field.aspect.small_pt / POINTS_PER_INCH
    names = _names(field)
    tall = row * len(names)
    lowest = min(max(middle - tall / 2, field.curve_at), field.curve_top - tall)
    for number, name in enumerate(names):
        yield from _entry(name, field.right + 0.14, lowest + row * (len(names) - number - 0.5), field)


def key_above(field: Field[Shown], at: float) -> Iterator[Ink]:
    """Two names in each row.

    Args:
        field: where the panels lie.
        at: lower end of the rows [in].
    """
    row = LEADING * field.aspect.small_pt / POINTS_PER_INCH
    for number, name in enumerate(_names(field)):
        x = (0.18, field.aspect.width_in / 2)[number % 2]
        yield from _entry(name, x, at + row * (1.5 - number // 2), field)


def _names(field: Field[Shown]) -> tuple[str, ...]:
    return _NAMES if any(step.expected_ml_per_cmh2o for step in field.figure.steps) else _NAMES[:2]


def _entry(name: str, x: float, middle: float, field: Field[Shown]) -> Iterator[Ink]:
    size, end = field.aspect.small_pt, x + _SWATCH_IN
    if name == _NAMES[0]:
        yield Marks(((x + _SWATCH_IN / 2, middle),), "ring", "ink", READING_PT)
    elif name == _NAMES[3]:
        outline = ((x, middle - 0.045), (x, middle + 0.045), (end, middle + 0.045), (end, middle - 0.045))
        yield Area(outline, "band", "hairline")
    else:
        yield Line(((x, middle), (end, middle)), "ink", MEDIAN_PT if name == _NAMES[1] else CURVE_PT)
    yield Label((end + 0.07, middle - ASCENT * size / POINTS_PER_INCH / 2), name, size, role="muted")
