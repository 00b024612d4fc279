"""Where does everything in the figure lie? Rows of words around two panels that share one scale of PEEP.

Each row has its own height, so that a longer sentence makes the figure taller and never meets another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ebbmark.views.bars_panel import bars_panel
from ebbmark.views.content import Figure
from ebbmark.views.curve_panel import curve_panel
from ebbmark.views.field import EDGE_IN, HAIR_PT, Aspect, Field
from ebbmark.views.ink import Drawing, Ink, Line, Marks
from ebbmark.views.key import KEY_ROWS, key_above
from ebbmark.views.lettering import scale_title, sentence, stacked
from ebbmark.views.placing import LEADING, POINTS_PER_INCH, Measure, broken
from ebbmark.views.words import closing_words, notes, origin_words, peep_title, suggestion_words

__all__ = ["laid_out"]

_MARKS_IN = 0.24
_MARK_PT = 8.0


@dataclass(frozen=True, slots=True)
class _Rows:
    """Lower ends of the rows from below to above [in], and what they say."""

    origin: tuple[str, ...]
    noted: tuple[str, ...]
    closing: tuple[str, ...]
    suggestion: tuple[str, ...]
    noted_at: float
    title_at: float
    bars_at: float
    closing_at: float
    interval_at: float
    curve_at: float
    margins_at: float
    suggestion_at: float
    key_at: float
    height: float


def laid_out(figure: Figure, aspect: Aspect, measure: Measure) -> Drawing:
    """Place everything.

    Args:
        figure: what is drawn.
        aspect: in which shape.
        measure: how wide a text is.
    """
    rows = _rows(figure, aspect, measure)
    field = Field(figure, aspect, measure, rows.bars_at, rows.curve_at)
    inks = [
        *_through_the_curve(field, rows),
        *curve_panel(field),
        *bars_panel(field),
        *_suggestion(field, rows),
        *_closing(field, rows),
        *scale_title(peep_title(figure), rows.title_at, field),
        *stacked(rows.noted, (field.left + field.right) / 2, rows.noted_at, aspect.text_pt),
        *stacked(rows.origin, aspect.width_in / 2, EDGE_IN, aspect.small_pt, "muted"),
    ]
    if not aspect.beside_in:
        inks += key_above(field, rows.key_at)
    return Drawing(aspect.width_in, rows.height, tuple(inks))


def _rows(figure: Figure, aspect: Aspect, measure: Measure) -> _Rows:
    width = aspect.width_in - 2 * EDGE_IN
    text, small = aspect.text_pt * LEADING / POINTS_PER_INCH, aspect.small_pt * LEADING / POINTS_PER_INCH
    origin = broken(origin_words(figure), aspect.small_pt, width, measure) if aspect.alone else ()
    said = notes(figure, outside_drawn=aspect.beside_in > 0)
    noted = tuple(line for note in said for line in broken(note, aspect.text_pt, width, measure))
    closing = broken(closing_words(figure), aspect.text_pt, width, measure)
    suggestion = broken(suggestion_words(figure), aspect.text_pt, width, measure)
    noted_at = EDGE_IN + small * len(origin) + 0.08
    title_at = noted_at + text * len(noted) + (0.06 if noted else 0.0)
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
        noted_at, title_at, bars_at, closing_at, interval_at, curve_at, margins_at, suggestion_at, key_at, height,
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
