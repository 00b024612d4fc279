"""Which steps did this trial have, which readings belong to each, and which of them may be compared?

From readings in any order to the steps of the latest decremental limb. Every reading is either used, or listed with
the reason why not.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from statistics import median

from ebbmark.physiology.artefacts import cut_off_times, disconnection_remarks, dropped_leads
from ebbmark.physiology.curve import Recipe, StepReadings, choose_recipe, resolution_of, samples_of
from ebbmark.physiology.limb import Plateau, find_limb, peep_plateaus
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.remarks import remarks
from ebbmark.physiology.steps import (
    ComplianceKind,
    NoTrial,
    NoTrialReason,
    Observed,
    Sample,
    Step,
    Trial,
    Unused,
)

__all__ = [
    "ComplianceKind",
    "NoTrial",
    "NoTrialReason",
    "Observed",
    "Sample",
    "Step",
    "Trial",
    "Unused",
    "read_trial",
]

CONTEXT = (
    Quantity.RESPIRATORY_RATE,
    Quantity.RESPIRATORY_RATE_SET,
    Quantity.MINUTE_VOLUME_EXPIRED,
    Quantity.FIO2_SET,
    Quantity.FIO2_MEASURED,
    Quantity.SPO2,
    Quantity.PAO2,
    Quantity.PACO2,
)
"""Quantities of which the latest value serves derived numbers, wherever in the record it lies."""

CONTROLLED = (Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.TIDAL_VOLUME_SET)
"""Settings that tell what the ventilator controls; they stay among the readings, which the curve may be made of."""

CHECKED = frozenset({Quantity.PEEP_MEASURED, Quantity.COMPLIANCE_STATIC, Quantity.COMPLIANCE_DYNAMIC})
"""Quantities that are compared with the curve even where it is not made of them."""

Readings = dict[Quantity, list[Reading]]


def read_trial(readings: Sequence[Reading], protocol: Protocol) -> Trial | NoTrial:
    """Turn readings in any order into the steps of the latest decremental limb.

    Args:
        readings: all usable readings of one patient.
        protocol: what counts as a step, when a reading has settled, how many steps are needed.

    Returns:
        The trial, or why the readings hold none.
    """
    by_quantity: Readings = {}
    for reading in readings:
        by_quantity.setdefault(reading.quantity, []).append(reading)
    for group in by_quantity.values():
        group.sort(key=itemgetter(2, 1))  # by start, then value: the order received must not matter
    peep = Quantity.PEEP_SET if Quantity.PEEP_SET in by_quantity else Quantity.PEEP_MEASURED
    plateaus = peep_plateaus(by_quantity.pop(peep, []))
    unused: list[Unused] = []
    context = _take_context(by_quantity, unused)
    placed, last_reading_s = _place(by_quantity, plateaus, unused)

    found = find_limb(plateaus, last_reading_s, protocol)
    if isinstance(found, NoTrial):
        return found
    (first, last), seen = found
    for index, groups in enumerate(placed):
        if not first <= index <= last:
            where = "before the decremental limb began" if index < first else "after the decremental limb ended"
            unused += [Unused(reading, where) for group in groups.values() for reading in group]
    stretch = slice(first, last + 1)
    limb = [
        StepReadings(plateau.peep_cmh2o, plateau.readings, groups)
        for plateau, groups in zip(plateaus[stretch], placed[stretch], strict=True)
    ]
    set_volumes = by_quantity.get(Quantity.TIDAL_VOLUME_SET, [])
    recipe = choose_recipe(limb, set_volumes)
    if recipe is None:
        return _no_compliance(0, len(limb), protocol)
    cuts = cut_off_times(limb)
    steps: list[Step] = []
    leads: list[float] = []
    for index, (step, plateau) in enumerate(zip(limb, plateaus[stretch], strict=True)):
        before_s = last_reading_s[first + index - 1] if first + index else None
        span_s = _span(plateau, index, limb, protocol)
        dropped = dropped_leads(limb, index, recipe, cuts[index], span_s, before_s, protocol)
        gone = {id(reading) for reading, _ in dropped}
        kept = [reading for reading in step.by_quantity.get(recipe.lead, ()) if id(reading) not in gone]
        cleaned = StepReadings(step.peep_cmh2o, step.peep_readings, {**step.by_quantity, recipe.lead: kept})
        samples, failed = samples_of(cleaned, recipe, set_volumes)
        unused += [Unused(reading, reason) for reading, reason in dropped + failed]
        unused += _left_over(step, recipe, samples)
        if samples:
            steps.append(_step(step, recipe, samples))
            leads += [reading.value for reading in kept]
    if len(steps) < protocol.minimum_steps:
        return _no_compliance(len(steps), len(limb), protocol)
    return Trial(
        steps=tuple(steps),
        kind=recipe.kind,
        resolution=resolution_of([sample for step in steps for sample in step.samples], recipe, leads),
        peep_source="set" if peep is Quantity.PEEP_SET else "measured",
        observed=seen + disconnection_remarks(limb, cuts) + remarks(limb, steps, recipe),
        context=context,
        unused=tuple(unused),
    )


def _take_context(by_quantity: Readings, unused: list[Unused]) -> dict[str, Reading]:
    """Take the latest value of each context quantity out of the readings; earlier ones are listed as unused."""
    context: dict[str, Reading] = {}
    for quantity in CONTEXT:
        group = by_quantity.pop(quantity, None)
        if group:
            context[quantity.slug] = group[-1]
            unused += [Unused(reading, "a later value of the same quantity counts") for reading in group[:-1]]
    for quantity in CONTROLLED:
        if quantity in by_quantity:
            context[quantity.slug] = by_quantity[quantity][-1]
    return context


def _place(
    by_quantity: Mapping[Quantity, Sequence[Reading]], plateaus: Sequence[Plateau], unused: list[Unused]
) -> tuple[list[Readings], list[float]]:
    """Put every reading into the stretch of PEEP in which its middle lies; also the last time seen in each."""
    starts = [plateau.start_s for plateau in plateaus]
    placed: list[Readings] = [{} for _ in plateaus]
    last_s = [plateau.readings[-1].end_s for plateau in plateaus]
    for quantity, group in by_quantity.items():
        for reading in group:
            at_s = 0.5 * (reading.start_s + reading.end_s)
            index = bisect_right(starts, at_s) - 1
            if index < 0:
                unused.append(Unused(reading, "before the first PEEP reading, so its step is not known"))
                continue
            placed[index].setdefault(quantity, []).append(reading)
            if at_s > last_s[index]:
                last_s[index] = at_s
    return placed, last_s


def _span(plateau: Plateau, index: int, limb: Sequence[StepReadings], protocol: Protocol) -> tuple[float, float]:
    """Earliest and latest time at which a reading of this step still belongs to the trial."""
    earliest = plateau.until_s - protocol.longest_step_s if index == 0 else plateau.start_s
    latest = plateau.start_s + protocol.longest_step_s if index == len(limb) - 1 else plateau.until_s
    return earliest, latest


def _left_over(step: StepReadings, recipe: Recipe, samples: Sequence[Sample]) -> Iterator[Unused]:
    """List the readings of a step that neither entered a sample nor are checked against the curve."""
    used = {source for sample in samples for source in sample.sources}
    for quantity, group in step.by_quantity.items():
        if (
            quantity is recipe.lead
            or quantity in CHECKED
            or quantity in (Quantity.PEAK_PRESSURE, Quantity.PRESSURE_ABOVE_PEEP_SET)
        ):
            continue
        needed = quantity in (recipe.volume, recipe.baseline)
        for reading in group:
            if not needed:
                yield Unused(reading, f"not needed: the curve is made as {recipe.kind.slug}")
            elif reading.source not in used:
                yield Unused(reading, "no pressure reading that counts goes with it")


def _step(step: StepReadings, recipe: Recipe, samples: Sequence[Sample]) -> Step:
    """Medians over the samples of one step."""
    volumes = [sample.tidal_volume_ml for sample in samples if sample.tidal_volume_ml is not None]
    pressures = [sample.pressure_cmh2o for sample in samples if sample.pressure_cmh2o is not None]
    above = [sample.pressure_cmh2o - sample.baseline_cmh2o for sample in samples if sample.pressure_cmh2o is not None]
    static = recipe.kind.static
    peaks = [reading.value for reading in step.by_quantity.get(Quantity.PEAK_PRESSURE, ())]
    return Step(
        peep_cmh2o=step.peep_cmh2o,
        start_s=min(step.peep_readings[0].start_s, samples[0].at_s),
        end_s=max(sample.at_s for sample in samples),
        samples=tuple(samples),
        compliance_ml_per_cmh2o=median(sample.compliance_ml_per_cmh2o for sample in samples),
        tidal_volume_ml=median(volumes) if volumes else None,
        plateau_cmh2o=median(pressures) if static and pressures else None,
        peak_cmh2o=median(peaks) if peaks else (median(pressures) if pressures and not static else None),
        driving_pressure_cmh2o=median(above) if static and above else None,
    )


def _no_compliance(usable: int, steps: int, protocol: Protocol) -> NoTrial:
    """Say that too few steps have a compliance, and what one needs."""
    return NoTrial(
        NoTrialReason.NO_COMPLIANCE,
        f"{usable} of {steps} steps of falling PEEP have a usable compliance",
        f"at least {protocol.minimum_steps} steps that each have tidal volume with plateau (or peak) pressure, or a "
        "charted compliance",
    )
