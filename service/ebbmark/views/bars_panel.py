"""How likely is closing at each step, and at none of them? Bars under the steps; what lies outside the limb apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ebbmark.physiology.wording import level, percent
from ebbmark.views.content import Figure, Shown
from ebbmark.views.curve_panel import title_of_scale
from ebbmark.views.field import EDGE_IN, HAIR_PT, TICK_IN, Field
from ebbmark.views.ink import Area, Ink, Label, Line
from ebbmark.views.placing import ASCENT, LEADING, POINTS_PER_INCH, box_of, kept

__all__ = ["bars_panel", "levels_below", "scale_of_bars", "step_bars"]

LEAST_SHOWN = 0.01
"""Of less there is neither a bar to be seen nor a number; the table has them all."""

TITLE = "closing here (%)"

_BETWEEN_IN = 0.06
"""Least distance between two labels."""


def bars_panel(field: Field[Figure]) -> Iterator[Ink]:
    """The lower panel with the labels of the shared scale.

    Args:
        field: where it lies.
    """
    closing, levels = field.figure.closing.peep_cmh2o, field.figure.levels_cmh2o
    shown = [(step.peep_cmh2o, step.probability or 0.0) for step in field.figure.steps]
    shown = [(peep, probability) for peep, probability in shown if probability >= LEAST_SHOWN]
    ranked = sorted(shown, key=lambda pair: (pair[0] != closing, -pair[1]))
    yield from step_bars(shown, [peep for peep, _ in ranked], field, marked=closing)
    yield from scale_of_bars(TITLE, field)
    yield from levels_below((closing, levels[0], levels[-1]), field)
    if field.aspect.beside_in and field.figure.estimated:
        yield from _outside(field)


def step_bars(
    shown: Sequence[tuple[float, float]], ranked: Sequence[float], field: Field[Shown], *, marked: float | None = None
) -> Iterator[Ink]:
    """A bar for each step that has one to be seen, and its number where there is room.

    Args:
        shown: PEEP and probability, in the order in which the bars are drawn.
        ranked: the same PEEPs in the order in which their numbers are placed; what comes later may find no room.
        field: where the bars lie.
        marked: PEEP of the bar that is marked as the closing pressure; None for none.
    """
    half = min(max(0.31 * min(field.rooms), 0.012), 0.16)
    seen = [(peep, probability) for peep, probability in shown if probability >= LEAST_SHOWN]
    for peep, probability in seen:
        yield _bar(field.x(peep), half, probability, field, is_closing=peep == marked)
    probabilities = dict(shown)
    labels = [_percent_above(field.x(peep), probabilities[peep], field) for peep in ranked]
    columns = [(field.x(peep), half, field.bars_at + field.aspect.bars_in * probability) for peep, probability in seen]
    yield from _together([label for label in labels if not _behind_a_bar(label, columns, field)], field)


def _behind_a_bar(label: Label, columns: Sequence[tuple[float, float, float]], field: Field[Shown]) -> bool:
    left, bottom, right, _ = box_of(label, field.measure)
    return any(left < x + half and x - half < right and bottom < top for x, half, top in columns)


def _together(labels: Sequence[Label], field: Field[Shown]) -> Iterator[Label]:
    """Those of the labels in one row that have room, the first before the others."""
    sides = []
    for label in labels:
        left, _, right, _ = box_of(label, field.measure)
        sides.append((left, right))
    yield from (labels[number] for number in kept(sides, _BETWEEN_IN))


def _bar(x: float, half: float, probability: float, field: Field[Shown], *, is_closing: bool = False) -> Ink:
    at, top = field.bars_at, field.bars_at + field.aspect.bars_in * min(probability, 1.0)
    outline = ((x - half, at), (x - half, top), (x + half, top), (x + half, at))
    return Area(outline, "closing", "closing") if is_closing else Area(outline, "band", "hairline")


def _percent_above(x: float, probability: float, field: Field[Shown]) -> Label:
    top = field.bars_at + field.aspect.bars_in * min(probability, 1.0)
    return Label((x, top + 0.06), percent(probability), field.aspect.small_pt, "middle")


def scale_of_bars(title: str, field: Field[Shown]) -> Iterator[Ink]:
    """The scale of the bars, 0 to 100 %.

    Args:
        title: what they are.
        field: where they lie.
    """
    left, at, size = field.left, field.bars_at, field.aspect.small_pt
    yield Line(((left, field.bars_top), (left, at), (field.right, at)), "hairline", HAIR_PT)
    for share in (0.0, 0.5, 1.0):
        y = at + share * field.aspect.bars_in
        yield Line(((left, y), (left - TICK_IN, y)), "hairline", HAIR_PT)
        yield Label((left - 0.08, y - ASCENT * size / POINTS_PER_INCH / 2), f"{100 * share:g}", size, "end")
    yield title_of_scale(title, (at + field.bars_top) / 2, field)


def levels_below(first: Sequence[float | None], field: Field[Shown]) -> Iterator[Ink]:
    """A tick at every PEEP on the scale, and a number at each that has room.

    Args:
        first: PEEPs whose numbers are placed before the others.
        field: where they lie.
    """
    size, at = field.aspect.small_pt, field.bars_at
    peeps = field.figure.levels_cmh2o
    for peep in peeps:
        x = field.x(peep)
        yield Line(((x, at), (x, at - TICK_IN)), "hairline", HAIR_PT)
    ranked = sorted(peeps, key=lambda peep: first.index(peep) if peep in first else len(first))
    y = at - 0.08 - ASCENT * size / POINTS_PER_INCH
    yield from _together([Label((field.x(peep), y), level(peep), size, "middle") for peep in ranked], field)


def _outside(field: Field[Figure]) -> Iterator[Ink]:
    """Two bars right of the steps for closing at none of them, on the same scale."""
    closing, size = field.figure.closing, field.aspect.small_pt
    start, end = field.right + 0.14, field.aspect.width_in - EDGE_IN
    room = (end - start) / 2
    yield Line(((start, field.bars_at), (end, field.bars_at)), "hairline", HAIR_PT)
    for number, (probability, lines) in enumerate(
        (
            (closing.not_reached, ("not", "reached")),
            (closing.falling_from_first_step, ("falling from", "the first step")),
        )
    ):
        x = start + room * (number + 0.5)
        if probability >= LEAST_SHOWN:
            yield _bar(x, 0.16, probability, field)
        yield _percent_above(x, probability, field)
        for row, line in enumerate(lines):
            y = field.bars_at - 0.08 - (ASCENT + row * LEADING) * size / POINTS_PER_INCH
            yield Label((x, y), line, size, "middle", role="muted")
