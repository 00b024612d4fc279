"""How are units set on a page? As in print: the figures of cmH2O and SpO2 stand low, and no line ends before a unit."""

from __future__ import annotations

import re
from typing import Final

from markupsafe import Markup, escape

__all__ = ["units"]

_LOWERED: Final = re.compile(r"\b(?:cmH2(?=O)|(?:Sp|Fi|Pa|PaC)O2\b)")
_TIED: Final = re.compile(r"(?<=\d) (?=%|cmH2O|mL|kg|J/min|mmHg|/min)")


def units(text: object) -> Markup:
    """A text with its units set.

    Args:
        text: escaped here, unless it is markup already.
    """
    tied = _TIED.sub("\u00a0", str(escape(text)))
    return Markup(_LOWERED.sub(lambda found: f"{found[0][:-1]}<sub>2</sub>", tied))  # noqa: S704 - escaped above
