"""The two panels of a figure, which share one scale of PEEP: compliance above, probability of closing below.

High PEEP stands on the left and low PEEP on the right, in the direction in which PEEP was lowered.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Generic, TypeVar

from ebbmark.views.drawing import (
    ASCENT,
    HAIR_PT,
    LEADING,
    POINTS_PER_INCH,
    Area,
    Ink,
    Label,
    Line,
    Marks,
    Point,
    box_of,
    kept,
)
from ebbmark.views.figure import Figure, Scale, Shown, scale_of
from ebbmark.words.messages import level, percent, say

EDGE_IN = 0.1
"""Left free around everything."""

TICK_IN = 0.05

F_co = TypeVar("F_co", bound=Shown, covariant=True)

_PAD_IN = 0.26
"""Between an end of the scale and the step next to it."""


@dataclass(frozen=True, slots=True)
class Aspect:
    """One shape of the figure; its height follows from what has to be said.

    Attributes:
        axis_in: from the left edge to the scale of the panels.
        beside_in: column right of the panels for labels; 0 where they stand above and below instead.
        curve_in, bars_in: heights of the two panels.
        text_pt, small_pt: sizes of type.
        alone: whether the picture may travel alone, and so says itself which answer it belongs to.
    """

    width_in: float
    axis_in: float
    beside_in: float
    curve_in: float
    bars_in: float
    text_pt: float
    small_pt: float
    alone: bool = True


WIDE = Aspect(width_in=7.2, axis_in=0.66, beside_in=1.8, curve_in=2.4, bars_in=0.95, text_pt=10.5, small_pt=9.5)
"""For a page or a screen: at 691 CSS pixels its type is that of the text around it."""

NARROW = Aspect(width_in=3.75, axis_in=0.64, beside_in=0.0, curve_in=2.3, bars_in=0.9, text_pt=10.5, small_pt=9.5)
"""For a phone of 360 CSS pixels."""


@dataclass(frozen=True, slots=True)
class Field(Generic[F_co]):
    """The place of the two panels [in] in one aspect; `bars_at` and `curve_at` are their lower ends."""

    figure: F_co
    aspect: Aspect
    bars_at: float
    curve_at: float

    @property
    def left(self) -> float:
        """Left end of the shared scale."""
        return self.aspect.axis_in

    @property
    def right(self) -> float:
        """Right end of the shared scale."""
        return self.aspect.width_in - max(self.aspect.beside_in, EDGE_IN)

    @property
    def curve_top(self) -> float:
        """Upper end of the upper panel."""
        return self.curve_at + self.aspect.curve_in

    @property
    def bars_top(self) -> float:
        """Upper end of the lower panel: a probability of 1."""
        return self.bars_at + self.aspect.bars_in

    @property
    def rooms(self) -> tuple[float, ...]:
        """Distance of each PEEP on the scale to its nearest neighbour."""
        places = list(map(self.x, self.figure.levels_cmh2o))
        gaps = [self.right - self.left, *(after - before for before, after in pairwise(places)), self.right - self.left]
        return tuple(min(before, after) for before, after in pairwise(gaps))

    def x(self, peep_cmh2o: float) -> float:
        """Place of a PEEP."""
        high, low = self.figure.levels_cmh2o[0], self.figure.levels_cmh2o[-1]
        room = self.right - self.left - 2 * _PAD_IN
        return self.left + _PAD_IN + room * (high - peep_cmh2o) / ((high - low) or 1.0)


READING_PT, MEDIAN_PT, CURVE_PT = 4.2, 1.9, 1.1
"""Size of a reading's ring; widths of the median's bar and of the curve."""

KEY_ROWS = 2
"""Rows of the key where it stands above."""

_NAMES = ("figure.key-reading", "figure.key-median", "figure.key-curve", "figure.key-band")
_SWATCH_IN = 0.26


def _key_beside(field: Field[Shown], middle: float) -> Iterator[Ink]:
    """One name below the other, right of the panel."""
    row = 1.35 * field.aspect.small_pt / POINTS_PER_INCH
    names = _names(field)
    tall = row * len(names)
    lowest = min(max(middle - tall / 2, field.curve_at), field.curve_top - tall)
    for number, name in enumerate(names):
        yield from _entry(name, field.right + 0.14, lowest + row * (len(names) - number - 0.5), field)


def key_above(field: Field[Shown], at: float) -> Iterator[Ink]:
    """Two names in each row."""
    row = LEADING * field.aspect.small_pt / POINTS_PER_INCH
    for number, name in enumerate(_names(field)):
        x = (0.18, field.aspect.width_in / 2)[number % 2]
        yield from _entry(name, x, at + row * (1.5 - number // 2), field)


def _names(field: Field[Shown]) -> tuple[str, ...]:
    names = tuple(map(say, _NAMES))
    return names if any(step.expected_ml_per_cmh2o for step in field.figure.steps) else names[:2]


def _entry(name: str, x: float, middle: float, field: Field[Shown]) -> Iterator[Ink]:
    size, end = field.aspect.small_pt, x + _SWATCH_IN
    if name == say(_NAMES[0]):
        yield Marks(((x + _SWATCH_IN / 2, middle),), "ring", "ink", READING_PT)
    elif name == say(_NAMES[3]):
        outline = ((x, middle - 0.045), (x, middle + 0.045), (end, middle + 0.045), (end, middle - 0.045))
        yield Area(outline, "band", "hairline")
    else:
        yield Line(((x, middle), (end, middle)), "ink", MEDIAN_PT if name == say(_NAMES[1]) else CURVE_PT)
    yield Label((end + 0.07, middle - ASCENT * size / POINTS_PER_INCH / 2), name, size, role="muted")


def curve_panel(field: Field[Shown]) -> Iterator[Ink]:
    """The upper panel, from below to above."""
    scale = scale_of(field.figure)
    yield from _expected(field, scale)
    yield from _axes(field, scale)
    yield from _readings(field, scale)
    if field.aspect.beside_in:
        yield from _key_beside(field, _y(field, scale, field.figure.steps[-1].centre_ml_per_cmh2o))


LOW_IN = 1.5
"""A panel below this height [in] has no room for the title of its scale in full."""


def _title_of_scale(text: str, middle: float, field: Field[Shown]) -> Label:
    """A title that reads upwards along the left edge, around a middle [in]."""
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
    title = compliance_title(field.figure, short=field.aspect.curve_in < LOW_IN)
    yield _title_of_scale(title, (at + field.curve_top) / 2, field)


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


LEAST_SHOWN = 0.01
"""Of less there is neither a bar to be seen nor a number; the table has them all."""

BETWEEN_IN = 0.06
"""Least distance between two labels."""


def bars_panel(field: Field[Figure]) -> Iterator[Ink]:
    """The lower panel with the labels of the shared scale."""
    closing, levels = field.figure.closing.peep_cmh2o, field.figure.levels_cmh2o
    shown = [(step.peep_cmh2o, step.probability or 0.0) for step in field.figure.steps]
    shown = [(peep, probability) for peep, probability in shown if probability >= LEAST_SHOWN]
    ranked = sorted(shown, key=lambda pair: (pair[0] != closing, -pair[1]))
    yield from step_bars(shown, [peep for peep, _ in ranked], field, marked=closing)
    yield from scale_of_bars(say("figure.closing-here-title"), field)
    yield from levels_below((closing, levels[0], levels[-1]), field)
    if field.aspect.beside_in and field.figure.estimated:
        yield from _outside(field)


def step_bars(
    shown: Sequence[tuple[float, float]], ranked: Sequence[float], field: Field[Shown], *, marked: float | None = None
) -> Iterator[Ink]:
    """A bar for each step that has one to be seen, and its number where there is room, in the order of `ranked`."""
    half = min(max(0.31 * min(field.rooms), 0.012), 0.16)
    seen = [(peep, probability) for peep, probability in shown if probability >= LEAST_SHOWN]
    for peep, probability in seen:
        yield _bar(field.x(peep), half, probability, field, is_closing=peep == marked)
    probabilities = dict(shown)
    labels = [_percent_above(field.x(peep), probabilities[peep], field) for peep in ranked]
    columns = [(field.x(peep), half, field.bars_at + field.aspect.bars_in * probability) for peep, probability in seen]
    yield from _together([label for label in labels if not _behind_a_bar(label, columns, field)], field)


def _behind_a_bar(label: Label, columns: Sequence[tuple[float, float, float]], field: Field[Shown]) -> bool:
    left, bottom, right, _ = box_of(label)
    return any(left < x + half and x - half < right and bottom < top for x, half, top in columns)


def _together(labels: Sequence[Label], field: Field[Shown]) -> Iterator[Label]:
    """Those of the labels in one row that have room, the first before the others."""
    sides = []
    for label in labels:
        left, _, right, _ = box_of(label)
        sides.append((left, right))
    yield from (labels[number] for number in kept(sides, BETWEEN_IN))


def _bar(x: float, half: float, probability: float, field: Field[Shown], *, is_closing: bool = False) -> Ink:
    at, top = field.bars_at, field.bars_at + field.aspect.bars_in * min(probability, 1.0)
    outline = ((x - half, at), (x - half, top), (x + half, top), (x + half, at))
    return Area(outline, "closing", "closing") if is_closing else Area(outline, "band", "hairline")


def _percent_above(x: float, probability: float, field: Field[Shown]) -> Label:
    top = field.bars_at + field.aspect.bars_in * min(probability, 1.0)
    return Label((x, top + 0.06), percent(probability), field.aspect.small_pt, "middle")


def scale_of_bars(title: str, field: Field[Shown]) -> Iterator[Ink]:
    """The scale of the bars, 0 to 100 %."""
    left, at, size = field.left, field.bars_at, field.aspect.small_pt
    yield Line(((left, field.bars_top), (left, at), (field.right, at)), "hairline", HAIR_PT)
    for share in (0.0, 0.5, 1.0):
        y = at + share * field.aspect.bars_in
        yield Line(((left, y), (left - TICK_IN, y)), "hairline", HAIR_PT)
        yield Label((left - 0.08, y - ASCENT * size / POINTS_PER_INCH / 2), f"{100 * share:g}", size, "end")
    yield _title_of_scale(title, (at + field.bars_top) / 2, field)


def levels_below(first: Sequence[float | None], field: Field[Shown]) -> Iterator[Ink]:
    """A tick at every PEEP on the scale, and a number at each that has room."""
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
            (closing.falling_from_first_step, (say("figure.falling"), say("figure.first-step"))),
        )
    ):
        x = start + room * (number + 0.5)
        if probability >= LEAST_SHOWN:
            yield _bar(x, 0.16, probability, field)
        yield _percent_above(x, probability, field)
        for row, line in enumerate(lines):
            y = field.bars_at - 0.08 - (ASCENT + row * LEADING) * size / POINTS_PER_INCH
            yield Label((x, y), line, size, "middle", role="muted")


def compliance_title(figure: Shown, *, short: bool = False) -> str:
    """Title of the upper scale; short where that is low."""
    if short:
        return say("figure.compliance-title", ending="Cstat" if figure.static else "Cdyn")
    return say("figure.compliance", ending="static" if figure.static else "dynamic")
