"""A drawing as pure data, and where its labels may lie.

A drawing is lines, areas, marks and labels, each with a role in place of a colour. Lengths are inches from the lower
left corner, so that whether labels collide can be checked without drawing anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
Role = Literal["paper", "ink", "muted", "hairline", "band", "closing", "suggestion"]
Anchor = Literal["start", "middle", "end"]
MarkShape = Literal["ring", "cross", "diamond", "triangle", "open-triangle"]


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points [in]; `arrow` puts a head at its last point."""

    points: tuple[Point, ...]
    role: Role
    width_pt: float
    dashed: bool = False
    arrow: bool = False


@dataclass(frozen=True, slots=True)
class Area:
    """A filled outline [in]."""

    points: tuple[Point, ...]
    fill: Role
    edge: Role | None = None


@dataclass(frozen=True, slots=True)
class Marks:
    """The same mark at several points [in]."""

    points: tuple[Point, ...]
    shape: MarkShape
    role: Role
    size_pt: float


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text.

    Attributes:
        at: where its baseline starts, has its middle, or ends [in].
        anchor: what of the text lies at `at`.
        upwards: whether it reads from below to above.
        bold: whether it is set in the bold weight.
    """

    at: Point
    text: str
    size_pt: float
    anchor: Anchor = "start"
    role: Role = "ink"
    upwards: bool = False
    bold: bool = False


Ink = Line | Area | Marks | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished layout: size [in], and what lies on it from below to above."""

    width_in: float
    height_in: float
    inks: tuple[Ink, ...]


ASCENT, DESCENT, LEADING = 0.70, 0.23, 1.22
"""Height above and depth below the baseline and distance of lines, as shares of the size of the type."""

POINTS_PER_INCH = 72.0

TIED = "\u00a0"
"""A space at which no line is broken."""


_AT_MOST = {
    220: "'", 300: " ", 320: ",.:;j", 340: "!il·‘’", 360: "t", 380: "()-f|", 400: "I₂", 420: '"°', 440: "[]",
    460: "r“”", 480: "s", 500: "*/?\\`z{}", 520: "Jc", 540: "e", 560: "ag", 580: "12345679Sovx", 600: "8ky",
    620: "$0FLZbdqµ", 640: "PTpu", 660: "+<=>E^_hn±×÷–≥≤≈−", 680: "BC", 720: "R", 740: "AGKVXY", 760: "#DOQU",
    780: "&N", 820: "H", 840: "w~", 940: "%@M", 960: "m", 1000: "—…→", 1020: "W",
}  # fmt: skip
"""Advance widths [thousandths of the size of the type]: of each character the widest among the typefaces that a page
may be set in and that of the report, rounded up to 20. Taken from Charis SIL (which is Charter), Source Serif 4,
Gelasio (of the widths of Georgia), Tinos (of those of Times) and Libertinus Serif, all published under the SIL Open
Font License."""

_ADVANCE = {character: thousandths / 1000 for thousandths, group in _AT_MOST.items() for character in group}
_WIDEST = max(_ADVANCE.values())


def text_width_in(text: str, size_pt: float) -> float:
    """How wide a line of type is at most [in]; pairs that move together are not looked at.

    Args:
        size_pt: size of the type [pt].
    """
    return sum(_ADVANCE.get(character, _WIDEST) for character in text) * size_pt / POINTS_PER_INCH


def broken(text: str, size_pt: float, width_in: float) -> tuple[str, ...]:
    """Break a text into as few lines as a width allows, all about equally long; a longer word stands alone.

    Args:
        text: words separated by spaces; `TIED` holds two words together.
        width_in: width to keep [in].
    """
    lines = _filled(text, size_pt, width_in)
    for share in range(19, 9, -1):
        narrower = _filled(text, size_pt, width_in * share / 20)
        if len(narrower) > len(lines):
            break
        lines = narrower
    return tuple(line.replace(TIED, " ") for line in lines)


def _filled(text: str, size_pt: float, width_in: float) -> list[str]:
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_in(longer.replace(TIED, " "), size_pt) <= width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def kept_inside(middle: float, width: float, low: float, high: float) -> float:
    """The middle of something as near as can be to where it should be, none of it outside.

    Args:
        middle: where its middle should be.
        low: end it may not pass.
        high: other end it may not pass.
    """
    return max(low + width / 2, min(middle, high - width / 2))


def kept(intervals: Sequence[tuple[float, float]], gap: float) -> tuple[int, ...]:
    """Which of these intervals can stand together; an earlier one goes before a later one.

    Args:
        intervals: (low, high), the most important first.

    Returns:
        Their positions in the order given.
    """
    standing: list[int] = []
    for number, (low, high) in enumerate(intervals):
        if all(high + gap <= intervals[other][0] or intervals[other][1] + gap <= low for other in standing):
            standing.append(number)
    return tuple(standing)


def box_of(label: Label) -> tuple[float, float, float, float]:
    """What a label covers, as (left, bottom, right, top) [in]."""
    width = text_width_in(label.text, label.size_pt) * (_BOLDER if label.bold else 1.0)
    start = -width * _BEFORE[label.anchor]
    above, below = ASCENT * label.size_pt / POINTS_PER_INCH, DESCENT * label.size_pt / POINTS_PER_INCH
    x, y = label.at
    if label.upwards:
        return (x - above, y + start, x + below, y + start + width)
    return (x + start, y - below, x + start + width, y + above)


_BOLDER = 1.2
"""How much wider the bold weight is taken to be; this project's allowance."""

_BEFORE: dict[Anchor, float] = {"start": 0.0, "middle": 0.5, "end": 1.0}
