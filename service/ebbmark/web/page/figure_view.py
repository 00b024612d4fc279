"""The figure on a page: for light and dark, wide and narrow, and for paper, with its words and its data beside it.

The drawings stand in the page itself and not under addresses of their own: an image that was asked for separately
could be drawn from newer readings than the words around it.
"""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass, replace

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.report.figure import (
    DARK,
    LIGHT,
    NARROW,
    WIDE,
    Aspect,
    Figure,
    FigureTable,
    Palette,
    RunningFigure,
    alternative_text,
    draw,
    figure_of,
    figure_table,
    running_alternative_text,
)

__all__ = ["Drawn", "FigureView", "figure_view", "running_drawn"]

PAPER, DARK_PAPER = "#fdfcf8", "#17181a"
"""As in the stylesheet."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """The drawings of one figure, and its words.

    Attributes:
        wide, wide_dark, narrow, narrow_dark, printed: the drawings, as data addresses.
        words: what the figure shows, for those who cannot see it.
    """

    wide: str
    wide_dark: str
    narrow: str
    narrow_dark: str
    printed: str
    words: str


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
    def drawn(palette: Palette, aspect: Aspect) -> str:
        return f"data:image/svg+xml;base64,{b64encode(draw(figure, palette=palette, aspect=aspect)).decode()}"

    light, dark = replace(LIGHT, paper=PAPER), replace(DARK, paper=DARK_PAPER)
    return Drawn(
        wide=drawn(light, WIDE),
        wide_dark=drawn(dark, WIDE),
        narrow=drawn(light, NARROW),
        narrow_dark=drawn(dark, NARROW),
        printed=drawn(LIGHT, WIDE),
        words=words,
    )
