"""The layout of a figure: rows of words around the two panels, of a finished trial and of one in progress.

Each row has its own height, so that a longer sentence makes the figure taller and never meets another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ebbmark.views.drawing import (
    ASCENT,
    DESCENT,
    LEADING,
    POINTS_PER_INCH,
    Drawing,
    Ink,
    Label,
    Line,
    Marks,
    Role,
    box_of,
    broken,
    kept,
    kept_inside,
    text_width_in,
)
from ebbmark.views.figure import Figure, RunningFigure, Shown
from ebbmark.views.figure_words import (
    closing_words,
    notes,
    origin_words,
    peep_title,
    running_notes,
    running_origin,
    suggestion_words,
)
from ebbmark.views.panels import (
    BETWEEN_IN,
    EDGE_IN,
    HAIR_PT,
    KEY_ROWS,
    Aspect,
    Field,
    bars_panel,
    curve_panel,
    key_above,
    levels_below,
    scale_of_bars,
    step_bars,
)
from ebbmark.views.vital_signs import VitalRow
from ebbmark.words.messages import say

_LEFT_IN = 0.28
"""Left free of sentences: the title of a scale that reads upwards may be longer than its panel."""
_MARKS_IN = 0.24
_MARK_PT = 8.0
_RULE_IN = 0.04
"""Below a row of vital signs, for the rule under a value beyond its limit."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """Lower ends of the rows from below to above [in], and what they say."""

    origin: tuple[str, ...]
    noted: tuple[str, ...]
    closing: tuple[str, ...]
    suggestion: tuple[str, ...]
    noted_at: float
    vitals_at: float
    title_at: float
    bars_at: float
    closing_at: float
    interval_at: float
    curve_at: float
    margins_at: float
    suggestion_at: float
    key_at: float
    height: float


def laid_out(figure: Figure, aspect: Aspect) -> Drawing:
    """Place everything."""
    rows = _rows(figure, aspect)
    field = Field(figure, aspect, rows.bars_at, rows.curve_at)
    inks = [
        *_through_the_curve(field, rows),
        *curve_panel(field),
        *bars_panel(field),
        *_suggestion(field, rows),
        *_closing(field, rows),
        *scale_title(peep_title(figure), rows.title_at, field),
        *_vital_signs(field, rows.vitals_at),
        *stacked(rows.origin, aspect.width_in / 2, EDGE_IN, aspect.small_pt, "muted"),
    ]
    if rows.noted:
        inks += sentence(rows.noted, (field.left + field.right) / 2, rows.noted_at, field)
    if not aspect.beside_in:
        inks += key_above(field, rows.key_at)
    return Drawing(aspect.width_in, rows.height, tuple(inks))


def _rows(figure: Figure, aspect: Aspect) -> _Rows:
    width = aspect.width_in - _LEFT_IN - EDGE_IN
    text, small = aspect.text_pt * LEADING / POINTS_PER_INCH, aspect.small_pt * LEADING / POINTS_PER_INCH
    origin = broken(origin_words(figure), aspect.small_pt, width) if aspect.alone else ()
    said = notes(figure, outside_drawn=aspect.beside_in > 0)
    noted = tuple(line for note in said for line in broken(note, aspect.text_pt, width))
    closing = broken(closing_words(figure), aspect.text_pt, width)
    suggestion = broken(suggestion_words(figure), aspect.text_pt, width)
    noted_at = EDGE_IN + small * len(origin) + 0.08
    vitals_at = noted_at + text * len(noted) + (0.06 if noted else 0.0)
    vitals = figure.vital_signs
    title_at = vitals_at + len(vitals) * _vital_row_in(aspect) + (0.08 if vitals else 0.0)
    bars_at = title_at + text + small + 0.14
    closing_at = bars_at + aspect.bars_in + small + 0.12
    interval_at = closing_at + text * len(closing)
    curve_at = interval_at + (0.16 if figure.closing.peep_cmh2o is None else _MARKS_IN)
    margins_at = curve_at + aspect.curve_in
    suggestion_at = margins_at + (0.1 if figure.suggested_peep_cmh2o is None else _MARKS_IN)
    key_at = suggestion_at + text * len(suggestion) + 0.1
    height = (suggestion_at + text * len(suggestion) if aspect.beside_in else key_at + KEY_ROWS * small) + EDGE_IN
    return _Rows(
        origin, noted, closing, suggestion,
        noted_at, vitals_at, title_at, bars_at, closing_at, interval_at, curve_at, margins_at, suggestion_at, key_at,
        height,
    )  # fmt: skip


def _through_the_curve(field: Field[Figure], rows: _Rows) -> Iterator[Ink]:
    """The two pressures as upright lines behind the curve."""
    top = field.curve_top
    closing, suggested = field.figure.closing.peep_cmh2o, field.figure.suggested_peep_cmh2o
    if suggested is not None:
        x = field.x(suggested)
        yield Line(((x, rows.margins_at + 0.04), (x, field.curve_at)), "suggestion", 1.0)
    if closing is not None:
        x = field.x(closing)
        yield Line(((x, rows.interval_at + _MARKS_IN / 2), (x, top)), "closing", 1.0, dashed=True)


def _suggestion(field: Field[Figure], rows: _Rows) -> Iterator[Ink]:
    figure, y = field.figure, rows.margins_at + _MARKS_IN / 2
    suggested = figure.suggested_peep_cmh2o
    at = field.x(suggested) if suggested is not None else (field.left + field.right) / 2
    if suggested is not None:
        places = [field.x(margin.peep_cmh2o) for margin in figure.margins if margin.tested]
        yield Line(((min(places), y), (max(places), y)), "suggestion", HAIR_PT)
        others = tuple((x, y) for x in places if x != at)
        yield Marks(others, "open-triangle", "suggestion", 0.75 * _MARK_PT)
        yield Marks(((at, y),), "triangle", "suggestion", _MARK_PT)
    yield from sentence(rows.suggestion, at, rows.suggestion_at, field)


def _closing(field: Field[Figure], rows: _Rows) -> Iterator[Ink]:
    closing, y = field.figure.closing, rows.interval_at + _MARKS_IN / 2 - 0.02
    at = (field.left + field.right) / 2
    if closing.peep_cmh2o is not None:
        at = field.x(closing.peep_cmh2o)
        low, high = closing.interval_cmh2o or (closing.peep_cmh2o, closing.peep_cmh2o)
        ends = (field.x(high), field.x(low))
        if low != high:
            yield Line(((ends[0], y), (ends[1], y)), "closing", 1.4)
            for end in ends:
                yield Line(((end, y - 0.05), (end, y + 0.05)), "closing", 1.4)
        yield Marks(((at, y),), "diamond", "closing", _MARK_PT)
    yield from sentence(rows.closing, at, rows.closing_at, field)


def _vital_row_in(aspect: Aspect) -> float:
    """Height of a row of vital signs, with its title beside or above it."""
    return (1 if aspect.beside_in else 2) * aspect.small_pt * LEADING / POINTS_PER_INCH + _RULE_IN


def _vital_signs(field: Field[Figure], at: float) -> Iterator[Ink]:
    """What each step saw of the patient, each number below its PEEP; the first row on top."""
    aspect, size = field.aspect, field.aspect.small_pt
    for number, row in enumerate(reversed(field.figure.vital_signs)):
        y = at + number * _vital_row_in(aspect) + _RULE_IN + DESCENT * size / POINTS_PER_INCH
        if aspect.beside_in:
            yield Label((field.right + 0.14, y), row.title, size, role="muted")
        else:
            yield Label((_LEFT_IN, y + LEADING * size / POINTS_PER_INCH), row.title, size, role="muted")
        yield from _vital_numbers(row, y, field)


def _vital_numbers(row: VitalRow, y: float, field: Field[Figure]) -> Iterator[Ink]:
    """The numbers that have room, those beyond the limit before the others, bold over a rule."""
    levels, size = field.figure.levels_cmh2o, field.aspect.small_pt
    # Then the ends of the scale, as its own numbers are placed.
    ranked = sorted(range(len(levels)), key=lambda step: (not row.beyond(step), step not in (0, len(levels) - 1)))
    labels = [
        Label((field.x(levels[step]), y), row.spelled(step) or "–", size, "middle", bold=row.beyond(step))
        for step in ranked
    ]
    boxes = [box_of(label) for label in labels]
    for number in kept([(left, right) for left, _, right, _ in boxes], BETWEEN_IN):
        yield labels[number]
        if labels[number].bold:
            left, bottom, right, _ = boxes[number]
            yield Line(((left, bottom - 0.012), (right, bottom - 0.012)), "ink", 1.0)


TITLE = "figure.closing-passed-title"


def running_laid_out(figure: RunningFigure, aspect: Aspect) -> Drawing:
    """Place everything."""
    width = aspect.width_in - _LEFT_IN - EDGE_IN
    text, small = aspect.text_pt * LEADING / POINTS_PER_INCH, aspect.small_pt * LEADING / POINTS_PER_INCH
    origin = broken(running_origin(figure), aspect.small_pt, width) if aspect.alone else ()
    noted = tuple(line for note in running_notes(figure) for line in broken(note, aspect.text_pt, width))
    # On a page the heading beside the figure says it.
    said = broken(figure.said, aspect.text_pt, width) if aspect.alone else ()
    noted_at = EDGE_IN + small * len(origin) + 0.08
    title_at = noted_at + text * len(noted) + (0.06 if noted else 0.0)
    bars_at = title_at + text + small + 0.14
    curve_at = bars_at + aspect.bars_in + small + 0.28
    said_at = curve_at + aspect.curve_in + 0.1
    key_at = said_at + text * len(said) + 0.1
    # Without an expected curve the key has the first of its rows only.
    above = 0.0 if aspect.beside_in else 0.1 + small
    field = Field(figure, aspect, bars_at, curve_at)
    middle = (field.left + field.right) / 2
    inks = [
        *curve_panel(field),
        *_bars(field),
        *scale_title(peep_title(figure), title_at, field),
        *stacked(origin, aspect.width_in / 2, EDGE_IN, aspect.small_pt, "muted"),
    ]
    if said:
        inks += sentence(said, middle, said_at, field)
    if noted:
        inks += sentence(noted, middle, noted_at, field)
    if not aspect.beside_in:
        inks += key_above(field, key_at - (KEY_ROWS - 1) * small)
    return Drawing(aspect.width_in, said_at + text * len(said) + above + EDGE_IN, tuple(inks))


def _bars(field: Field[RunningFigure]) -> Iterator[Ink]:
    shown = [(step.peep_cmh2o, step.probability) for step in field.figure.steps if step.probability is not None]
    # The newest is what people look for; then from there upwards.
    yield from step_bars(shown, [peep for peep, _ in reversed(shown)], field)
    yield from scale_of_bars(say(TITLE), field)
    levels = field.figure.levels_cmh2o
    yield from levels_below((levels[-1], levels[0]), field)


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
    widest = max(text_width_in(line, size) for line in lines)
    x = kept_inside(middle, widest, _LEFT_IN, field.aspect.width_in - EDGE_IN)
    yield from stacked(lines, x, at, size)


def stacked(lines: Sequence[str], x: float, at: float, size: float, role: Role = "ink") -> Iterator[Label]:
    """Lines one below the other around a middle.

    Args:
        lines: what is said, already broken.
        x: their middle [in].
        at: lower end of the lines [in].
        size: of the type [pt].
    """
    for number, line in enumerate(lines, start=1):
        y = at + (DESCENT + (len(lines) - number) * LEADING) * size / POINTS_PER_INCH
        yield Label((x, y), line, size, "middle", role)


def scale_title(title: str, at: float, field: Field[Shown]) -> Iterator[Ink]:
    """Title of the scale of PEEP, and in which direction PEEP went along it.

    Args:
        at: lower end of the line [in].
    """
    aspect, middle = field.aspect, (field.left + field.right) / 2
    size, said = aspect.text_pt, (title, "PEEP lowered")
    widths = [text_width_in(text, size) for text in said]
    gap = 0.22
    x = kept_inside(middle, sum(widths) + gap + 0.06 + _ARROW_IN, EDGE_IN, aspect.width_in - EDGE_IN)
    x -= (sum(widths) + gap + 0.06 + _ARROW_IN) / 2
    y = at + DESCENT * size / POINTS_PER_INCH
    yield Label((x, y), said[0], size)
    # Its end stands at the arrow, however narrow the type is that it is set in.
    yield Label((x + widths[0] + gap + widths[1], y), said[1], size, "end")
    start, height = x + widths[0] + gap + widths[1] + 0.06, y + ASCENT * size / POINTS_PER_INCH / 2
    yield Line(((start, height), (start + _ARROW_IN, height)), "ink", 0.9, arrow=True)
