"""What did saturation, plateau pressure and the latest breath do meanwhile, beside what the stop limits judge?

The probability of closing rests on the middle of each step's compliance. A saturation that falls, a plateau beyond the
protocol's limit and a latest reading far from those before it are none of that, and whoever lowers PEEP must know them.
Source: a fall of SpO2 by 2 % names closing in PHARLAP (methods table of Cochrane review CD009098, 2021); the plateau
limit is the protocol's. The other numbers are this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from statistics import median
from typing import Final

from ebbmark.physiology.during.ages import age
from ebbmark.physiology.during.call_rule import SUDDEN_FALL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Trial

__all__ = [
    "latest_breath_fell",
    "oxygen_raised",
    "plateau_above_limit",
    "saturation_falling",
    "saturation_fell_far",
    "volume_missing",
]

MISSING_SHARE: Final = 0.2
"""Expired volume this much below the one that is set is no difference between two sensors. This project's choice."""

OXYGEN_RAISED: Final = 0.05
"""A rise of FiO2 that is more than rounding [1]. This project's choice."""

FALL_TOLD_PERCENT: Final = 2.0
"""Saturation this far below its highest on the way down is told [percentage points]."""

FALL_LOOKED_AT_PERCENT: Final = 5.0
"""Saturation this far below it asks for a look before PEEP is lowered [percentage points]. This project's choice."""


def saturation_falling(readings: Sequence[Reading], trial: Trial | None, *, at_s: float) -> str:
    """Say that saturation has come down on the way down, by as much as names closing elsewhere; empty where not.

    Args:
        readings: of one patient, in any order.
        trial: the way down so far.
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    told = _fall(readings, trial, at_s, FALL_TOLD_PERCENT)
    rule = (
        " A fall of 2 % from the highest is what PHARLAP took for closing (read in Cochrane review CD009098); the "
        "probability here rests on compliance alone."
    )
    return f"{told}{rule}" if told else ""


def saturation_fell_far(readings: Sequence[Reading], trial: Trial | None, *, at_s: float) -> str:
    """Say that saturation has come down by more than PEEP should be lowered on without a look; empty where not.

    Args:
        readings: of one patient, in any order.
        trial: the way down so far.
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: this project's choice.
    """
    told = _fall(readings, trial, at_s, FALL_LOOKED_AT_PERCENT)
    ours = f" A fall of {FALL_LOOKED_AT_PERCENT:g} points asks for a look (this project's own choice)."
    return f"{told}{ours}" if told else ""


def plateau_above_limit(readings: Sequence[Reading], limit_cmh2o: float, *, from_s: float, at_s: float) -> str:
    """Say that the latest plateau pressure at the present PEEP lies above the protocol's limit; empty where not.

    Args:
        readings: of one patient, in any order.
        limit_cmh2o: of the protocol.
        from_s: since when PEEP is what it is now [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: the protocol's own.
    """
    latest = _latest(readings, Quantity.PLATEAU_PRESSURE, from_s)
    if latest is None or latest.value <= limit_cmh2o:
        return ""
    return (
        f"The latest plateau pressure is {round(latest.value, 1):g} cmH2O ({age(at_s - latest.at_s)}), above the "
        f"protocol's limit of {limit_cmh2o:g} cmH2O."
    )


def latest_breath_fell(trial: Trial | None) -> str:
    """Say that the latest reading of compliance lies far below the others of its step; empty where it does not.

    The middle of a step hides one reading; something may have happened with it.

    Args:
        trial: the way down so far.

    Source: as for a sudden fall of a whole step, this project's choice.
    """
    samples = trial.steps[-1].samples if trial is not None else ()
    if len(samples) < 2:
        return ""
    before = median(one.compliance_ml_per_cmh2o for one in samples[:-1])
    fall = 1.0 - samples[-1].compliance_ml_per_cmh2o / before
    if fall < SUDDEN_FALL:
        return ""
    return f"The latest reading of compliance lies {100 * fall:.0f} % below the others at this PEEP."


def volume_missing(readings: Sequence[Reading], *, since_s: float, at_s: float) -> str:
    """Say that in volume control the latest expired volume lies far below the one that is set; empty where not.

    Args:
        readings: of one patient, in any order.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: this project's choice.
    """
    expired = _latest(readings, Quantity.TIDAL_VOLUME_EXPIRED, since_s)
    set_ml = _latest(readings, Quantity.TIDAL_VOLUME_SET, -inf)
    pressure = _latest(readings, Quantity.PRESSURE_ABOVE_PEEP_SET, -inf)
    if expired is None or set_ml is None or set_ml.at_s > expired.at_s or pressure is not None:
        return ""
    if expired.value >= (1.0 - MISSING_SHARE) * set_ml.value:
        return ""
    return (
        f"The latest expired volume is {expired.value:.0f} mL ({age(at_s - expired.at_s)}) of {set_ml.value:.0f} mL "
        "set: a leak, a cuff, a pneumothorax, or a setting that is no longer in force."
    )


def oxygen_raised(readings: Sequence[Reading], trial: Trial | None) -> str:
    """Say that more oxygen was given on the way down, behind which a fall of SpO2 would hide; empty where not.

    Args:
        readings: of one patient, in any order.
        trial: the way down so far.

    Source: this project's choice.
    """
    if trial is None:
        return ""
    lowered_s = trial.steps[0].end_s
    settings = sorted((one for one in readings if one.quantity is Quantity.FIO2_SET), key=lambda one: one.at_s)
    before = [one.value for one in settings if one.at_s <= lowered_s]
    after = [one.value for one in settings if one.at_s > lowered_s]
    if not before or not after or max(after) - before[-1] < OXYGEN_RAISED:
        return ""
    return (
        f"FiO2 was raised from {100 * before[-1]:.0f} to {100 * max(after):.0f} % on the way down, so that SpO2 no "
        "longer shows what the lower PEEP did."
    )


def _fall(readings: Sequence[Reading], trial: Trial | None, at_s: float, least: float) -> str:
    if trial is None:
        return ""
    found = [one for one in readings if one.quantity is Quantity.SPO2 and one.at_s >= trial.steps[0].start_s]
    latest = _latest(found, Quantity.SPO2, trial.steps[0].start_s)
    if latest is None:
        return ""
    highest = max(one.value for one in found)
    if round(highest - latest.value, 6) < least:
        return ""
    return (
        f"SpO2 came down from {round(highest, 1):g} to {round(latest.value, 1):g} % on the way down "
        f"({age(at_s - latest.at_s)})."
    )


def _latest(readings: Sequence[Reading], quantity: Quantity, from_s: float) -> Reading | None:
    of_it = [one for one in readings if one.quantity is quantity and one.at_s >= from_s]
    return max(of_it, key=lambda one: (one.at_s, one.source), default=None)
