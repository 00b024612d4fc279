"""Patterns along the way down that are not those of a lung that closes step by step, and ask for a look first.

A pneumothorax, a tube in a main bronchus, a plug and a kink take compliance away at once and raise the plateau pressure
although PEEP falls; a lung that closes loses a little at each step. Breaths that the patient triggers make pressures
that say nothing of the lung alone. Source: that these come first is common practice, no published source; the limits
are this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from ebbmark.physiology.during.ages import age
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Step
from ebbmark.physiology.wording import level

__all__ = ["compliance_broke_away", "effort_shows", "plateau_rose"]

BROKE_AWAY: Final = 0.30
"""Fall of compliance from one step to the next that is no gradual closing [1]. This project's choice."""

CAME_BACK: Final = 0.15
"""A later step within this share of the step before the fall shows that it came back [1]. This project's choice."""

PLATEAU_ROSE_CMH2O: Final = 1.0
"""Rise of plateau pressure at a lower PEEP that is more than rounding [cmH2O]. This project's choice."""

VOLUME_RAISED: Final = 0.10
"""Tidal volume raised by more than this explains a higher plateau pressure [1]. This project's choice."""

TRIGGERED_PER_MIN: Final = 2.0
"""Breaths above the set rate that are more than counting: the patient triggers [/min]. This project's choice."""

_LOOK: Final = (
    "as in a pneumothorax, a tube in a main bronchus, a plug of secretions or a kinked tube: these come first, and "
    "until they are ruled out the fall is not read as closing."
)


def compliance_broke_away(steps: Sequence[Step]) -> str:
    """Say that compliance fell by 30 % or more in one step and has not come back; empty where it did not.

    Args:
        steps: of the way down, highest PEEP first.
    """
    for higher, lower in pairwise(steps):
        before, after = higher.compliance_ml_per_cmh2o, lower.compliance_ml_per_cmh2o
        fall = round(1.0 - after / before, 9)
        if fall >= BROKE_AWAY and steps[-1].compliance_ml_per_cmh2o < (1.0 - CAME_BACK) * before:
            return (
                f"Compliance fell by {100 * fall:.0f} % in one step, from {before:.0f} mL/cmH2O at "
                f"{level(higher.peep_cmh2o)} cmH2O to {after:.0f} at {level(lower.peep_cmh2o)} cmH2O, {_LOOK}"
            )
    return ""


def plateau_rose(steps: Sequence[Step]) -> str:
    """Say that plateau pressure rose at a lower PEEP with no larger breath, and stayed up; empty where it did not.

    Args:
        steps: of the way down, highest PEEP first.
    """
    last = steps[-1].plateau_cmh2o if steps else None
    for higher, lower in pairwise(steps):
        before, after = higher.plateau_cmh2o, lower.plateau_cmh2o
        if before is None or after is None or last is None:
            continue
        rose = round(after - before, 6) > PLATEAU_ROSE_CMH2O and last > before
        if rose and not _larger_breath(higher, lower):
            return (
                f"Plateau pressure rose from {round(before, 1):g} to {round(after, 1):g} cmH2O although PEEP was "
                f"lowered from {level(higher.peep_cmh2o)} to {level(lower.peep_cmh2o)} cmH2O, {_LOOK}"
            )
    return ""


def _larger_breath(higher: Step, lower: Step) -> bool:
    before, after = higher.tidal_volume_ml, lower.tidal_volume_ml
    return before is not None and after is not None and after > (1.0 + VOLUME_RAISED) * before


def effort_shows(readings: Sequence[Reading], *, since_s: float, at_s: float) -> str:
    """Say that the patient breathes above the set rate; empty where that does not show.

    Args:
        readings: of one patient, in any order.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    measured = [one for one in readings if one.quantity is Quantity.RESPIRATORY_RATE and one.at_s >= since_s]
    latest = max(measured, key=lambda one: (one.at_s, one.source), default=None)
    settings = [
        one
        for one in readings
        if one.quantity is Quantity.RESPIRATORY_RATE_SET and latest is not None and one.at_s <= latest.at_s
    ]
    if latest is None or not settings:
        return ""
    set_rate = max(settings, key=lambda one: (one.at_s, one.source))
    if latest.value - set_rate.value <= TRIGGERED_PER_MIN:
        return ""
    return (
        f"The patient breathes {latest.value:.0f} /min ({age(at_s - latest.at_s)}) at a set rate of "
        f"{set_rate.value:.0f}: with breaths of the patient's own, plateau pressure and compliance do not describe the "
        "lung alone, and nothing is said of closing from them."
    )
