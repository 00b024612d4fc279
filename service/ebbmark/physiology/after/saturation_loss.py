"""Did saturation fall since the titration, by more than its readings wander?

A gas is drawn a few times a day, a saturation is read every minute: where it falls, nobody should be told that nothing
was seen. FiO2 that was lowered since explains a fall, so that then nothing is said of it.
Source: this project's choice; its noise is an assumption.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Final

from ebbmark.physiology.after.measures import ASSUMED, Noise, noise_of_difference
from ebbmark.physiology.after.seen import Event, Seen, after_titration
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, fio2_words, in_force_at

__all__ = ["saturation_loss"]

THEN_S: Final = 3600.0
"""Saturation right after the titration is that of its first hour [s]."""

NOW_S: Final = 1800.0
"""Saturation now is the latest of the last half hour [s]."""

NOISE: Final = Noise(0.0, 2.0, f"2 points of one reading of saturation; {ASSUMED}")


def saturation_loss(readings: Sequence[Reading], *, titrated_s: float, at_s: float) -> Seen | str:
    """Compare the latest saturation with the first hour after the titration.

    Args:
        readings: of one patient, in any order.
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].

    Returns:
        The fall; why it could not be looked for, as a sentence; or an empty string where there was none.
    """
    found = [one for one in readings if one.quantity is Quantity.SPO2 and titrated_s <= one.at_s <= at_s]
    now = max((one for one in found if one.at_s >= at_s - NOW_S), key=lambda one: (one.at_s, one.source), default=None)
    then = [one for one in found if one.at_s <= titrated_s + THEN_S and one is not now]
    if now is None or not then:
        when = "in the last half hour" if now is None else "in the first hour after it"
        return f"A fall of SpO2 could not be looked for: none was sent {when}."
    first = median(one.value for one in then)
    band = noise_of_difference(NOISE, before=first, after=now.value, readings_before=len(then))
    if first - now.value <= band:
        return ""
    before, after = (in_force_at(readings, FIO2, one.at_s).reading for one in (then[-1], now))
    if before is not None and after is not None and before.value - after.value > FIO2.same:
        return (
            f"SpO2 fell from {first:g} to {now.value:g} %, and FiO2 was lowered from {fio2_words(before.value)} to "
            f"{fio2_words(after.value)} meanwhile: whether the lung lost anything cannot be told from it."
        )
    known = before is not None and after is not None
    oxygen = f"at an FiO2 of {fio2_words(after.value)}" if known and after is not None else "(FiO2 is not known)"
    sentence = (
        f"{after_titration(now.at_s, titrated_s)}: SpO2 fell from {round(first, 1):g} to {round(now.value, 1):g} % "
        f"{oxygen}; a difference of up to {band:.0f} points would be measurement noise (assumed). What it comes from "
        "is to be looked for at the bedside."
    )
    return Seen(Event.OXYGENATION_LOST, now.at_s, now.at_s, (now.source,), NOISE.source, sentence)
