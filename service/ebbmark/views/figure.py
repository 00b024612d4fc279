"""How does an answer look? The one figure of this project, its words and its data, for pages, paper and files."""

from __future__ import annotations

from ebbmark.views.content import Figure, figure_of
from ebbmark.views.drawing import Form, draw
from ebbmark.views.field import NARROW, WIDE, Aspect
from ebbmark.views.inline import Inline, inline_of
from ebbmark.views.palette import DARK, LIGHT, Palette
from ebbmark.views.running_content import RunningFigure, running_figure_of
from ebbmark.views.running_words import running_alternative_text
from ebbmark.views.words import FigureTable, alternative_text, figure_table, suggestion_sentence

__all__ = [
    "DARK",
    "LIGHT",
    "NARROW",
    "WIDE",
    "Aspect",
    "Figure",
    "FigureTable",
    "Form",
    "Inline",
    "Palette",
    "RunningFigure",
    "alternative_text",
    "draw",
    "figure_of",
    "figure_table",
    "inline_of",
    "running_alternative_text",
    "running_figure_of",
    "suggestion_sentence",
]
