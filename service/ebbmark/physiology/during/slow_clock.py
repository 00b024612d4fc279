"""Could an alarming reading from just before the trial be one of the trial, stamped by a monitor whose clock is slow?

Monitor and ventilator keep clocks of their own. Where the newest reading of a vital sign lies some minutes back, its
clock may be slow by as much, and a low one stamped that much before the trial began may have come after it began. Newer
good ones do not settle that: a stop criterion that was met stays met. A newest reading of this very minute does, since
a clock that is right now was right then. Source: this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.during.ages import age, clock
from ebbmark.physiology.during.doubts import AFTER_S, UNITS, WORDS, beyond_words, bounds_of
from ebbmark.physiology.during.stop_limits import StopLimits
from ebbmark.physiology.readings import Reading

__all__ = ["alarming_if_slow"]

SLOW_S: Final = 60.0
"""A newest reading of up to this age shows no slow clock [s]. This project's choice."""


def alarming_if_slow(
    readings: Sequence[Reading], limits: StopLimits, *, since_s: float, at_s: float
) -> tuple[str, ...]:
    """Say which readings beyond a limit would be of the trial if their clock were as slow as it may be.

    Args:
        readings: what can be used, in any order.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: each limit's own; where none is signed, this project's choice.
    """
    found = []
    for bound in bounds_of(limits):
        of_it = sorted((one for one in readings if one.quantity is bound.quantity), key=lambda one: one.at_s)
        lag_s = min(at_s - of_it[-1].at_s, AFTER_S) if of_it else 0.0
        # The latest itself is looked at whenever it was.
        before = [one for one in of_it[:-1] if since_s - lag_s <= one.at_s < since_s]
        low = [one for one in before if bound.sign * (bound.limit - one.value) > 0]
        if lag_s > SLOW_S and low:
            worst = max(low, key=lambda one: (bound.sign * (bound.limit - one.value), one.at_s))
            words = WORDS[worst.quantity]
            shown = f"{words[0].upper()}{words[1:]} {round(worst.value, 1):g} {UNITS[worst.quantity]}"
            found.append(
                f"{shown} was read at {clock(worst.at_s)}, {beyond_words(bound)}. That is before the "
                f"trial began by its own stamp, but the newest of its readings is {age(at_s - of_it[-1].at_s)}: if "
                "that clock is slow, it came during the trial. Compare the clocks, or read once more now."
            )
    return tuple(found)
