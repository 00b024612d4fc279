"""How are labels kept from colliding? Breaking lines, staying inside, and leaving out what does not fit."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ebbmark.views.ink import Anchor, Label

__all__ = [
    "ASCENT",
    "DESCENT",
    "LEADING",
    "POINTS_PER_INCH",
    "TIED",
    "Measure",
    "box_of",
    "broken",
    "kept",
    "kept_inside",
]

Measure = Callable[[str, float], float]
"""Width of one line of text [in] at a size [pt]."""

ASCENT, DESCENT, LEADING = 0.70, 0.23, 1.22
"""Height above and depth below the baseline and distance of lines, as shares of the size of the type."""

POINTS_PER_INCH = 72.0

TIED = "\u00a0"
"""A space at which no line is broken."""


def broken(text: str, size_pt: float, width_in: float, measure: Measure) -> tuple[str, ...]:
    """Break a text into as few lines as a width allows, all about equally long; a longer word stands alone.

    Args:
        text: words separated by spaces; `TIED` holds two words together.
        size_pt: size of the type.
        width_in: width to keep [in].
        measure: how wide a line is.
    """
    lines = _filled(text, size_pt, width_in, measure)
    for share in range(19, 9, -1):
        narrower = _filled(text, size_pt, width_in * share / 20, measure)
        if len(narrower) > len(lines):
            break
        lines = narrower
    return tuple(line.replace(TIED, " ") for line in lines)


def _filled(text: str, size_pt: float, width_in: float, measure: Measure) -> list[str]:
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and measure(longer.replace(TIED, " "), size_pt) <= width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def kept_inside(middle: float, width: float, low: float, high: float) -> float:
    """The middle of something as near as can be to where it should be, none of it outside.

    Args:
        middle: where its middle should be.
        width: how wide it is.
        low: end it may not pass.
        high: other end it may not pass.
    """
    return max(low + width / 2, min(middle, high - width / 2))


def kept(intervals: Sequence[tuple[float, float]], gap: float) -> tuple[int, ...]:
    """Which of these intervals can stand together; an earlier one goes before a later one.

    Args:
        intervals: (low, high), the most important first.
        gap: least distance between two.

    Returns:
        Their positions in the order given.
    """
    standing: list[int] = []
    for number, (low, high) in enumerate(intervals):
        if all(high + gap <= intervals[other][0] or intervals[other][1] + gap <= low for other in standing):
            standing.append(number)
    return tuple(standing)


def box_of(label: Label, measure: Measure) -> tuple[float, float, float, float]:
    """What a label covers, as (left, bottom, right, top) [in].

    Args:
        label: the label.
        measure: how wide a line is.
    """
    width = measure(label.text, label.size_pt)
    start = -width * _BEFORE[label.anchor]
    above, below = ASCENT * label.size_pt / POINTS_PER_INCH, DESCENT * label.size_pt / POINTS_PER_INCH
    x, y = label.at
    if label.upwards:
        return (x - above, y + start, x + below, y + start + width)
    return (x + start, y - below, x + start + width, y + above)


_BEFORE: dict[Anchor, float] = {"start": 0.0, "middle": 0.5, "end": 1.0}
