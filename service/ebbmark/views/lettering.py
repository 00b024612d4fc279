"""How do lines of words lie in the figure? One below the other, inside the edges; and the title of the PEEP scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ebbmark.views.content import Shown
from ebbmark.views.field import EDGE_IN, Field
from ebbmark.views.ink import Ink, Label, Line, Role
from ebbmark.views.placing import ASCENT, DESCENT, LEADING, POINTS_PER_INCH, kept_inside

__all__ = ["scale_title", "sentence", "stacked"]

_ARROW_IN = 0.42


def sentence(lines: Sequence[str], middle: float, at: float, field: Field[Shown]) -> Iterator[Label]:
    """Lines one below the other, as near to a place as the edges allow.

    Args:
        lines: what is said, already broken; at least one.
        middle: where its middle would best be [in].
        at: lower end of the lines [in].
        field: for the edges and the size of the type.
    """
    size = field.aspect.text_pt
    widest = max(field.measure(line, size) for line in lines)
    x = kept_inside(middle, widest, EDGE_IN, field.aspect.width_in - EDGE_IN)
    yield from stacked(lines, x, at, size)


def stacked(lines: Sequence[str], x: float, at: float, size: float, role: Role = "ink") -> Iterator[Label]:
    """Lines one below the other around a middle.

    Args:
        lines: what is said, already broken.
        x: their middle [in].
        at: lower end of the lines [in].
        size: of the type [pt].
        role: colour.
    """
    for number, line in enumerate(reversed(lines)):
        y = at + (DESCENT + number * LEADING) * size / POINTS_PER_INCH
        yield Label((x, y), line, size, "middle", role)


def scale_title(title: str, at: float, field: Field[Shown]) -> Iterator[Ink]:
    """Title of the scale of PEEP, and in which direction PEEP went along it.

    Args:
        title: of the scale.
        at: lower end of the line [in].
        field: where the scale lies.
    """
    aspect, middle = field.aspect, (field.left + field.right) / 2
    size, said = aspect.text_pt, (title, "PEEP lowered")
    widths = [field.measure(text, size) for text in said]
    gap = 0.22
    x = kept_inside(middle, sum(widths) + gap + 0.06 + _ARROW_IN, EDGE_IN, aspect.width_in - EDGE_IN)
    x -= (sum(widths) + gap + 0.06 + _ARROW_IN) / 2
    y = at + DESCENT * size / POINTS_PER_INCH
    yield Label((x, y), said[0], size)
    yield Label((x + widths[0] + gap, y), said[1], size)
    start, height = x + widths[0] + gap + widths[1] + 0.06, y + ASCENT * size / POINTS_PER_INCH / 2
    yield Line(((start, height), (start + _ARROW_IN, height)), "ink", 0.9, arrow=True)
