"""The figure on a page: wide and narrow, with its words and its data beside it.

The drawings stand in the page itself and not under addresses of their own: an image that was asked for separately
could be drawn from newer readings than the words around it, and would have the record read once more.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.views.figure import (
    Figure,
    FigureTable,
    RunningFigure,
    alternative_text,
    figure_of,
    figure_table,
    inline_of,
    running_alternative_text,
)

__all__ = ["Drawn", "FigureView", "figure_view", "running_drawn"]


@dataclass(frozen=True, slots=True)
class Drawn:
    """The drawings of one figure, as parts of the page.

    Attributes:
        letters: what the drawings refer to.
        wide, narrow: the drawings.
    """

    letters: Markup
    wide: Markup
    narrow: Markup


@dataclass(frozen=True, slots=True)
class FigureView:
    """What the page shows of the figure.

    Attributes:
        drawn: the drawings.
        table: its data.
    """

    drawn: Drawn
    table: FigureTable


def figure_view(recommendation: Recommendation) -> FigureView:
    """Draw the figure of an answer.

    Args:
        recommendation: the answer.
    """
    figure = figure_of(recommendation)
    return FigureView(_drawn(figure, alternative_text(figure)), figure_table(figure))


def running_drawn(figure: RunningFigure) -> Drawn:
    """Draw the figure of a trial in progress.

    Args:
        figure: what is drawn.
    """
    return _drawn(figure, running_alternative_text(figure))


def _drawn(figure: Figure | RunningFigure, words: str) -> Drawn:
    inline = inline_of(figure, words)
    # Markup that was made here; what others wrote in it is escaped there.
    return Drawn(Markup(inline.letters), Markup(inline.wide), Markup(inline.narrow))  # noqa: S704
