"""The figure on a page: wide and narrow, with its words and its data beside it.

The drawings stand in the page itself and not under addresses of their own: an image that was asked for separately
could be drawn from newer readings than the words around it, and would have the record read once more.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.views.figure import Figure, RunningFigure, figure_of
from ebbmark.views.figure_words import FigureTable, figure_table
from ebbmark.views.picture import inline_of, words_of

__all__ = ["Drawn", "FigureView", "drawn", "figure_view"]


@dataclass(frozen=True, slots=True)
class Drawn:
    """The two drawings of one figure, as parts of the page."""

    wide: Markup
    narrow: Markup


@dataclass(frozen=True, slots=True)
class FigureView:
    """The drawings and their data."""

    drawn: Drawn
    table: FigureTable


def figure_view(recommendation: Recommendation) -> FigureView:
    """Draw the figure of an answer.

    Args:
        recommendation: the answer.
    """
    figure = figure_of(recommendation)
    return FigureView(drawn(figure), figure_table(figure))


def drawn(figure: Figure | RunningFigure) -> Drawn:
    """Draw a figure.

    Args:
        figure: what is drawn.
    """
    inline = inline_of(figure, words_of(figure))
    # Markup that was made here; what others wrote in it is escaped there.
    return Drawn(Markup(inline.wide), Markup(inline.narrow))  # noqa: S704
