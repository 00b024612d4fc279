"""In which shape is the figure drawn, and where in it does each PEEP lie? High PEEP on the left, low on the right."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Generic, TypeVar

from ebbmark.views.content import Shown
from ebbmark.views.placing import Measure

__all__ = ["EDGE_IN", "HAIR_PT", "NARROW", "TICK_IN", "WIDE", "Aspect", "Field"]

EDGE_IN = 0.1
"""Left free around everything."""

HAIR_PT = 0.6
"""Width of axes and outlines."""

TICK_IN = 0.05

F_co = TypeVar("F_co", bound=Shown, covariant=True)

_PAD_IN = 0.26
"""Between an end of the scale and the step next to it."""


@dataclass(frozen=True, slots=True)
class Aspect:
    """One shape of the figure; its height follows from what has to be said.

    Attributes:
        width_in: of the whole figure.
        axis_in: from the left edge to the scale of the panels.
        beside_in: column right of the panels for labels; 0 where they stand above and below instead.
        curve_in, bars_in: heights of the two panels.
        text_pt, small_pt: sizes of type.
        alone: whether the picture may travel alone, and so says itself which answer it belongs to.
    """

    width_in: float
    axis_in: float
    beside_in: float
    curve_in: float
    bars_in: float
    text_pt: float
    small_pt: float
    alone: bool = True


WIDE = Aspect(width_in=7.2, axis_in=0.66, beside_in=1.7, curve_in=2.4, bars_in=0.95, text_pt=10.5, small_pt=9.5)
"""For a page or a screen: at 691 CSS pixels its type is that of the text around it."""

NARROW = Aspect(width_in=3.75, axis_in=0.64, beside_in=0.0, curve_in=2.3, bars_in=0.9, text_pt=10.5, small_pt=9.5)
"""For a phone of 360 CSS pixels."""


@dataclass(frozen=True, slots=True)
class Field(Generic[F_co]):
    """The place of the two panels, and of each PEEP in them [in].

    Attributes:
        figure: what is drawn.
        aspect: in which shape.
        measure: how wide a text is.
        bars_at, curve_at: lower ends of the two panels.
    """

    figure: F_co
    aspect: Aspect
    measure: Measure
    bars_at: float
    curve_at: float

    @property
    def left(self) -> float:
        """Left end of the shared scale."""
        return self.aspect.axis_in

    @property
    def right(self) -> float:
        """Right end of the shared scale."""
        return self.aspect.width_in - max(self.aspect.beside_in, EDGE_IN)

    @property
    def curve_top(self) -> float:
        """Upper end of the upper panel."""
        return self.curve_at + self.aspect.curve_in

    @property
    def bars_top(self) -> float:
        """Upper end of the lower panel: a probability of 1."""
        return self.bars_at + self.aspect.bars_in

    @property
    def rooms(self) -> tuple[float, ...]:
        """Distance of each PEEP on the scale to its nearest neighbour."""
        places = list(map(self.x, self.figure.levels_cmh2o))
        gaps = [self.right - self.left, *(after - before for before, after in pairwise(places)), self.right - self.left]
        return tuple(min(before, after) for before, after in pairwise(gaps))

    def x(self, peep_cmh2o: float) -> float:
        """Place of a PEEP.

        Args:
            peep_cmh2o: within the tested range.
        """
        high, low = self.figure.levels_cmh2o[0], self.figure.levels_cmh2o[-1]
        room = self.right - self.left - 2 * _PAD_IN
        return self.left + _PAD_IN + room * (high - peep_cmh2o) / ((high - low) or 1.0)
