"""What is a stop criterion: the readings that it looks at, how far beyond its limit each lies, and its words.

Rhythm is no number and stands in `rhythm`; anything seen or heard is not among the readings.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import partial
from itertools import pairwise
from statistics import median
from typing import Final

from ebbmark.physiology.during.rhythm_codes import rhythm_words
from ebbmark.physiology.during.stop_limits import Limit, StopLimits
from ebbmark.physiology.readings import Quantity, Reading

__all__ = [
    "CRITERIA",
    "NOT_AMONG_THE_READINGS",
    "WORDS",
    "Judged",
    "StopCriterion",
    "oldest_words",
    "shown_limit",
    "stop_words",
]

NOT_AMONG_THE_READINGS: Final = (
    "A new arrhythmia and signs of a pneumothorax are not among these readings: whoever is at the bedside watches for "
    "them and stops the trial if they appear."
)

_RECENT: Final = 10  # volumes that make up the usual one
_FEWEST: Final = 2
_PAIR_S: Final = 30.0
"""An inspired and an expired volume this close in time belong to one breath or one row. This project's choice."""


class StopCriterion(Enum):
    """What ends a trial."""

    SATURATION = "spo2-low"
    MEAN_ARTERIAL_PRESSURE = "mean-arterial-pressure-low"
    MEAN_ARTERIAL_PRESSURE_FALL = "mean-arterial-pressure-fell"
    SYSTOLIC_PRESSURE = "systolic-arterial-pressure-low"
    HEART_RATE_LOW = "heart-rate-low"
    HEART_RATE_HIGH = "heart-rate-high"
    PEAK_PRESSURE = "peak-pressure-high"
    VOLUME_LOST = "volume-lost"
    AIR_LEAK = "air-leak-pattern"
    RHYTHM = "heart-rhythm-new"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class Judged:
    """One reading: how it is printed, and how far beyond the limit it lies (above zero: met)."""

    reading: Reading
    value: float
    beyond: float
    shown: str


def stop_words(limits: StopLimits) -> tuple[str, ...]:
    """The stop criteria in words, for a plan; what has no number says so.

    Args:
        limits: the site's signed limits, or the defaults.

    Source: each limit's own, see `stop_limits`.
    """
    lines = []
    for criterion, (name, _) in CRITERIA.items():
        limit: Limit | None = getattr(limits, name)
        if limit is None:
            lines.append(f"{_capital(WORDS[criterion])}: no limit signed; the clinician at the bedside decides.")
        else:
            lines.append(f"{_capital(WORDS[criterion])} {shown_limit(criterion, limit.value)} ({limit.source}).")
    return (*lines, rhythm_words(limits.rhythms_that_stop), NOT_AMONG_THE_READINGS)


def oldest_words(limits: StopLimits) -> str:
    """How old a reading may be to show that a criterion is not met, in words.

    Args:
        limits: the site's signed limits, or the defaults.

    Source: the limit's own.
    """
    oldest = limits.oldest_reading_min
    return f"A criterion counts as not met on a reading of the last {oldest.value:g} min ({oldest.source})."


_Judgement = list[Judged] | str
_Judge = Callable[[Sequence[Reading], Sequence[Reading], float], _Judgement]


def _below(
    during: Sequence[Reading], _before: Sequence[Reading], limit: float, *, quantity: Quantity, sign: float, unit: str
) -> _Judgement:
    group = [reading for reading in during if reading.quantity is quantity]
    if not group:
        name = "SpO2" if quantity is Quantity.SPO2 else quantity.slug.replace("-", " ")
        return f"No {name} was sent since the trial began: not checked."
    return [Judged(r, r.value, sign * (limit - r.value), f"{round(r.value, 1):g} {unit}") for r in group]


def _peak(during: Sequence[Reading], _before: Sequence[Reading], limit: float) -> _Judgement:
    """Peak pressure; a plateau pressure beyond the limit meets it too, since the peak is no lower.

    In volume control the plateau lies well below the peak, so that a plateau within the limit shows nothing.
    """
    peaks = [
        Judged(one, one.value, one.value - limit, f"{round(one.value, 1):g} cmH2O")
        for one in during
        if one.quantity is Quantity.PEAK_PRESSURE
    ]
    plateaus = [one for one in during if one.quantity is Quantity.PLATEAU_PRESSURE]
    beyond = [
        Judged(one, one.value, one.value - limit, f"at least {one.value:g} cmH2O, the plateau pressure")
        for one in plateaus
        if one.value > limit
    ]
    if not peaks and not beyond:
        no_stand_in = " A plateau pressure does not stand for it." if plateaus else ""
        return f"No peak pressure was sent since the trial began: not checked.{no_stand_in}"
    return sorted([*peaks, *beyond], key=lambda one: one.reading.start_s)


def _fell(during: Sequence[Reading], before: Sequence[Reading], limit: float) -> _Judgement:
    quantity = Quantity.MEAN_ARTERIAL_PRESSURE
    earlier = [reading.value for reading in before if reading.quantity is quantity]
    group = [reading for reading in during if reading.quantity is quantity]
    if not earlier or not group:
        return "Mean arterial pressure was not sent both before and since the trial began: its fall is not checked."
    start = median(earlier)
    return [
        Judged(r, start - r.value, start - r.value - limit, f"from {round(start, 1):g} to {round(r.value, 1):g} mmHg")
        for r in group
    ]


