"""Table of what each step of a limb saw: vital signs, PEEP, rates, gas and volumes, with their ages.

Every reading between a change of set PEEP and the next one belongs to the step. Readings taken while the patient was
still settling stay out of the extremes where later ones exist.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median, median_low

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Trial

__all__ = ["SEEN_QUANTITIES", "Seen", "StepSeen", "before_the_trial", "steps_seen"]

SEEN_QUANTITIES: tuple[Quantity, ...] = (
    Quantity.SPO2,
    Quantity.MEAN_ARTERIAL_PRESSURE,
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
    Quantity.HEART_RATE,
    Quantity.END_TIDAL_CO2,
    Quantity.PACO2,
    Quantity.PAO2,
    Quantity.PH,
    Quantity.FIO2_SET,
    Quantity.FIO2_MEASURED,
    Quantity.PEEP_MEASURED,
    Quantity.PEEP_TOTAL,
    Quantity.PEEP_INTRINSIC,
    Quantity.RESPIRATORY_RATE_SET,
    Quantity.RESPIRATORY_RATE,
    Quantity.RESPIRATORY_RATE_SPONTANEOUS,
    Quantity.PRESSURE_SUPPORT_SET,
    Quantity.TIDAL_VOLUME_SET,
    Quantity.TIDAL_VOLUME_INSPIRED,
    Quantity.TIDAL_VOLUME_EXPIRED,
)
"""In the order in which people read them."""

_HOLDS = frozenset(
    {Quantity.FIO2_SET, Quantity.RESPIRATORY_RATE_SET, Quantity.TIDAL_VOLUME_SET, Quantity.PRESSURE_SUPPORT_SET}
)
"""Settings: one that was charted before a step holds in it until it is changed."""

_IMPOSSIBLE_BELOW = {Quantity.MEAN_ARTERIAL_PRESSURE: 25.0, Quantity.SYSTOLIC_ARTERIAL_PRESSURE: 30.0}
"""A single blood pressure below this between others above it is the transducer [mmHg]. This project's choice."""

BEFORE_S = 3600.0
"""How long before the trial a reading still tells how the patient was before it [s]. This project's choice."""

LONGEST_HOLD_S = 24 * 3600.0
"""A setting charted longer ago than this is not taken to hold [s]. This project's choice."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What one step saw of one quantity, in the unit of the quantity.

    Attributes:
        last: the last value of the step.
        least, greatest: extremes of the settled values.
        middle: median of the settled values, of two in the middle the lower: a value that was charted.
        count: how many settled values there were; 0 where a setting from before the step holds.
        at_s: time of the last value [s since 1970-01-01T00:00:00Z].
        age_s: how old the last value was when the step ended [s].
        sources: indices of the inputs.
    doubtful: an impossible value between possible ones, which counts for nothing else; None where there is none.
    """

    last: float
    least: float
    greatest: float
    middle: float
    count: int
    at_s: float
    age_s: float
    sources: tuple[int, ...]
    doubtful: float | None = None


@dataclass(frozen=True, slots=True)
class StepSeen:
    """One row of the table.

    Attributes:
        peep_cmh2o: set PEEP of the step.
        start_s, until_s: from the change to this PEEP to the next change [s since 1970-01-01T00:00:00Z].
        by_quantity: what was seen; a quantity that was not charted is missing.
    """

    peep_cmh2o: float
    start_s: float
    until_s: float
    by_quantity: Mapping[Quantity, Seen] = field(default_factory=dict)

    def last(self, quantity: Quantity) -> float | None:
        """The last value of a quantity; None where it was not charted."""
        seen = self.by_quantity.get(quantity)
        return None if seen is None else seen.last

    def middle(self, quantity: Quantity) -> float | None:
        """The median of a quantity; None where it was not charted."""
        seen = self.by_quantity.get(quantity)
        return None if seen is None else seen.middle


def steps_seen(trial: Trial, readings: Sequence[Reading], protocol: Protocol) -> tuple[StepSeen, ...]:
    """One row per step of the limb that has a compliance, highest PEEP first.

    Args:
        trial: the limb.
        readings: all usable readings of the patient, in any order.
        protocol: how long a step settles.
    """
    by_quantity = {quantity: (group, [one.at_s for one in group]) for quantity, group in _sorted(readings).items()}
    rows = []
    for index, step in enumerate(trial.steps):
        until_s = trial.steps[index + 1].start_s if index + 1 < len(trial.steps) else _end_of_last(trial)
        seen = {
            quantity: found
            for quantity, (group, times) in by_quantity.items()
            if (found := _seen(quantity, group, times, step.start_s, max(until_s, step.end_s), step.end_s, protocol))
        }
        rows.append(StepSeen(step.peep_cmh2o, step.start_s, max(until_s, step.end_s), seen))
    return tuple(rows)


def _end_of_last(trial: Trial) -> float:
    """Until when the last step lasted: one usual step after its last reading, since what comes later is no trial."""
    usual_s = median(below.start_s - above.start_s for above, below in pairwise(trial.steps))
    return min(trial.steps[-1].until_s, trial.steps[-1].end_s + usual_s)


def before_the_trial(readings: Sequence[Reading], began_s: float) -> Mapping[Quantity, float]:
    """Median of each quantity over the hour before PEEP was first moved, on the way up included.

    Args:
        readings: all usable readings of the patient, in any order.
        began_s: when that was [s since 1970-01-01T00:00:00Z].
    """
    found = {}
    for quantity, group in _sorted(readings).items():
        values = [one.value for one in group if began_s - BEFORE_S <= one.at_s < began_s]
        if values:
            found[quantity] = median(values)
    return found


def _sorted(readings: Sequence[Reading]) -> dict[Quantity, list[Reading]]:
    wanted = set(SEEN_QUANTITIES)
    groups: dict[Quantity, list[Reading]] = {}
    for reading in readings:
        if reading.quantity in wanted:
            groups.setdefault(reading.quantity, []).append(reading)
    for group in groups.values():
        group.sort(key=lambda one: (one.at_s, one.value))
    return {quantity: groups[quantity] for quantity in SEEN_QUANTITIES if quantity in groups}


def _seen(
    quantity: Quantity,
    group: Sequence[Reading],
    times: Sequence[float],
    start_s: float,
    until_s: float,
    read_s: float,
    protocol: Protocol,
) -> Seen | None:
    first, after = bisect_right(times, start_s - 1e-3), bisect_right(times, until_s - 1e-3)
    inside = group[first:after]
    if not inside:
        held = group[first - 1] if first and quantity in _HOLDS else None
        if held is None or start_s - held.at_s > LONGEST_HOLD_S:
            return None
        age_s = max(read_s - held.at_s, 0.0)
        return Seen(held.value, held.value, held.value, held.value, 0, held.at_s, age_s, (held.source,))
    settled = [one for one in inside if one.at_s >= start_s + protocol.settling_s] or inside
    least = _IMPOSSIBLE_BELOW.get(quantity, 0.0)
    possible = [one for one in settled if one.value >= least]
    doubtful = min(one.value for one in settled) if 0 < len(possible) == len(settled) - 1 else None
    settled = possible if doubtful is not None else settled
    values = [one.value for one in settled]
    last = settled[-1]
    return Seen(
        last=last.value,
        least=min(values),
        greatest=max(values),
        middle=median_low(values),
        count=len(values),
        at_s=last.at_s,
        age_s=max(min(until_s, max(read_s, last.at_s)) - last.at_s, 0.0),
        sources=tuple(dict.fromkeys(one.source for one in inside)),
        doubtful=doubtful,
    )
