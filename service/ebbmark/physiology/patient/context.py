"""What the checks of a trial look at: their limits, what each step saw, and all that is known beside the curve.

Every reading between a change of set PEEP and the next one belongs to the step. Readings taken while the patient was
still settling stay out of the extremes where later ones exist.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf
from statistics import median, median_low
from typing import Final

from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.findings import IN_USE, Change, Finding, KnownCondition, PatientStatus, Value, Weight, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading, UnusableReading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit, StopLimits
from ebbmark.physiology.timeline import Infusion
from ebbmark.physiology.trial.curve import LEAK
from ebbmark.physiology.trial.steps import Step, Trial


@dataclass(frozen=True, slots=True)
class VitalLimits:
    """Vital signs at which a trial stops: the stop limits in force, each with its source there.

    Attributes:
        source: of signed limits; empty for the defaults, whose sources stand beside each.
    """

    spo2_below_percent: float
    mean_arterial_pressure_below_mmhg: float
    systolic_arterial_pressure_below_mmhg: float
    heart_rate_below_per_min: float
    heart_rate_above_per_min: float
    peak_pressure_above_cmh2o: float = inf
    source: Value = ""


def vital_limits_of(limits: StopLimits) -> VitalLimits:
    """The vital signs among stop limits; one that a site has not signed is never met.

    Args:
        limits: signed, or the defaults.
    """

    def value(limit: Limit | None, never: float) -> float:
        return never if limit is None else limit.value

    return VitalLimits(
        spo2_below_percent=value(limits.spo2_below_percent, -inf),
        mean_arterial_pressure_below_mmhg=value(limits.mean_arterial_pressure_below_mmhg, -inf),
        systolic_arterial_pressure_below_mmhg=value(limits.systolic_arterial_pressure_below_mmhg, -inf),
        heart_rate_below_per_min=value(limits.heart_rate_below_per_min, -inf),
        heart_rate_above_per_min=value(limits.heart_rate_above_per_min, inf),
        peak_pressure_above_cmh2o=value(limits.peak_pressure_above_cmh2o, inf),
        source=message("stop-limits.source-signed", version=limits.version) if limits.signed else "",
    )


_DEFAULT_VITAL: Final = vital_limits_of(DEFAULT_STOP_LIMITS)


@dataclass(frozen=True, slots=True)
class CheckLimits:
    """Limits of the other checks; each is this project's own choice unless it says otherwise.

    Attributes:
        vital: vital signs at which a trial stops.
        saturation_loss_percent: SpO2 at the suggestion this far below the best step: clearly worse.
        mean_pressure_loss_mmhg: the same of mean arterial pressure.
        systolic_pressure_loss_mmhg: the same of systolic pressure; Pilbeam chapter 13 calls a fall of more than 20
            after a step of PEEP significant.
        rate_above_set_per_min: measured above set rate by more than this: the patient triggers.
        spontaneous_per_min: a charted spontaneous rate above this is one.
        step_fall_share: a fall of compliance from one step to the next of this share or more.
        plateau_rise_cmh2o: plateau, or peak where there is none, higher by more than this after PEEP was lowered.
        rising_fall_share: and compliance fell by this share or more; in a stiff lung a usual fall raises pressure, too.
        same_volume_share: tidal volumes within this share are equal for that.
        rise_factor: compliance at a step above this many times that of the step above it contradicts it.
        fell_back_share: a step that gave this share of a fall back at the next one was an artefact.
        leak_share: expired below inspired volume by more than this at a step.
        leak_change_share: and by this much more than at the steps before: the leak began there.
        leak_high_share: a leak of this or more at all steps: high.
        leak_none_share: a leak of this or more at all steps: no number.
        fall_with_signs_share: a fall in one step of this share or more, looked at together with vital signs.
        saturation_with_fall_percent, mean_pressure_with_fall_mmhg: falls of these at the same step or more.
        trapped_share: total PEEP that follows less than this share of the way of set PEEP.
        trapped_way_cmh2o: looked at where set PEEP moved at least this far.
        intrinsic_cmh2o, intrinsic_high_cmh2o: intrinsic PEEP named, and named as a high caution, from here on.
        measured_off_cmh2o: measured PEEP further than this from its setting.
        clock_share: measured PEEP within a step that lies this share of the way to the step before or after it.
        arterial_oxygen_loss_mmhg: PaO2 at the suggestion lower by more than this than at the best step is worse,
        arterial_oxygen_low_mmhg: where it is this or less.
        acidosis_ph: pH below this is named as a high caution: from there the ARDS Network gives up its limits.
        least_resistive_cmh2o: peak less plateau below this is none: flow takes some pressure.
        fewest_without_hold: steps that all show none, from here on.
        clock_least_cmh2o: plateaus of two steps are told apart from here on.
        clock_fewest: so many steps of that, and more than half of them, are two clocks that differ.
        recovery_share: a rise of compliance below closing by this share of the maximum: it did not last.
        volume_change_share: set tidal volume changed by more than this during the limb.
        oxygen_change: FiO2 changed by more than this during the limb.
        resistive_rise_cmh2o: peak less plateau higher by this at a step than at the first.
        no_carbon_dioxide_mmhg: end-tidal carbon dioxide below this: the gas does not come from a perfused lung.
        worn_carbon_dioxide_mmhg: looked at where it was above this at another step.
        halved_carbon_dioxide_share: this share of an earlier step, at the same ventilation, or less.
        pressure_fall_share, rate_rise_share: arterial pressure lower and heart rate higher by these along the limb.
        rate_rise_alone_share: the same of heart rate alone.
        saturation_goal_percent: lower end of the oxygenation goal of the ARDS Network (SpO2 88 to 95 %).
        shock_pressure_mmhg, shock_rate_per_min: mean pressure below and heart rate above these at every step.
    """

    vital: VitalLimits = _DEFAULT_VITAL
    saturation_loss_percent: float = 5.0
    mean_pressure_loss_mmhg: float = 20.0
    systolic_pressure_loss_mmhg: float = 20.0
    rate_above_set_per_min: float = 2.0
    spontaneous_per_min: float = 2.0
    step_fall_share: float = 0.30
    plateau_rise_cmh2o: float = 2.0
    rising_fall_share: float = 0.20
    same_volume_share: float = 0.05
    rise_factor: float = 2.0
    fell_back_share: float = 0.5
    leak_share: float = LEAK
    leak_change_share: float = 0.08
    leak_high_share: float = 0.10
    leak_none_share: float = 0.20
    fall_with_signs_share: float = 0.20
    saturation_with_fall_percent: float = 5.0
    mean_pressure_with_fall_mmhg: float = 10.0
    trapped_share: float = 0.5
    trapped_way_cmh2o: float = 4.0
    intrinsic_cmh2o: float = 3.0
    intrinsic_high_cmh2o: float = 5.0
    measured_off_cmh2o: float = 2.0
    clock_share: float = 0.75
    clock_least_cmh2o: float = 1.0
    arterial_oxygen_loss_mmhg: float = 20.0
    arterial_oxygen_low_mmhg: float = 60.0
    acidosis_ph: float = 7.15
    least_resistive_cmh2o: float = 0.5
    fewest_without_hold: int = 3
    clock_fewest: int = 3
    recovery_share: float = 0.10
    volume_change_share: float = 0.10
    oxygen_change: float = 0.05
    resistive_rise_cmh2o: float = 8.0
    no_carbon_dioxide_mmhg: float = 10.0
    worn_carbon_dioxide_mmhg: float = 20.0
    halved_carbon_dioxide_share: float = 0.5
    pressure_fall_share: float = 0.25
    rate_rise_share: float = 0.25
    rate_rise_alone_share: float = 0.5
    saturation_goal_percent: float = 88.0
    shock_pressure_mmhg: float = 65.0
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
    """Median of each quantity over the hour before PEEP was first moved, on the way up included."""
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
) -> QuantitySeen | None:
    first, after = bisect_right(times, start_s - 1e-3), bisect_right(times, until_s - 1e-3)
    inside = group[first:after]
    if not inside:
        held = group[first - 1] if first and quantity in _HOLDS else None
        if held is None or start_s - held.at_s > LONGEST_HOLD_S:
            return None
        age_s = max(read_s - held.at_s, 0.0)
        return QuantitySeen(held.value, held.value, held.value, held.value, 0, held.at_s, age_s, (held.source,))
    settled = [one for one in inside if one.at_s >= start_s + protocol.settling_s] or inside
    least = _IMPOSSIBLE_BELOW.get(quantity, 0.0)
    possible = [one for one in settled if one.value >= least]
    doubtful = min(one.value for one in settled) if 0 < len(possible) == len(settled) - 1 else None
    settled = possible if doubtful is not None else settled
    values = [one.value for one in settled]
    last = settled[-1]
    return QuantitySeen(
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


@dataclass(frozen=True, slots=True)
class TrialContext:
    """All that is known about one trial.

    Attributes:
        closing: the estimate from the compliances alone.
        seen: what each step saw, in the order of the steps.
        conditions: those that the record says are present.
        changes: of position and mode, at any time.
        infusions: of vasopressors, at any time.
        status: what the record says of the patient.
        doubts: readings that were sent and cannot be used, in order of time.
    """

    trial: Trial
    closing: Closing
    seen: Sequence[StepSeen]
    protocol: Protocol
    conditions: Sequence[KnownCondition] = ()
    changes: Sequence[Change] = ()
    limits: CheckLimits = LIMITS
    infusions: Sequence[Infusion] = ()
    status: PatientStatus = IN_USE
    doubts: Sequence[UnusableReading] = ()

    @property
    def steps(self) -> Sequence[Step]:
        """The steps of the limb, highest PEEP first."""
        return self.trial.steps


@dataclass(frozen=True, slots=True)
class PatientContext:
    """What is known of the patient beside readings.

    Attributes:
        conditions: those that the record says are present.
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
        return TrialContext(
            trial,
            closing,
            seen,
            protocol,
            self.conditions,
            self.changes,
            self.limits,
            self.infusions,
            self.status,
            self.doubts,
        )


def finding_at(
    slug: str,
    rows: Sequence[StepSeen],
    values: dict[str, float],
    source: str,
    weight: Weight = Weight.LOOK_FIRST,
) -> Finding:
    """A finding about the curve, seen at these steps."""
    return Finding(
        slug,
        weight,
        dict(values),
        tuple(one.peep_cmh2o for one in rows),
        rows[0].start_s if rows else None,
        source=source,
        of_curve=True,
    )


def rows_where(
    context: TrialContext, quantity: Quantity, judge: Callable[[float, StepSeen], bool], *, last: bool = False
) -> list[StepSeen]:
    """The steps at which a quantity is as the judge says."""
    found = []
    for one in context.seen:
        value = one.last(quantity) if last else one.middle(quantity)
        if value is not None and judge(value, one):
            found.append(one)
    return found
