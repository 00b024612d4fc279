"""Of what is a drawing made? Lines, areas, marks and labels, each with a role in place of a colour; lengths in inches.

Inches from the lower left corner. A drawing of these is pure data: where labels lie can be checked without drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Anchor", "Area", "Drawing", "Ink", "Label", "Line", "MarkShape", "Marks", "Point", "Role"]

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
        text: what it says.
        size_pt: size of the type.
        anchor: what of the text lies at `at`.
        role: colour.
        upwards: whether it reads from below to above.
    """

    at: Point
    text: str
    size_pt: float
    anchor: Anchor = "start"
    role: Role = "ink"
    upwards: bool = False


Ink = Line | Area | Marks | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished layout: size [in], and what lies on it from below to above."""

    width_in: float
    height_in: float
    inks: tuple[Ink, ...]
