"""Reading a trial: its steps, which readings belong to each, which may be compared, and what else a reader must know.

From readings in any order to the steps of one decremental limb. Every reading is either used, or listed with the
reason why not.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from statistics import median

from ebbmark.physiology.findings import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.artefacts import dropped_leads, odd_readings, odd_remarks, settled_from_s
from ebbmark.physiology.trial.curve import (
    Recipe,
    StepReadings,
    choose_recipe,
    contradictions,
    resolution_of,
    samples_of,
)
from ebbmark.physiology.trial.limb import PeepLevel, contradicted_settings, fewest_steps, find_limb, peep_levels
from ebbmark.physiology.trial.steps import ComplianceKind, NoTrial, NoTrialReason, Observed, Sample, Step, Trial, Unused

VOLUME_SPREAD = 1.3
"""Largest over smallest tidal volume of the steps beyond which curves are hard to compare. Our choice."""


def remarks(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> tuple[Observed, ...]:
    """All remarks about the limb, in a fixed order.

    Args:
        limb: the readings of every step, those without a usable compliance included.
    """
    return (
        *_steps_without_compliance(limb, steps),
        *_sources(steps, recipe),
        *_intrinsic_peep(limb, recipe, steps),
        *_tidal_volume(steps),
    )


def unsettled_remark(steps: Sequence[Step], protocol: Protocol) -> Iterator[Observed]:
    """Name the steps in which every reading was taken while the lung was still settling."""
    if steps:
        levels = joined("commas", [round(step.peep_cmh2o, 1) for step in steps])
        sentence = message("observed.unsettled-steps", peeps_cmh2o=levels, settling_s=protocol.settling_s)
        levels_cmh2o = tuple(step.peep_cmh2o for step in steps)
        yield Observed("unsettled-steps", sentence, steps[0].start_s, steps[0].peep_cmh2o, levels_cmh2o)


def _steps_without_compliance(limb: Sequence[StepReadings], steps: Sequence[Step]) -> Iterator[Observed]:
    have = {step.peep_cmh2o for step in steps}
    for step in limb:
        if step.peep_cmh2o not in have:
            yield Observed(
                "step-without-compliance",
                message("observed.step-without-compliance", peep_cmh2o=round(step.peep_cmh2o, 1)),
                step.peep_readings[0].start_s,
                step.peep_cmh2o,
            )


def _sources(steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    first = steps[0]
    seen = [
        ("volume-side-not-stated", recipe.volume is Quantity.TIDAL_VOLUME_UNSTATED),
        ("tidal-volume-as-set", recipe.volume is Quantity.TIDAL_VOLUME_SET),
        ("compliance-as-charted", recipe.volume is None),
        ("driving-pressure-as-charted", recipe.kind is ComplianceKind.STATIC_FROM_DRIVING_PRESSURE),
    ]
    for slug, so in seen:
        if so:
            yield Observed(slug, message(f"observed.{slug}"), first.start_s, first.peep_cmh2o)


def _intrinsic_peep(limb: Sequence[StepReadings], recipe: Recipe, steps: Sequence[Step]) -> Iterator[Observed]:
    if recipe.baseline is not None:
        return
    known = sum(
        1 for step in limb if step.by_quantity.get(Quantity.PEEP_TOTAL) or step.by_quantity.get(Quantity.PEEP_INTRINSIC)
    )
    if known:
        sentence = message("observed.intrinsic-peep-partly-known", known=known, count=len(limb))
        yield Observed("intrinsic-peep-partly-known", sentence, steps[0].start_s, steps[0].peep_cmh2o)


def _tidal_volume(steps: Sequence[Step]) -> Iterator[Observed]:
    volumes = [step.tidal_volume_ml for step in steps if step.tidal_volume_ml]
    if volumes and max(volumes) > VOLUME_SPREAD * min(volumes):
        smallest, largest = round(min(volumes)), round(max(volumes))
        sentence = message("observed.tidal-volume-varies", smallest_ml=smallest, largest_ml=largest)
        yield Observed("tidal-volume-varies", sentence, steps[0].start_s, steps[0].peep_cmh2o)


RATES = (Quantity.RESPIRATORY_RATE_SET, Quantity.RESPIRATORY_RATE)
"""Of these the latest value before the limb ended serves the expected power."""

CONTROLLED = (Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.TIDAL_VOLUME_SET)
"""Settings that tell what the ventilator controls; the curve may be made of them too."""

_CONTRADICTED = message("unused.setting-contradicted")
_OUTSIDE = message("unused.outside-limb")
_NO_STEP = message("unused.before-peep")
_BEFORE = message("unused.before-limb")
_AFTER = message("unused.after-limb")
_ALONE = message("unused.without-pressure")
_NOT_OF_CURVE = {kind: message("unused.not-of-curve", kind=kind.slug) for kind in ComplianceKind}

Readings = dict[Quantity, list[Reading]]


def read_trial(readings: Sequence[Reading], protocol: Protocol) -> Trial | NoTrial:
    """Turn readings in any order into the steps of a decremental limb.

    Args:
        protocol: what counts as a step, when a reading has settled, how many steps are needed.
    """
    by_quantity: Readings = {}
    for reading in readings:
        by_quantity.setdefault(reading.quantity, []).append(reading)
    for group in by_quantity.values():
        group.sort(key=itemgetter(2, 1))  # by start, then value: the order received must not matter
    peep = Quantity.PEEP_SET if Quantity.PEEP_SET in by_quantity else Quantity.PEEP_MEASURED
    peeps = by_quantity.pop(peep, [])
    odd = contradicted_settings(peeps, by_quantity.get(Quantity.PEEP_MEASURED, ()))
    reasons: dict[int, Message] = {id(one): _CONTRADICTED for one in odd}
    levels = peep_levels([one for one in peeps if id(one) not in reasons])
    placed, last_reading_s = _place(by_quantity, levels)
    found = find_limb(levels, last_reading_s, protocol)
    if isinstance(found, NoTrial):
        return found
    (first, last), seen = found
    stretch = slice(first, last + 1)
    limb = [
        StepReadings(level.peep_cmh2o, level.readings, groups)
        for level, groups in zip(levels[stretch], placed[stretch], strict=True)
    ]
    set_volumes = by_quantity.get(Quantity.TIDAL_VOLUME_SET, [])
    recipe = choose_recipe(limb, set_volumes)
    if recipe is None:
        return _no_compliance(0, len(limb), protocol)
    cuts = odd_readings(limb, recipe.lead)
    steps: list[Step] = []
    unsettled: list[Step] = []
    leads: list[float] = []
    used: set[int] = set()
    for index, (step, level) in enumerate(zip(limb, levels[stretch], strict=True)):
        led = step.by_quantity.get(recipe.lead, ())
        settled_s = settled_from_s(step, led, last_reading_s[first + index - 1] if first + index else None, protocol)
        dropped = dropped_leads(
            limb, index, recipe, cuts[index], _span(level, index, limb, protocol), settled_s, protocol
        )
        reasons.update((id(reading), reason) for reading, reason in dropped)
        kept = [reading for reading in led if id(reading) not in reasons]
        cleaned = StepReadings(step.peep_cmh2o, step.peep_readings, {**step.by_quantity, recipe.lead: kept})
        samples, made_of, failed = samples_of(cleaned, recipe, set_volumes)
        reasons.update((id(reading), reason) for reading, reason in failed)
        used.update(map(id, step.peep_readings))
        if samples:
            peaks = step.by_quantity.get(Quantity.PEAK_PRESSURE, ())
            used.update(map(id, made_of))
            used.update(map(id, peaks))
            steps.append(_step(step, recipe, samples, peaks, _span(level, index, limb, protocol)[1]))
            leads += [reading.value for reading in kept]
            if all(sample.at_s < settled_s for sample in samples):
                unsettled.append(steps[-1])
    if len(steps) < fewest_steps(protocol):
        return _no_compliance(len(steps), len(limb), protocol)
    context = _context(by_quantity, levels[first].start_s, steps[-1].end_s, protocol)
    used.update(map(id, context.values()))
    starts = [level.start_s for level in levels]
    return Trial(
        steps=tuple(steps),
        kind=recipe.kind,
        resolution=resolution_of([sample for step in steps for sample in step.samples], recipe, leads),
        peep_source="set" if peep is Quantity.PEEP_SET else "measured",
        observed=(
            *seen,
            *odd_remarks(limb, cuts),
            *remarks(limb, steps, recipe),
            *contradictions(limb, steps, recipe),
            *unsettled_remark(unsettled, protocol),
        ),
        context=context,
        unused=tuple(
            Unused(reading, reasons.get(id(reading)) or _why_unused(reading, peep, starts, (first, last), recipe))
            for reading in readings
            if id(reading) not in used
        ),
        total_peep_known=recipe.baseline is not None,
    )


def _context(
    by_quantity: Mapping[Quantity, Sequence[Reading]], start_s: float, end_s: float, protocol: Protocol
) -> dict[str, Reading]:
    """Rate and controlled settings in force at the limb: a setting holds until changed, a measurement passes."""
    context: dict[str, Reading] = {}
    for quantity in (*RATES, *CONTROLLED):
        earliest_s = start_s - protocol.longest_step_s if quantity is Quantity.RESPIRATORY_RATE else float("-inf")
        in_force = [r for r in by_quantity.get(quantity, ()) if earliest_s <= r.start_s <= end_s]
        if in_force:
            context[quantity.slug] = in_force[-1]
    return context


def _place(
    by_quantity: Mapping[Quantity, Sequence[Reading]], levels: Sequence[PeepLevel]
) -> tuple[list[Readings], list[float]]:
    """Put every reading into the stretch of PEEP in which its middle lies; also the last time seen in each."""
    starts = [level.start_s for level in levels]
    placed: list[Readings] = [{} for _ in levels]
    last_s = [level.readings[-1].end_s for level in levels]
    for quantity, group in by_quantity.items():
        for reading in group:
            at_s = 0.5 * (reading.start_s + reading.end_s)
            index = bisect_right(starts, at_s) - 1
            if index >= 0:
                placed[index].setdefault(quantity, []).append(reading)
                if at_s > last_s[index]:
                    last_s[index] = at_s
    return placed, last_s


def _why_unused(
    reading: Reading, peep: Quantity, starts: Sequence[float], limb: tuple[int, int], recipe: Recipe
) -> Message:
    """Why a reading is in no sample, where no better reason was given."""
    if reading.quantity is peep:
        return _OUTSIDE
    index = bisect_right(starts, reading.at_s) - 1
    if index < 0:
        return _NO_STEP
    if index < limb[0]:
        return _BEFORE
    if index > limb[1]:
        return _AFTER
    if reading.quantity in (recipe.volume, recipe.baseline):
        return _ALONE
    return _NOT_OF_CURVE[recipe.kind]


def _span(level: PeepLevel, index: int, limb: Sequence[StepReadings], protocol: Protocol) -> tuple[float, float]:
    """Earliest and latest time at which a reading of this step still belongs to the trial."""
    earliest = level.until_s - protocol.longest_step_s if index == 0 else level.start_s
    last = index == len(limb) - 1
    latest = min(level.until_s, level.start_s + protocol.longest_step_s) if last else level.until_s
    return earliest, latest


def _step(
    step: StepReadings,
    recipe: Recipe,
    samples: Sequence[Sample],
    peak_readings: Sequence[Reading],
    until_s: float,
) -> Step:
    """Medians over the samples of one step."""
    volumes = [sample.tidal_volume_ml for sample in samples if sample.tidal_volume_ml is not None]
    pressures = [sample.pressure_cmh2o for sample in samples if sample.pressure_cmh2o is not None]
    above = [sample.pressure_cmh2o - sample.baseline_cmh2o for sample in samples if sample.pressure_cmh2o is not None]
    static = recipe.kind.static
    peaks = [reading.value for reading in peak_readings]
    sources = [source for sample in samples for source in sample.sources]
    sources += [reading.source for reading in (*step.peep_readings, *peak_readings)]
    return Step(
        peep_cmh2o=step.peep_cmh2o,
        start_s=min(step.peep_readings[0].start_s, samples[0].at_s),
        end_s=max(sample.at_s for sample in samples),
        samples=tuple(samples),
        compliance_ml_per_cmh2o=median(sample.compliance_ml_per_cmh2o for sample in samples),
        tidal_volume_ml=median(volumes) if volumes else None,
        plateau_cmh2o=median(pressures) if static and pressures else _measured_plateau(step),
        peak_cmh2o=median(peaks) if peaks else (median(pressures) if pressures and not static else None),
        driving_pressure_cmh2o=median(above) if static and above else None,
        baseline_cmh2o=median(sample.baseline_cmh2o for sample in samples),
        sources=tuple(dict.fromkeys(sources)),
        until_s=until_s,
    )


def _measured_plateau(step: StepReadings) -> float | None:
    """A plateau that was measured at a step whose curve is made of something else."""
    measured = [reading.value for reading in step.by_quantity.get(Quantity.PLATEAU_PRESSURE, ())]
    return median(measured) if measured else None


def _no_compliance(usable: int, steps: int, protocol: Protocol) -> NoTrial:
    """Say that too few steps have a compliance, and what one needs."""
    return NoTrial(
        NoTrialReason.NO_COMPLIANCE,
        message("no-trial.no-compliance", usable=usable, count=steps),
        message("no-trial.compliance-needed", least=protocol.minimum_steps),
    )
