"""In which state of circulation and gas exchange is this patient, each reading shown with its age?

Mean arterial pressure is shown twice where it moved: the latest, and the lowest of the last hour, since a pressure that
has just come back is not a stable one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from ebbmark.physiology.before.ards_class import latest
from ebbmark.physiology.before.shown_inputs import ShownInput, shown
from ebbmark.physiology.message import Value, joined, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import span

__all__ = ["RECENT_S", "PresentState", "lowest_of_last_hour", "lowest_pressure", "present_state"]

RECENT_S: Final = 3600.0
"""The window in which the lowest mean arterial pressure counts. This project's choice."""

SHOWN_S: Final = 24 * 3600.0
"""A reading older than this is not shown as the present state. This project's choice."""

_SHOWN: Final = (
    Quantity.MEAN_ARTERIAL_PRESSURE,
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
    Quantity.HEART_RATE,
    Quantity.SPO2,
    Quantity.PH,
    Quantity.PACO2,
)


class PresentState(NamedTuple):
    """What the readings show.

    Attributes:
        shown: in a fixed order, the latest of each.
        lowest_pressure: mean arterial pressure of the last hour where it was lower than it is now; None otherwise.
        not_shown: what was not sent, or is too old to be the present state.
        sentence: all of it.
    """

    shown: tuple[ShownInput, ...]
    lowest_pressure: ShownInput | None
    not_shown: tuple[Value, ...]
    sentence: Value


def lowest_pressure(readings: Sequence[Reading], at_s: float) -> Reading | None:
    """The lowest mean arterial pressure of the last hour, the later one of two alike; None where none was read.

    Args:
        readings: of one patient, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
    """
    return lowest_of_last_hour(readings, Quantity.MEAN_ARTERIAL_PRESSURE, at_s)


def lowest_of_last_hour(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The lowest of the last hour, the later one of two alike; None where none was read.

    Args:
        readings: of one patient, in any order.
        quantity: which.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
    """
    last = latest(readings, quantity, at_s)
    until_s = at_s if last is None else max(at_s, last.start_s)
    recent = [one for one in readings if one.quantity is quantity and at_s - RECENT_S <= one.start_s <= until_s]
    return min(recent, key=lambda one: (one.value, -one.start_s, one.source), default=None)


def present_state(readings: Sequence[Reading], *, at_s: float) -> PresentState:
    """Show what there is.

    Args:
        readings: of one patient, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].

    Source: the windows are this project's choice.
    """
    found: list[ShownInput] = []
    not_shown: list[Value] = []
    for quantity in _SHOWN:
        words = message(f"present-state.{quantity.slug}")
        one = latest(readings, quantity, at_s)
        if one is None:
            not_shown.append(words)
        elif at_s - one.start_s > SHOWN_S:
            not_shown.append(message("present-state.too-old", name=words, age=span(at_s - one.start_s)))
        else:
            found.append(shown(one, at_s))
    lowest, last = lowest_pressure(readings, at_s), latest(readings, Quantity.MEAN_ARTERIAL_PRESSURE, at_s)
    fell = lowest is not None and last is not None and lowest.value < last.value
    as_lowest = shown(lowest, at_s, how=message("present-state.lowest")) if fell and lowest is not None else None
    told = [one.sentence for one in (*found[:1], *([as_lowest] if as_lowest else []), *found[1:])]
    parts = [message("present-state.shown", listed=joined("semicolons", told))] if told else []
    parts += [message("present-state.not-shown", listed=joined("commas", not_shown))] if not_shown else []
    return PresentState(tuple(found), as_lowest, tuple(not_shown), joined("sentences", parts))
