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
    FigureTable,
    Palette,
    alternative_text,
    draw,
    figure_of,
    figure_table,
)

__all__ = ["FigureView", "figure_view"]

PAPER, DARK_PAPER = "#fdfcf8", "#17181a"
"""As in the stylesheet."""


@dataclass(frozen=True, slots=True)
class FigureView:
    """What the page shows of the figure.

    Attributes:
        wide, wide_dark, narrow, narrow_dark, printed: the drawings, as data addresses.
        words: what the figure shows, for those who cannot see it.
        table: its data.
    """

    wide: str
    wide_dark: str
    narrow: str
    narrow_dark: str
    printed: str
    words: str
    table: FigureTable


def figure_view(recommendation: Recommendation) -> FigureView:
    """Draw the figure of an answer.

    Args:
        recommendation: the answer.
    """
    figure = figure_of(recommendation)

    def drawn(palette: Palette, aspect: Aspect) -> str:
        return f"data:image/svg+xml;base64,{b64encode(draw(figure, palette=palette, aspect=aspect)).decode()}"

    light, dark = replace(LIGHT, paper=PAPER), replace(DARK, paper=DARK_PAPER)
    return FigureView(
        wide=drawn(light, WIDE),
        wide_dark=drawn(dark, WIDE),
        narrow=drawn(light, NARROW),
        narrow_dark=drawn(dark, NARROW),
        printed=drawn(LIGHT, WIDE),
        words=alternative_text(figure),
        table=figure_table(figure),
    )
