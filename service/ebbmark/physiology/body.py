"""How large were this patient's lungs made, and what tidal volume follows from that?"""

from __future__ import annotations

from enum import Enum

__all__ = ["Sex"]


class Sex(Enum):
    """The two forms of the formula; which one applies is never guessed."""

    FEMALE = "female"
    MALE = "male"
