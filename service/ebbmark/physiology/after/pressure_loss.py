"""A fall of arterial pressure at the new settings, against the time before the trial and the first hour after it.

PEEP that was raised may be what lowered it. A fall beyond noise is told; one to below a limit asks for somebody now.
Source: the noise is this project's assumption, each limit has its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from types import MappingProxyType
from typing import Final

from ebbmark.physiology.after.measures import ASSUMED, ASSUMED_NOISE, Measure, Noise, noise_of_difference
from ebbmark.physiology.after.seen import Event, Seen, after_titration
from ebbmark.physiology.readings import Quantity, Reading

__all__ = ["NO_PRESSURE_LIMITS", "PressureLimit", "PressureLosses", "pressure_losses"]

BEFORE_S: Final = 3600.0
"""Arterial pressure before the trial is that of its last hour [s]. This project's choice."""

THEN_S: Final = 3600.0
"""Arterial pressure right after the titration is that of the first hour [s]. This project's choice."""

NOW_S: Final = 1800.0
"""Arterial pressure now is that of the last half hour [s]. This project's choice."""

_NOISE: Final = {
    Quantity.MEAN_ARTERIAL_PRESSURE: ASSUMED_NOISE[Measure.MEAN_ARTERIAL_PRESSURE],
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: Noise(0.0, 6.0, f"6 mmHg between two charted values; {ASSUMED}"),
}
_WORDS: Final = {
    Quantity.MEAN_ARTERIAL_PRESSURE: "Mean arterial pressure",
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: "Systolic arterial pressure",
}


@dataclass(frozen=True, slots=True)
class PressureLimit:
    """Below which an arterial pressure asks for somebody now, and who says so."""

    below_mmhg: float
    source: str


NO_PRESSURE_LIMITS: Final[Mapping[Quantity, PressureLimit]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class PressureLosses:
    """What was seen of arterial pressure, and what could not be looked for, in plain sentences."""

    seen: tuple[Seen, ...]
    not_checked: tuple[str, ...]


def pressure_losses(
    readings: Sequence[Reading],
    *,
    began_s: float | None,
    titrated_s: float,
    at_s: float,
    limits: Mapping[Quantity, PressureLimit],
) -> PressureLosses:
    """Compare arterial pressure now with that before the trial, and with that right after it.

    Args:
        readings: of one patient, in any order.
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set after it [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        limits: below which it asks for somebody now.
    """
    found = []
    any_now = False
    for quantity, noise in _NOISE.items():
        of_it = [one for one in readings if one.quantity is quantity]
        now = [one for one in of_it if max(titrated_s, at_s - NOW_S) <= one.at_s <= at_s]
        if not now:
            continue
        any_now = True
        before = [] if began_s is None else [one for one in of_it if began_s - BEFORE_S <= one.at_s < began_s]
        then = [one for one in of_it if titrated_s <= one.at_s <= titrated_s + THEN_S and one not in now]
        told = [
            f"from {_middle(group):.0f} mmHg {when}"
            for group, when in ((before, "before the trial"), (then, "right after the titration"))
            if group and _fell(group, now, noise)
        ]
        limit = limits.get(quantity)
        low = limit is not None and _middle(now) < limit.below_mmhg
        if told or low:
            found.append(_seen(quantity, now, titrated_s, noise, told, limit if low else None))
    gap = () if any_now else ("No arterial pressure was sent in the last half hour, so a fall would not show.",)
    return PressureLosses(tuple(found), gap)


def _middle(group: Sequence[Reading]) -> float:
    return median(one.value for one in group)


def _fell(earlier: Sequence[Reading], now: Sequence[Reading], noise: Noise) -> bool:
    before, after = _middle(earlier), _middle(now)
    band = noise_of_difference(noise, before=before, after=after, readings_before=len(earlier), readings_after=len(now))
    return before - after > band


def _seen(
    quantity: Quantity,
    now: Sequence[Reading],
    titrated_s: float,
    noise: Noise,
    told: Sequence[str],
    limit: PressureLimit | None,
) -> Seen:
    first_s, last_s = min(one.at_s for one in now), max(one.at_s for one in now)
    fell = f"fell {' and '.join(told)} to {_middle(now):.0f} mmHg" if told else f"is {_middle(now):.0f} mmHg"
    low = f", below the limit of {limit.below_mmhg:g} mmHg ({limit.source})" if limit is not None else ""
    sentence = (
        f"{_WORDS[quantity]} {fell}{low}, {after_titration(last_s, titrated_s)}. A higher PEEP may by itself lower "
        "blood pressure: look at the patient before any number here is used."
    )
    sources = tuple(sorted({one.source for one in now}))
    return Seen(Event.PRESSURE_LOST, first_s, last_s, sources, noise.source, sentence, grave=limit is not None)