def _lost(during: Sequence[Reading], before: Sequence[Reading], limit: float) -> _Judgement:
    """Each expired volume against the middle of the last ones at the same pressure and volume settings."""
    record = (*before, *during)
    changed_s = [
        one.at_s
        for setting in (Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.TIDAL_VOLUME_SET)
        for last, one in pairwise(r for r in record if r.quantity is setting)
        if one.value != last.value
    ]
    changed_s.sort()
    volumes = [r for r in record if r.quantity is Quantity.TIDAL_VOLUME_EXPIRED]
    judged = []
    for index, reading in enumerate(volumes):
        if not during or reading.at_s < during[0].at_s:
            continue
        past = bisect_right(changed_s, reading.at_s) - 1
        unchanged_since_s = changed_s[past] if past >= 0 else float("-inf")
        last = volumes[max(0, index - _RECENT) : index]
        earlier = [one.value for one in last if one.at_s >= unchanged_since_s]
        if len(earlier) >= _FEWEST and (usual := median(earlier)) > 0:
            share = 1.0 - reading.value / usual
            judged.append(
                Judged(reading, share, round(share - limit, 9), f"{reading.value:.0f} mL after {usual:.0f} mL")
            )
    if not judged:
        return "Fewer than three expired volumes were sent at unchanged settings: a loss of volume is not checked."
    return judged


def _leak(during: Sequence[Reading], _before: Sequence[Reading], limit: float) -> _Judgement:
    inspired = sorted(
        (r for r in during if r.quantity is Quantity.TIDAL_VOLUME_INSPIRED and r.value > 0), key=lambda one: one.at_s
    )
    times = [one.at_s for one in inspired]
    of_source = {one.source: one for one in reversed(inspired)}
    judged = []
    for out in during:
        if out.quantity is not Quantity.TIDAL_VOLUME_EXPIRED:
            continue
        near = inspired[bisect_left(times, out.at_s - _PAIR_S) : bisect_right(times, out.at_s + _PAIR_S)]
        paired = of_source.get(out.source) or min(near, key=lambda one: abs(one.at_s - out.at_s), default=None)
        if paired is not None:
            share = 1.0 - out.value / paired.value
            shown = f"{out.value:.0f} mL expired of {paired.value:.0f} mL inspired"
            judged.append(Judged(out, share, round(share - limit, 9), shown))
    if not judged:
        return "Inspired and expired volume were not sent together: a leak would not show and is not checked."
    return judged


def shown_limit(criterion: StopCriterion, value: float) -> str:
    """The limit in words, with its unit."""
    return _LIMIT_WORDS[criterion].format(value=value, percent=100 * value)


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


_MAP, _RATE = Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.HEART_RATE
_SYSTOLIC = Quantity.SYSTOLIC_ARTERIAL_PRESSURE
CRITERIA: Final[dict[StopCriterion, tuple[str, _Judge]]] = {
    StopCriterion.SATURATION: ("spo2_below_percent", partial(_below, quantity=Quantity.SPO2, sign=1, unit="%")),
    StopCriterion.MEAN_ARTERIAL_PRESSURE: (
        "mean_arterial_pressure_below_mmhg",
        partial(_below, quantity=_MAP, sign=1, unit="mmHg"),
    ),
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: ("mean_arterial_pressure_fall_mmhg", _fell),
    StopCriterion.SYSTOLIC_PRESSURE: (
        "systolic_arterial_pressure_below_mmhg",
        partial(_below, quantity=_SYSTOLIC, sign=1, unit="mmHg"),
    ),
    StopCriterion.HEART_RATE_LOW: ("heart_rate_below_per_min", partial(_below, quantity=_RATE, sign=1, unit="/min")),
    StopCriterion.HEART_RATE_HIGH: ("heart_rate_above_per_min", partial(_below, quantity=_RATE, sign=-1, unit="/min")),
    StopCriterion.PEAK_PRESSURE: ("peak_pressure_above_cmh2o", _peak),
    StopCriterion.VOLUME_LOST: ("volume_lost_share", _lost),
    StopCriterion.AIR_LEAK: ("leak_share", _leak),
}
WORDS: Final = {
    StopCriterion.SATURATION: "SpO2",
    StopCriterion.MEAN_ARTERIAL_PRESSURE: "mean arterial pressure",
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: "fall of mean arterial pressure",
    StopCriterion.SYSTOLIC_PRESSURE: "systolic arterial pressure",
    StopCriterion.HEART_RATE_LOW: "low heart rate",
    StopCriterion.HEART_RATE_HIGH: "high heart rate",
    StopCriterion.PEAK_PRESSURE: "peak pressure",
    StopCriterion.VOLUME_LOST: "sudden loss of expired volume",
    StopCriterion.AIR_LEAK: "expired well below inspired volume, as in an air leak",
    StopCriterion.RHYTHM: "new heart rhythm",
}
_LIMIT_WORDS: Final = {
    StopCriterion.SATURATION: "below {value:g} %",
    StopCriterion.MEAN_ARTERIAL_PRESSURE: "below {value:g} mmHg",
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: "of more than {value:g} mmHg",
    StopCriterion.SYSTOLIC_PRESSURE: "below {value:g} mmHg",
    StopCriterion.HEART_RATE_LOW: "below {value:g} /min",
    StopCriterion.HEART_RATE_HIGH: "above {value:g} /min",
    StopCriterion.PEAK_PRESSURE: "above {value:g} cmH2O",
    StopCriterion.VOLUME_LOST: "by more than {percent:.0f} %",
    StopCriterion.AIR_LEAK: "by more than {percent:.0f} %",
}
