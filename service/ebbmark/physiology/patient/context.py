"""What the checks of a trial look at: their limits, what each step saw, and all that is known beside the curve.

Every reading between a change of set PEEP and the next one belongs to the step. Readings taken while the patient was
still settling stay out of the extremes where later ones exist.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final

from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.findings import IN_USE, Change, Finding, KnownCondition, PatientStatus, Value, Weight
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading, UnusableReading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, StopLimits
from ebbmark.physiology.timeline import Infusion
from ebbmark.physiology.trial.steps import LEAK, Step, Trial


@dataclass(frozen=True, slots=True)
class CheckLimits:
    """Limits of the other checks; each is this project's own choice unless it says otherwise.

    A vital sign *with a fall* is looked at together with a fall of compliance at the same step.
    """

    vital: StopLimits = DEFAULT_STOP_LIMITS
    # Worse at the suggestion than at the best step by this; systolic: Pilbeam chapter 13, after a step of PEEP.
    saturation_loss_percent: float = 5.0
    mean_pressure_loss_mmhg: float = 20.0
    systolic_pressure_loss_mmhg: float = 20.0
    arterial_oxygen_loss_mmhg: float = 20.0  # and only where it is this or less:
    arterial_oxygen_low_mmhg: float = 60.0
    rate_above_set_per_min: float = 2.0  # measured above set rate by more than this: the patient triggers
    spontaneous_per_min: float = 2.0  # a charted spontaneous rate above this is one
    step_fall_share: float = 0.30  # a fall of compliance from one step to the next of this or more
    plateau_rise_cmh2o: float = 2.0  # plateau, or peak where there is none, higher by more after PEEP was lowered
    rising_fall_share: float = 0.20  # and compliance fell by this; in a stiff lung a usual fall raises pressure, too
    same_volume_share: float = 0.05  # tidal volumes within this are equal for that
    rise_factor: float = 2.0  # compliance above this many times that of the step above contradicts it
    fell_back_share: float = 0.5  # a step that gave this share of a fall back at the next one was an artefact
    leak_share: float = LEAK  # expired below inspired volume by more than this at a step
    leak_change_share: float = 0.08  # and by this much more than at the steps before: the leak began there
    leak_high_share: float = 0.10  # a leak of this or more at all steps: high
    leak_none_share: float = 0.20  # a leak of this or more at all steps: no number
    fall_with_signs_share: float = 0.20  # a fall in one step of this or more, looked at together with vital signs
    saturation_with_fall_percent: float = 5.0
    mean_pressure_with_fall_mmhg: float = 10.0
    trapped_share: float = 0.5  # total PEEP that follows less than this share of the way of set PEEP,
    trapped_way_cmh2o: float = 4.0  # looked at where set PEEP moved at least this far
    intrinsic_cmh2o: float = 3.0  # intrinsic PEEP is named from here on,
    intrinsic_high_cmh2o: float = 5.0  # and as a high caution from here on
    measured_off_cmh2o: float = 2.0  # measured PEEP further than this from its setting
    clock_share: float = 0.75  # measured PEEP of a step that lies this share of the way to the step before or after,
    clock_fewest: int = 3  # at so many steps and more than half of them: two clocks that differ
    clock_least_cmh2o: float = 1.0  # plateaus of two steps are told apart from here on
    acidosis_ph: float = 7.15  # from below this the ARDS Network gives up its limits
    least_resistive_cmh2o: float = 0.5  # peak less plateau below this is none: flow takes some pressure;
    fewest_without_hold: int = 3  # steps that all show none, from here on
    recovery_share: float = 0.10  # a rise of compliance below closing by this share of the maximum: it did not last
    volume_change_share: float = 0.10  # set tidal volume changed by more than this during the limb
    oxygen_change: float = 0.05  # FiO2 changed by more than this during the limb
    resistive_rise_cmh2o: float = 8.0  # peak less plateau higher by this at a step than at the first
    no_carbon_dioxide_mmhg: float = 10.0  # end-tidal below this: the gas does not come from a perfused lung,
    worn_carbon_dioxide_mmhg: float = 20.0  # looked at where it was above this at another step
    halved_carbon_dioxide_share: float = 0.5  # this share of an earlier step, at the same ventilation, or less
    pressure_fall_share: float = 0.25  # arterial pressure lower and heart rate higher by these along the limb
    rate_rise_share: float = 0.25
    rate_rise_alone_share: float = 0.5  # heart rate alone higher by this
    saturation_goal_percent: float = 88.0  # lower end of the goal of the ARDS Network (SpO2 88 to 95 %)
    shock_pressure_mmhg: float = 65.0  # mean pressure below and heart rate above these at every step
    shock_rate_per_min: float = 140.0


LIMITS: Final = CheckLimits()
"""The default."""


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

_SEEN = frozenset(SEEN_QUANTITIES)

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
class QuantitySeen:
    """What one step saw of one quantity, in the unit of the quantity.

    Attributes:
        last: the last value of the step.
        least, greatest: extremes of the settled values.
        middle: median of the settled values, of two in the middle the lower: a value that was charted.
        count: how many settled values there were; 0 where a setting from before the step holds.
        age_s: how old the last value was when the step ended [s].
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
        start_s, until_s: from the change to this PEEP to the next change.
        by_quantity: what was seen; a quantity that was not charted is missing.
    """

    peep_cmh2o: float
    start_s: float
    until_s: float
    by_quantity: Mapping[Quantity, QuantitySeen] = field(default_factory=dict)

    def last(self, quantity: Quantity) -> float | None:
        """The last value of a quantity; None where it was not charted."""
        seen = self.by_quantity.get(quantity)
        return None if seen is None else seen.last

    def middle(self, quantity: Quantity) -> float | None:
        """The median of a quantity; None where it was not charted."""
        seen = self.by_quantity.get(quantity)
        return None if seen is None else seen.middle

    def sources(self, quantity: Quantity) -> tuple[int, ...]:
        """The inputs that show a quantity."""
        seen = self.by_quantity.get(quantity)
        return () if seen is None else seen.sources


def steps_seen(trial: Trial, readings: Sequence[Reading], protocol: Protocol) -> tuple[StepSeen, ...]:
    """One row per step of the limb that has a compliance, highest PEEP first."""
    groups: dict[Quantity, list[Reading]] = {quantity: [] for quantity in SEEN_QUANTITIES}
    for reading in readings:
        if reading.quantity in groups:
            groups[reading.quantity].append(reading)
    by_quantity = []
    for quantity, group in groups.items():
        if group:
            group.sort(key=_middle_and_value)
            by_quantity.append((quantity, group, [one.at_s for one in group]))
    rows, steps = [], trial.steps
    ends = [*[below.start_s for below in steps[1:]], _end_of_last(trial)]
    for step, end_s in zip(steps, ends, strict=True):
        until_s = max(end_s, step.end_s)
        seen = {}
        for quantity, group, times in by_quantity:
            found = _seen(quantity, group, times, (step.start_s, until_s, step.end_s), protocol.settling_s)
            if found is not None:
                seen[quantity] = found
        rows.append(StepSeen(step.peep_cmh2o, step.start_s, until_s, seen))
    return tuple(rows)


def _middle_and_value(one: Reading) -> tuple[float, float]:
    return one.start_s + one.end_s, one.value


def _end_of_last(trial: Trial) -> float:
    """Until when the last step lasted: one usual step after its last reading, since what comes later is no trial."""
    usual_s = median([below.start_s - above.start_s for above, below in pairwise(trial.steps)])
    return min(trial.steps[-1].until_s, trial.steps[-1].end_s + usual_s)


def _seen(
    quantity: Quantity,
    group: Sequence[Reading],
    times: Sequence[float],
    step_s: tuple[float, float, float],
    settling_s: float,
) -> QuantitySeen | None:
    """What one step saw of one quantity.

    Args:
        group: of that quantity, in order of time.
        times: of the group.
        step_s: when the step began, when PEEP was changed again, and its last reading of the curve.
    """
    start_s, until_s, read_s = step_s
    first, after = bisect_right(times, start_s - 1e-3), bisect_right(times, until_s - 1e-3)
    if first == after:
        held = group[first - 1] if first and quantity in _HOLDS else None
        if held is None or start_s - held.at_s > LONGEST_HOLD_S:
            return None
        age_s = max(read_s - held.at_s, 0.0)
        return QuantitySeen(held.value, held.value, held.value, held.value, 0, held.at_s, age_s, (held.source,))
    # In order of time, so that those which had settled are the last ones.
    settled = group[bisect_left(times, start_s + settling_s, first, after) : after] or group[first:after]
    values, doubtful = sorted([one.value for one in settled]), None
    least = _IMPOSSIBLE_BELOW.get(quantity, 0.0)
    if len(values) > 1 and values[0] < least <= values[1]:
        doubtful, *values = values
        settled = [one for one in settled if one.value >= least]
    last, at_s = settled[-1].value, settled[-1].at_s
    return QuantitySeen(
        last=last,
        least=values[0],
        greatest=values[-1],
        middle=values[(len(values) - 1) // 2],
        count=len(values),
        at_s=at_s,
        age_s=max(min(until_s, max(read_s, at_s)) - at_s, 0.0),
        sources=tuple(dict.fromkeys([one.source for one in group[first:after]])),
        doubtful=doubtful,
    )


def before_the_trial(readings: Sequence[Reading], began_s: float) -> Mapping[Quantity, float]:
    """Median of each quantity over the hour before PEEP was first moved, on the way up included."""
    found: dict[Quantity, list[float]] = {}
    for reading in readings:
        if reading.start_s < began_s and began_s - BEFORE_S <= reading.at_s < began_s and reading.quantity in _SEEN:
            found.setdefault(reading.quantity, []).append(reading.value)
    return {quantity: median(values) for quantity, values in found.items()}


@dataclass(frozen=True, slots=True)
class PatientContext:
    """What is known of the patient beside readings.

    Attributes:
        conditions: those that the record says are present.
        changes: of position and mode, at any time.
        infusions: of vasopressors, at any time.
        doubts: readings that were sent and cannot be used, in order of time.
    """

    conditions: Sequence[KnownCondition] = ()
    changes: Sequence[Change] = ()
    limits: CheckLimits = LIMITS
    infusions: Sequence[Infusion] = ()
    status: PatientStatus = IN_USE
    doubts: Sequence[UnusableReading] = ()

    def of_trial(self, trial: Trial, closing: Closing, readings: Sequence[Reading], protocol: Protocol) -> TrialContext:
        """All that is known about one trial, as the checks take it."""
        seen = steps_seen(trial, readings, protocol)
        charted: dict[Quantity, list[tuple[StepSeen, QuantitySeen]]] = {}
        for row in seen:
            for quantity, one in row.by_quantity.items():
                charted.setdefault(quantity, []).append((row, one))
        return TrialContext(trial, closing, seen, protocol, self, charted)


@dataclass(frozen=True, slots=True)
class TrialContext:
    """All that is known about one trial.

    Attributes:
        closing: the estimate from the compliances alone.
        seen: what each step saw, in the order of the steps.
        charted: the same by quantity, of the steps at which it was charted.
    """

    trial: Trial
    closing: Closing
    seen: Sequence[StepSeen]
    protocol: Protocol
    patient: PatientContext
    charted: Mapping[Quantity, Sequence[tuple[StepSeen, QuantitySeen]]]

    @property
    def steps(self) -> Sequence[Step]:
        """The steps of the limb, highest PEEP first."""
        return self.trial.steps

    @property
    def limits(self) -> CheckLimits:
        """Limits of the checks."""
        return self.patient.limits

    def middles(self, quantity: Quantity) -> list[tuple[StepSeen, float]]:
        """The steps at which a quantity was charted, each with its median there."""
        return [(row, seen.middle) for row, seen in self.charted.get(quantity, ())]

    def lasts(self, quantity: Quantity) -> list[tuple[StepSeen, float]]:
        """The steps at which a quantity was charted, each with its last value there."""
        return [(row, seen.last) for row, seen in self.charted.get(quantity, ())]


def finding_at(
    slug: str,
    rows: Sequence[Step | StepSeen],
    values: Mapping[str, Value],
    source: str,
    weight: Weight = Weight.LOOK_FIRST,
    sources: Iterable[int] = (),
    *,
    of_curve: bool = True,
) -> Finding:
    """A finding that was seen at these steps.

    Args:
        sources: the inputs that show it, each named once.
    """
    peeps, at_s = tuple([row.peep_cmh2o for row in rows]), rows[0].start_s if rows else None
    return Finding(slug, weight, values, peeps, at_s, tuple(dict.fromkeys(sources)), source, of_curve)
