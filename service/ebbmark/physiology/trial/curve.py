"""One compliance per breath or charted row, and readings of one step that contradict one another.

Static compliance is tidal volume over plateau pressure less total PEEP (Suter et al, N Engl J Med 1975;292:284-9);
dynamic compliance takes peak pressure instead. Which of several sources is taken is decided once for a whole limb,
so that a step of the curve can never come from a change of source.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from operator import itemgetter
from statistics import median

from ebbmark.physiology.findings import Message, Value, joined, message
from ebbmark.physiology.mechanics import dynamic_compliance_ml_per_cmh2o, static_compliance_ml_per_cmh2o
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import ComplianceKind, Observed, Sample, Step

KIND_OF_LEAD: Mapping[Quantity, ComplianceKind] = {
    Quantity.PLATEAU_PRESSURE: ComplianceKind.STATIC_COMPUTED,
    Quantity.DRIVING_PRESSURE: ComplianceKind.STATIC_FROM_DRIVING_PRESSURE,
    Quantity.COMPLIANCE_STATIC: ComplianceKind.STATIC_CHARTED,
    Quantity.PEAK_PRESSURE: ComplianceKind.DYNAMIC_COMPUTED,
    Quantity.PRESSURE_ABOVE_PEEP_SET: ComplianceKind.DYNAMIC_FROM_SET_PRESSURE,
    Quantity.COMPLIANCE_DYNAMIC: ComplianceKind.DYNAMIC_CHARTED,
}
"""In order of preference: what leads a sample, and which kind of compliance it gives."""

VOLUMES = (
    Quantity.TIDAL_VOLUME_EXPIRED,
    Quantity.TIDAL_VOLUME_UNSTATED,
    Quantity.TIDAL_VOLUME_INSPIRED,
    Quantity.TIDAL_VOLUME_SET,
)
"""In order of preference: expired volume is what left the lung."""

ABOVE_PEEP = (Quantity.DRIVING_PRESSURE, Quantity.PRESSURE_ABOVE_PEEP_SET)
CHARTED = (Quantity.COMPLIANCE_STATIC, Quantity.COMPLIANCE_DYNAMIC)

LEAST_COMPLIANCE, LARGEST_COMPLIANCE = 3.0, 200.0
"""Range of an adult's respiratory system, generously [mL/cmH2O]; a value beyond it is a mistake of unit or of entry.
This project's choice."""

COVERAGE = 0.8
"""A preferred source is taken when it covers this share of the steps that the best-covering source covers."""


