"""How are units set on a page? As in print: the figures of cmH2O and SpO2 stand low, and no line ends before a unit."""

from __future__ import annotations

import re
from typing import Final

from markupsafe import Markup, escape

__all__ = ["small_references", "units"]

_LOWERED: Final = re.compile(r"\b(?:cmH2(?=O)|(?:Sp|Fi|Pa|PaC)O2\b)")
_REFERENCE: Final = re.compile(r"(?:, |\b)[A-Z][A-Za-z]{2,40}/[A-Za-z0-9\-.]{1,64}/_history/[A-Za-z0-9\-]{1,64}")
_TIED: Final = re.compile(r"(?<=\d) (?=%|cmH2O|mL|kg|J/min|mmHg|/min)")


def units(text: object) -> Markup:
    """A text with its units set.

    Args:
        text: escaped here, unless it is markup already.
    """
    tied = _TIED.sub("\u00a0", str(escape(text)))
    return Markup(_LOWERED.sub(lambda found: f"{found[0][:-1]}<sub>2</sub>", tied))  # noqa: S704 - escaped above


def small_references(text: object) -> Markup:
    """A text with its units set, and references to versions of resources small: people read the words before them.

    Args:
        text: escaped here, unless it is markup already.
    """
    set_text = str(units(text))
    return Markup(_REFERENCE.sub(lambda found: f'<span class="source">{found[0]}</span>', set_text))  # noqa: S704
