"""A figure as a picture: rows of words around the two panels, of a finished trial and of one in progress.

Each row has its own height, so that a longer sentence makes the figure taller and never meets another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from ebbmark.views.drawing import (
    ASCENT,
    DESCENT,
    HAIR_PT,
    LEADING,
    LIGHT,
    POINTS_PER_INCH,
    Drawing,
    Form,
    Ink,
    Label,
    Line,
    Marks,
    Palette,
    Role,
    box_of,
    broken,
    kept,
    kept_inside,
    svg_alone,
    svg_in_page,
    text_width_in,
    typeset_svg,
)
from ebbmark.views.figure import Figure, RunningFigure, Shown, VitalRow
from ebbmark.views.figure_words import (
    alternative_text,
    closing_words,
    notes,
    origin_words,
    peep_title,
    running_alternative_text,
    running_notes,
    running_origin,
    suggestion_words,
)
from ebbmark.views.panels import (
    BETWEEN_IN,
    EDGE_IN,
    KEY_ROWS,
    NARROW,
    WIDE,
    Aspect,
    Field,
    bars_panel,
    curve_panel,
    key_above,
    levels_below,
    scale_of_bars,
    step_bars,
)
from ebbmark.words.messages import say

_LEFT_IN = 0.28
"""Left free of sentences: the title of a scale that reads upwards may be longer than its panel."""
_MARKS_IN = 0.24
_MARK_PT = 8.0
_RULE_IN = 0.04
"""Below a row of vital signs, for the rule under a value beyond its limit."""


def laid_out(figure: Figure, aspect: Aspect) -> Drawing:
    """Place everything: the heights of the rows from below to above [in], then what lies on them."""
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
    field = Field(figure, aspect, bars_at, curve_at)
    inks = [
        *_through_the_curve(field, interval_at, margins_at),
        *curve_panel(field),
        *bars_panel(field),
        *_suggestion(field, margins_at, suggestion, suggestion_at),
        *_closing(field, interval_at, closing, closing_at),
        *_scale_title(peep_title(figure), title_at, field),
        *_vital_signs(field, vitals_at),
        *_stacked(origin, aspect.width_in / 2, EDGE_IN, aspect.small_pt, "muted"),
    ]
    if noted:
        inks += _sentence(noted, (field.left + field.right) / 2, noted_at, field)
    if not aspect.beside_in:
        inks += key_above(field, key_at)
    return Drawing(aspect.width_in, height, tuple(inks))


def _through_the_curve(field: Field[Figure], interval_at: float, margins_at: float) -> Iterator[Ink]:
    """The two pressures as upright lines behind the curve."""
    top = field.curve_top
    closing, suggested = field.figure.closing.peep_cmh2o, field.figure.suggested_peep_cmh2o
    if suggested is not None:
        x = field.x(suggested)
        yield Line(((x, margins_at + 0.04), (x, field.curve_at)), "suggestion", 1.0)
    if closing is not None:
        x = field.x(closing)
        yield Line(((x, interval_at + _MARKS_IN / 2), (x, top)), "closing", 1.0, dashed=True)


def _suggestion(field: Field[Figure], margins_at: float, lines: Sequence[str], lines_at: float) -> Iterator[Ink]:
    figure, y = field.figure, margins_at + _MARKS_IN / 2
    suggested = figure.suggested_peep_cmh2o
    at = field.x(suggested) if suggested is not None else (field.left + field.right) / 2
    if suggested is not None:
        places = [field.x(margin.peep_cmh2o) for margin in figure.margins if margin.tested]
        yield Line(((min(places), y), (max(places), y)), "suggestion", HAIR_PT)
        others = tuple((x, y) for x in places if x != at)
        yield Marks(others, "open-triangle", "suggestion", 0.75 * _MARK_PT)
        yield Marks(((at, y),), "triangle", "suggestion", _MARK_PT)
    yield from _sentence(lines, at, lines_at, field)


def _closing(field: Field[Figure], interval_at: float, lines: Sequence[str], lines_at: float) -> Iterator[Ink]:
    closing, y = field.figure.closing, interval_at + _MARKS_IN / 2 - 0.02
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
    yield from _sentence(lines, at, lines_at, field)


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
        *_scale_title(peep_title(figure), title_at, field),
        *_stacked(origin, aspect.width_in / 2, EDGE_IN, aspect.small_pt, "muted"),
    ]
    if said:
        inks += _sentence(said, middle, said_at, field)
    if noted:
        inks += _sentence(noted, middle, noted_at, field)
    if not aspect.beside_in:
        inks += key_above(field, key_at - (KEY_ROWS - 1) * small)
    return Drawing(aspect.width_in, said_at + text * len(said) + above + EDGE_IN, tuple(inks))


def _bars(field: Field[RunningFigure]) -> Iterator[Ink]:
    shown = [(step.peep_cmh2o, step.probability) for step in field.figure.steps if step.probability is not None]
    # The newest is what people look for; then from there upwards.
    yield from step_bars(shown, [peep for peep, _ in reversed(shown)], field)
    yield from scale_of_bars(say("figure.closing-passed-title"), field)
    levels = field.figure.levels_cmh2o
    yield from levels_below((levels[-1], levels[0]), field)


_ARROW_IN = 0.42


def _sentence(lines: Sequence[str], middle: float, at: float, field: Field[Shown]) -> Iterator[Label]:
    """Lines one below the other [in], as near to a middle as the edges allow; `at` is their lower end."""
    size = field.aspect.text_pt
    widest = max(text_width_in(line, size) for line in lines)
    x = kept_inside(middle, widest, _LEFT_IN, field.aspect.width_in - EDGE_IN)
    yield from _stacked(lines, x, at, size)


def _stacked(lines: Sequence[str], x: float, at: float, size: float, role: Role = "ink") -> Iterator[Label]:
    """Lines one below the other around a middle [in]; `at` is their lower end."""
    for number, line in enumerate(lines, start=1):
        y = at + (DESCENT + (len(lines) - number) * LEADING) * size / POINTS_PER_INCH
        yield Label((x, y), line, size, "middle", role)


def _scale_title(title: str, at: float, field: Field[Shown]) -> Iterator[Ink]:
    """Title of the scale of PEEP, and in which direction PEEP went along it; `at` is its lower end [in]."""
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


@dataclass(frozen=True, slots=True)
class Inline:
    """The drawings of one figure, as parts of an HTML page; classes `fill-[role]` and `line-[role]` give colours."""

    wide: str
    narrow: str


def draw(
    figure: Figure | RunningFigure, *, form: Form = "svg", palette: Palette = LIGHT, aspect: Aspect = WIDE
) -> bytes:
    """Draw the figure; the same bytes for the same input."""
    words = words_of(figure)
    svg = svg_alone(_laid_out(figure, aspect), words, palette)
    return svg.encode() if form == "svg" else typeset_svg(svg, form, words)


def inline_of(figure: Figure | RunningFigure, words: str, *, mark: str = "") -> Inline:
    """Draw a figure as a part of a page; a mark stands in a strip of its own above the drawing."""

    def drawn(aspect: Aspect, name: str) -> str:
        drawing = _laid_out(figure, aspect)
        if mark:
            above = Label((0.05, drawing.height_in + 0.08), mark, 10.0, bold=True)
            drawing = replace(drawing, height_in=drawing.height_in + 0.25, inks=(*drawing.inks, above))
        return svg_in_page(drawing, words, f"drawn drawn-{name}")

    # On a page the figure does not travel alone: what stands around it says which answer it is.
    return Inline(drawn(replace(WIDE, alone=False), "wide"), drawn(replace(NARROW, alone=False), "narrow"))


def words_of(figure: Figure | RunningFigure) -> str:
    """What the figure shows, in words."""
    return running_alternative_text(figure) if isinstance(figure, RunningFigure) else alternative_text(figure)


def _laid_out(figure: Figure | RunningFigure, aspect: Aspect) -> Drawing:
    return running_laid_out(figure, aspect) if isinstance(figure, RunningFigure) else laid_out(figure, aspect)