@dataclass(frozen=True, slots=True)
class StepReadings:
    """All readings that fall into one step.

    Attributes:
        peep_readings: the PEEP readings that define the step, in order of time.
        by_quantity: the rest, each list in order of time.
    """

    peep_cmh2o: float
    peep_readings: tuple[Reading, ...]
    by_quantity: Mapping[Quantity, Sequence[Reading]]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How samples are made, the same for every step of a limb.

    Attributes:
        lead: pressure or charted compliance; one sample per reading of it.
        volume: tidal volume that goes with it; None for a charted compliance.
        baseline: total or intrinsic PEEP; None where set PEEP must stand for it.
    """

    lead: Quantity
    kind: ComplianceKind
    volume: Quantity | None
    baseline: Quantity | None


def choose_recipe(steps: Sequence[StepReadings], set_volumes: Sequence[Reading]) -> Recipe | None:
    """Choose the sources for a whole limb.

    Args:
        set_volumes: every tidal volume setting of the record in order of time; a setting holds until changed.

    Returns:
        The first recipe in order of preference that covers nearly as many steps as the best one; None if none
        covers any step.
    """
    covered: list[tuple[int, Quantity, Quantity | None]] = []
    for lead in KIND_OF_LEAD:
        volumes: tuple[Quantity | None, ...] = (None,) if lead in CHARTED else VOLUMES
        for volume in volumes:
            count = sum(
                1
                for step in steps
                if step.by_quantity.get(lead)
                and (
                    volume is None
                    or step.by_quantity.get(volume)
                    or (volume is Quantity.TIDAL_VOLUME_SET and set_volumes)
                )
            )
            if count:
                covered.append((count, lead, volume))
    if not covered:
        return None
    enough = COVERAGE * max(count for count, _, _ in covered)
    _, lead, volume = next(row for row in covered if row[0] >= enough)
    return Recipe(lead, KIND_OF_LEAD[lead], volume, _baseline(steps, lead))


def _baseline(steps: Sequence[StepReadings], lead: Quantity) -> Quantity | None:
    """Total or intrinsic PEEP, if known in every step that has a leading reading."""
    relevant = [step for step in steps if step.by_quantity.get(lead)]
    for quantity in (Quantity.PEEP_TOTAL, Quantity.PEEP_INTRINSIC):
        if all(step.by_quantity.get(quantity) for step in relevant):
            return quantity
    return None


def samples_of(
    step: StepReadings, recipe: Recipe, set_volumes: Sequence[Reading]
) -> tuple[list[Sample], list[Reading], list[tuple[Reading, Message]]]:
    """Make the samples of one step.

    Each leading reading is paired with the volume and the baseline of the same input resource or instant, else
    with the nearest in time within the step.

    Returns:
        The samples; the readings that they are made of; the leading readings that gave none, each with its reason.
    """
    samples: list[Sample] = []
    used: list[Reading] = []
    unused: list[tuple[Reading, Message]] = []
    volumes = _Partners.of(() if recipe.volume is None else step.by_quantity.get(recipe.volume, ()))
    baselines = _Partners.of(() if recipe.baseline is None else step.by_quantity.get(recipe.baseline, ()))
    peep_starts = [reading.start_s for reading in step.peep_readings]
    for lead in step.by_quantity.get(recipe.lead, ()):
        governing = step.peep_readings[max(bisect_right(peep_starts, lead.start_s) - 1, 0)]
        parts = [lead, governing]
        volume = pressure = volume_from = None
        baseline = step.peep_cmh2o
        held = baselines.nearest(lead)
        if held is not None:
            parts.append(held)
            baseline = held.value + (step.peep_cmh2o if recipe.baseline is Quantity.PEEP_INTRINSIC else 0.0)
        compliance = lead.value
        if recipe.volume is not None:
            paired = volumes.nearest(lead) or _setting_at(set_volumes, lead, recipe.volume)
            if paired is None:
                unused.append((lead, message("unused.no-tidal-volume")))
                continue
            parts.append(paired)
            volume = paired.value
            if recipe.volume is not Quantity.TIDAL_VOLUME_SET:
                volume_from = (paired.source, paired.start_s)
            pressure = _pressure(lead, step.peep_cmh2o, baseline)
            compliance = _compliance(recipe.kind, volume, pressure, baseline)
        if not LEAST_COMPLIANCE <= compliance <= LARGEST_COMPLIANCE:
            unused.append((lead, _impossible(lead, volume, baseline, compliance)))
            continue
        sources = tuple(dict.fromkeys([part.source for part in parts]))
        samples.append(Sample(compliance, volume, pressure, baseline, lead.at_s, sources, volume_from))
        used += parts
    return samples, used, unused


def _compliance(kind: ComplianceKind, volume_ml: float, pressure_cmh2o: float, baseline_cmh2o: float) -> float:
    """Static or dynamic compliance [mL/cmH2O]; zero where volume and pressures give none."""
    if volume_ml <= 0.0 or pressure_cmh2o <= baseline_cmh2o:
        return 0.0
    if kind.static:
        return static_compliance_ml_per_cmh2o(
            tidal_volume_ml=volume_ml, plateau_cmh2o=pressure_cmh2o, total_peep_cmh2o=baseline_cmh2o
        )
    return dynamic_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume_ml, peak_cmh2o=pressure_cmh2o, peep_cmh2o=baseline_cmh2o
    )


def _pressure(lead: Reading, peep_cmh2o: float, baseline_cmh2o: float) -> float:
    """Airway pressure at the end of inspiration that a leading reading stands for."""
    if lead.quantity is Quantity.DRIVING_PRESSURE:
        return baseline_cmh2o + lead.value  # plateau less total PEEP
    if lead.quantity is Quantity.PRESSURE_ABOVE_PEEP_SET:
        return peep_cmh2o + lead.value  # set above set PEEP
    return lead.value


def _impossible(lead: Reading, volume: float | None, baseline: float, compliance: float) -> Message:
    """Why a leading reading gives no compliance that a respiratory system could have."""
    possible = {"least": LEAST_COMPLIANCE, "largest": LARGEST_COMPLIANCE}
    if volume is None:
        return message("unused.impossible-charted", compliance=compliance, **possible)
    made_of = {"value": lead.value, "baseline_cmh2o": round(baseline, 1), "volume_ml": volume}
    if compliance == 0.0:
        return message("unused.gives-none", **made_of)
    return message("unused.impossible", compliance=f"{compliance:.3g}", **made_of, **possible)


@dataclass(frozen=True, slots=True)
class _Partners:
    """Readings of one quantity within one step, to be found by the reading that they go with."""

    by_source: Mapping[int, Reading]
    by_start: Mapping[float, Reading]
    in_order: Sequence[Reading]

    @classmethod
    def of(cls, readings: Sequence[Reading]) -> _Partners:
        return cls({r.source: r for r in readings}, {r.start_s: r for r in readings}, readings)

    def nearest(self, lead: Reading) -> Reading | None:
        """The one of the same input or instant or, failing that, nearest in time; None if there is none."""
        partner = self.by_source.get(lead.source) or self.by_start.get(lead.start_s)
        if partner is None and self.in_order:
            start_s = lead.start_s
            return min(self.in_order, key=lambda r: (abs(r.start_s - start_s), r.start_s, r.value))
        return partner


def _setting_at(set_volumes: Sequence[Reading], lead: Reading, volume: Quantity) -> Reading | None:
    """The tidal volume setting in force at the time of the leading reading."""
    if volume is not Quantity.TIDAL_VOLUME_SET or not set_volumes:
        return None
    index = bisect_right(set_volumes, lead.start_s, key=itemgetter(2)) - 1
    return set_volumes[index] if index >= 0 else None


def resolution_of(samples: Sequence[Sample], recipe: Recipe, leads: Sequence[float]) -> float:
    """Relative standard deviation of one compliance that comes from rounding of the charted values alone.

    A value rounded to a quantum q carries a uniform error of standard deviation q divided by the square root of 12.

    Args:
        leads: the leading values as read (pressure [cmH2O] or compliance [mL/cmH2O]).
    """
    if not samples or not leads:
        return 0.0
    if recipe.volume is None:
        middle = sorted(leads)[len(leads) // 2]
        return _quantum(leads, (1.0, 0.5, 0.1)) / 12**0.5 / middle
    above = [s.tidal_volume_ml / s.compliance_ml_per_cmh2o for s in samples if s.tidal_volume_ml]
    volumes = [s.tidal_volume_ml for s in samples if s.tidal_volume_ml]
    pressure_part = _quantum(leads, (1.0, 0.5, 0.1)) / 12**0.5 / sorted(above)[len(above) // 2]
    volume_part = _quantum(volumes, (50.0, 10.0, 5.0, 1.0)) / 12**0.5 / sorted(volumes)[len(volumes) // 2]
    return hypot(pressure_part, volume_part)


def _quantum(values: Sequence[float], quanta: Sequence[float]) -> float:
    """The coarsest of the quanta that all values are multiples of; 0 if none, or if all values are the same."""
    first = values[0]
    if all(value == first for value in values):
        return 0.0
    for quantum in quanta:
        if all(abs(value / quantum - round(value / quantum)) < 1e-6 for value in values):
            return quantum
    return 0.0


PRESSURE_DIFFERENCE_CMH2O = 1.0
"""A pressure that must not lie below another is remarked on from this difference on: charts round. Our choice."""

CHARTED_DIFFERENCE = 0.2
"""Relative difference between a charted and a computed value that is worth a remark. Our choice."""

LEAK = 0.15
"""Expired volume short of inspired by more than this share over the limb: a leak is likely. Our choice."""


def contradictions(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    """All contradictions along the limb, in a fixed order."""
    yield from _plateau_above_peak(steps)
    yield from _total_below_set(steps)
    yield from _leak(limb)
    if recipe.volume is not None:
        charted = Quantity.COMPLIANCE_STATIC if recipe.kind.static else Quantity.COMPLIANCE_DYNAMIC
        computed = {step.peep_cmh2o: step.compliance_ml_per_cmh2o for step in steps}
        yield from _charted(limb, charted, computed, "charted-compliance-differs")
    if recipe.lead is Quantity.PLATEAU_PRESSURE:
        driving = {s.peep_cmh2o: s.driving_pressure_cmh2o for s in steps if s.driving_pressure_cmh2o is not None}
        yield from _charted(limb, Quantity.DRIVING_PRESSURE, driving, "charted-driving-pressure-differs")
    if recipe.lead is Quantity.COMPLIANCE_STATIC:
        yield from _static_against_peak(limb, steps)


def plateau_above_peak(step: Step) -> bool:
    """Whether plateau pressure lies above peak pressure by more than rounding.

    Args:
        step: with the pressures that it was read at.
    """
    plateau, peak = step.plateau_cmh2o, step.peak_cmh2o
    return plateau is not None and peak is not None and plateau > peak + PRESSURE_DIFFERENCE_CMH2O


def _plateau_above_peak(steps: Sequence[Step]) -> Iterator[Observed]:
    wrong = [step for step in steps if plateau_above_peak(step)]
    if wrong:
        sentence = message("observed.plateau-above-peak", peeps_cmh2o=_levels(wrong))
        yield Observed("plateau-above-peak", sentence, wrong[0].start_s, wrong[0].peep_cmh2o)


def _total_below_set(steps: Sequence[Step]) -> Iterator[Observed]:
    wrong = [step for step in steps if step.baseline_cmh2o < step.peep_cmh2o - PRESSURE_DIFFERENCE_CMH2O]
    if wrong:
        sentence = message("observed.total-peep-below-set", peeps_cmh2o=_levels(wrong))
        yield Observed("total-peep-below-set", sentence, wrong[0].start_s, wrong[0].peep_cmh2o)


def _leak(limb: Sequence[StepReadings]) -> Iterator[Observed]:
    expired, inspired = (
        [reading.value for step in limb for reading in step.by_quantity.get(quantity, ())]
        for quantity in (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_INSPIRED)
    )
    if expired and inspired and median(expired) < (1 - LEAK) * median(inspired):
        share = 100 * (1 - median(expired) / median(inspired))
        sentence = message("observed.leak-likely", share_percent=round(share))
        first = limb[0]
        yield Observed("leak-likely", sentence, first.peep_readings[0].start_s, first.peep_cmh2o)


def _charted(
    limb: Sequence[StepReadings], quantity: Quantity, computed: dict[float, float], slug: str
) -> Iterator[Observed]:
    for step in limb:
        readings = step.by_quantity.get(quantity)
        value = computed.get(step.peep_cmh2o)
        if not readings or value is None:
            continue
        charted = median(reading.value for reading in readings)
        if abs(charted - value) > CHARTED_DIFFERENCE * value:
            yield Observed(
                slug,
                message(
                    f"observed.{slug}",
                    peep_cmh2o=round(step.peep_cmh2o, 1),
                    charted=f"{charted:.1f}",
                    computed=f"{value:.1f}",
                ),
                readings[0].start_s,
                step.peep_cmh2o,
            )


def _static_against_peak(limb: Sequence[StepReadings], steps: Sequence[Step]) -> Iterator[Observed]:
    """Static compliance can exceed volume over peak pressure by what resistance takes, and not by any amount."""
    charted = {step.peep_cmh2o: step.compliance_ml_per_cmh2o for step in steps}
    for step in limb:
        volumes = step.by_quantity.get(Quantity.TIDAL_VOLUME_EXPIRED) or step.by_quantity.get(
            Quantity.TIDAL_VOLUME_UNSTATED
        )
        peaks = step.by_quantity.get(Quantity.PEAK_PRESSURE)
        if not volumes or not peaks or step.peep_cmh2o not in charted:
            continue
        above = median(reading.value for reading in peaks) - step.peep_cmh2o
        dynamic = median(reading.value for reading in volumes) / above if above > 0 else 0.0
        if dynamic and not 0.9 <= charted[step.peep_cmh2o] / dynamic <= 2.0:
            yield Observed(
                "charted-compliance-differs",
                message(
                    "observed.charted-compliance-against-peak",
                    peep_cmh2o=round(step.peep_cmh2o, 1),
                    charted=f"{charted[step.peep_cmh2o]:.1f}",
                    dynamic=f"{dynamic:.1f}",
                ),
                peaks[0].start_s,
                step.peep_cmh2o,
            )


def _levels(steps: Sequence[Step]) -> Value:
    return joined("commas", [round(step.peep_cmh2o, 1) for step in steps])
