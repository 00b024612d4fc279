"""Which colours does the figure use, and where do they come from?

The two colours that mean something are from Okabe and Ito, "Color Universal Design" (2008, jfly.uni-koeln.de/color):
a blue and a vermilion, and on dark paper the sky blue and the orange of the same set. They can be told apart with every
common kind of colour blindness, and never stand alone: each goes with a shape and a label. The rest are greys of ours.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DARK", "LIGHT", "Palette"]


@dataclass(frozen=True, slots=True)
class Palette:
    """One colour per role, as #rrggbb.

    Attributes:
        paper: what everything is drawn on.
        ink: text, the marks of the readings and the curve.
        muted: what is said in passing.
        hairline: axes and outlines.
        band: inside of the band and of the bars.
        closing: everything about the closing pressure.
        suggestion: everything about the suggested PEEP.
    """

    paper: str
    ink: str
    muted: str
    hairline: str
    band: str
    closing: str
    suggestion: str


LIGHT = Palette(
    paper="#ffffff",
    ink="#1b1b1b",
    muted="#5a5a5a",
    hairline="#858585",
    band="#dde1e6",
    closing="#d55e00",  # Okabe and Ito, vermilion
    suggestion="#0072b2",  # Okabe and Ito, blue
)
"""Ink on white paper; for print, and by day."""

DARK = Palette(
    paper="#16191c",
    ink="#ececea",
    muted="#aeb3b8",
    hairline="#7b8187",
    band="#353c44",
    closing="#e69f00",  # Okabe and Ito, orange
    suggestion="#56b4e9",  # Okabe and Ito, sky blue
)
"""Light ink on dark paper; for rooms that are kept dark."""
