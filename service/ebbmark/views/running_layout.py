"""Where does everything lie in the figure of a trial in progress? The same two panels, and no suggestion."""

from __future__ import annotations

from collections.abc import Iterator

from ebbmark.views.bars_panel import levels_below, scale_of_bars, step_bars
from ebbmark.views.curve_panel import curve_panel
from ebbmark.views.field import EDGE_IN, Aspect, Field
from ebbmark.views.ink import Drawing, Ink
from ebbmark.views.key import KEY_ROWS, key_above
from ebbmark.views.lettering import scale_title, sentence, stacked
from ebbmark.views.placing import LEADING, POINTS_PER_INCH, Measure, broken
from ebbmark.views.running_content import RunningFigure
from ebbmark.views.running_words import running_notes, running_origin
from ebbmark.views.words import peep_title

__all__ = ["TITLE", "running_laid_out"]

TITLE = "closing passed (%)"


def running_laid_out(figure: RunningFigure, aspect: Aspect, measure: Measure) -> Drawing:
    """Place everything.

    Args:
        figure: what is drawn.
        aspect: in which shape.
        measure: how wide a text is.
    """
    width = aspect.width_in - 2 * EDGE_IN
    text, small = aspect.text_pt * LEADING / POINTS_PER_INCH, aspect.small_pt * LEADING / POINTS_PER_INCH
    origin = broken(running_origin(figure), aspect.small_pt, width, measure) if aspect.alone else ()
    noted = tuple(line for note in running_notes(figure) for line in broken(note, aspect.text_pt, width, measure))
    said = broken(figure.said, aspect.text_pt, width, measure)
    noted_at = EDGE_IN + small * len(origin) + 0.08
    title_at = noted_at + text * len(noted) + (0.06 if noted else 0.0)
    bars_at = title_at + text + small + 0.14
    curve_at = bars_at + aspect.bars_in + small + 0.28
    said_at = curve_at + aspect.curve_in + 0.1
    key_at = said_at + text * len(said) + 0.1
    # Without an expected curve the key has the first of its rows only.
    above = 0.0 if aspect.beside_in else 0.1 + small
    field = Field(figure, aspect, measure, bars_at, curve_at)
    middle = (field.left + field.right) / 2
    inks = [
        *curve_panel(field),
        *_bars(field),
        *sentence(said, middle, said_at, field),
        *scale_title(peep_title(figure), title_at, field),
        *stacked(origin, aspect.width_in / 2, EDGE_IN, aspect.small_pt, "muted"),
    ]
    if noted:
        inks += sentence(noted, middle, noted_at, field)
    if not aspect.beside_in:
        inks += key_above(field, key_at - (KEY_ROWS - 1) * small)
    return Drawing(aspect.width_in, said_at + text * len(said) + above + EDGE_IN, tuple(inks))


def _bars(field: Field[RunningFigure]) -> Iterator[Ink]:
    shown = [(step.peep_cmh2o, step.probability) for step in field.figure.steps if step.probability is not None]
    # The newest is what people look for; then from there upwards.
    yield from step_bars(shown, [peep for peep, _ in reversed(shown)], field)
    yield from scale_of_bars(TITLE, field)
    levels = field.figure.levels_cmh2o
    yield from levels_below((levels[-1], levels[0]), field)
