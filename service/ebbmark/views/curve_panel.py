"""How does compliance against PEEP look? Readings, their median at each step, and the expected curve in its band."""

from __future__ import annotations

from collections.abc import Iterator

from ebbmark.views.content import Shown
from ebbmark.views.field import EDGE_IN, HAIR_PT, TICK_IN, Field
from ebbmark.views.ink import Area, Ink, Label, Line, Marks, Point
from ebbmark.views.key import CURVE_PT, MEDIAN_PT, READING_PT, key_beside
from ebbmark.views.placing import ASCENT, POINTS_PER_INCH
from ebbmark.views.scale import Scale, scale_of
from ebbmark.views.words import compliance_title

__all__ = ["curve_panel", "title_of_scale"]


def curve_panel(field: Field[Shown]) -> Iterator[Ink]:
    """The upper panel, from below to above.

    Args:
        field: where it lies.
    """
    scale = scale_of(field.figure)
    yield from _expected(field, scale)
    yield from _axes(field, scale)
    yield from _readings(field, scale)
    if field.aspect.beside_in:
        yield from key_beside(field, _y(field, scale, field.figure.steps[-1].centre_ml_per_cmh2o))


def title_of_scale(text: str, middle: float, field: Field[Shown]) -> Label:
    """A title that reads upwards along the left edge.

    Args:
        text: what it says.
        middle: height of its middle [in].
        field: for the size of the type.
    """
    size = field.aspect.small_pt
    return Label((EDGE_IN + ASCENT * size / POINTS_PER_INCH, middle), text, size, "middle", upwards=True)


def _y(field: Field[Shown], scale: Scale, compliance: float) -> float:
    return field.curve_at + field.aspect.curve_in * scale.share(compliance)


def _expected(field: Field[Shown], scale: Scale) -> Iterator[Ink]:
    steps = [
        (field.x(step.peep_cmh2o), *(_y(field, scale, value) for value in step.expected_ml_per_cmh2o))
        for step in field.figure.steps
        if step.expected_ml_per_cmh2o is not None
    ]
    if not steps:
        return
    lower, upper = tuple((x, low) for x, _, low, _ in steps), tuple((x, high) for x, _, _, high in steps)
    yield Area(upper + lower[::-1], "band")
    yield Line(upper, "hairline", HAIR_PT)
    yield Line(lower, "hairline", HAIR_PT)
    yield Line(tuple((x, value) for x, value, _, _ in steps), "ink", CURVE_PT)


def _axes(field: Field[Shown], scale: Scale) -> Iterator[Ink]:
    left, right, at = field.left, field.right, field.curve_at
    yield Line(((left, field.curve_top), (left, at), (right, at)), "hairline", HAIR_PT)
    for peep in field.figure.levels_cmh2o:
        x = field.x(peep)
        yield Line(((x, at), (x, at - TICK_IN)), "hairline", HAIR_PT)
    size = field.aspect.small_pt
    for value in scale.ticks():
        y = _y(field, scale, value)
        yield Line(((left, y), (left - TICK_IN, y)), "hairline", HAIR_PT)
        yield Label((left - 0.08, y - ASCENT * size / POINTS_PER_INCH / 2), f"{value:g}", size, "end")
    yield title_of_scale(compliance_title(field.figure), (at + field.curve_top) / 2, field)


def _readings(field: Field[Shown], scale: Scale) -> Iterator[Ink]:
    inside: list[Point] = []
    outside: list[Point] = []
    # The last PEEP may have no reading yet.
    for step, room in zip(field.figure.steps, field.rooms, strict=False):
        half = min(0.26 * room, 0.11)
        x, values = field.x(step.peep_cmh2o), step.readings_ml_per_cmh2o
        for number, value in enumerate(values):
            # Side by side in order of time, so that equal readings do not hide one another.
            aside = 0.0 if len(values) == 1 else half * (2 * number / (len(values) - 1) - 1)
            here = inside if scale.low <= value <= scale.high else outside
            here.append((x + aside, _y(field, scale, value)))
        y = _y(field, scale, step.centre_ml_per_cmh2o)
        yield Line(((x - 1.5 * half, y), (x + 1.5 * half, y)), "ink", MEDIAN_PT)
    yield Marks(tuple(inside), "ring", "ink", READING_PT)
    yield Marks(tuple(outside), "cross", "ink", READING_PT)
