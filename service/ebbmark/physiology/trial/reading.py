"""Reading a trial: from readings in any order to the steps of one limb, and what else a reader must know of it.

Every reading is either used, or listed with the reason why not.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from statistics import median

from ebbmark.physiology.findings import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.curve import (
    choose_recipe,
    dropped_leads,
    odd_readings,
    odd_remarks,
    resolution_of,
    samples_of,
    settled_from_s,
)
from ebbmark.physiology.trial.limb import PeepLevel, contradicted_settings, fewest_steps, find_limb, peep_levels
from ebbmark.physiology.trial.steps import (
    LEAK,
    PRESSURE_DIFFERENCE_CMH2O,
    ComplianceKind,
    NoTrial,
    NoTrialReason,
    Observed,
    Recipe,
    Sample,
    Step,
    StepReadings,
    Trial,
    Unused,
    observed,
)

VOLUME_SPREAD = 1.3
"""Largest over smallest tidal volume of the steps beyond which curves are hard to compare. Our choice."""

CHARTED_DIFFERENCE = 0.2
"""Relative difference between a charted and a computed value that is worth a remark. Our choice."""

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
    levels = peep_levels([peep for peep in peeps if id(peep) not in reasons])
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
        span_s = _span(level, index, limb, protocol)
        settled_s = settled_from_s(step, led, last_reading_s[first + index - 1] if first + index else None, protocol)
        dropped = dropped_leads(limb, index, recipe, cuts[index], span_s, settled_s, protocol)
        reasons.update((id(reading), reason) for reading, reason in dropped)
        kept = [reading for reading in led if id(reading) not in reasons]
        samples, made_of, failed = samples_of(step, kept, recipe, set_volumes)
        reasons.update((id(reading), reason) for reading, reason in failed)
        used.update(map(id, step.peep_readings))
        if samples:
            peaks = step.by_quantity.get(Quantity.PEAK_PRESSURE, ())
            used.update(map(id, made_of))
            used.update(map(id, peaks))
            steps.append(_step(step, recipe, samples, peaks, span_s[1]))
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
            *_remarks(limb, steps, recipe),
            *_contradictions(limb, steps, recipe),
            *_unsettled(unsettled, protocol),
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
    step: StepReadings, recipe: Recipe, samples: Sequence[Sample], peak_readings: Sequence[Reading], until_s: float
) -> Step:
    """Medians over the samples of one step."""
    pressures, volumes, baselines = [], [], []
    for sample in samples:
        baselines.append(sample.baseline_cmh2o)
        if sample.tidal_volume_ml is not None:
            volumes.append(sample.tidal_volume_ml)
        if sample.pressure_cmh2o is not None:
            pressures.append(sample.pressure_cmh2o)
    static = recipe.kind.static
    above = [one - baseline for one, baseline in zip(pressures, baselines, strict=False)] if static else []
    plateaus = pressures if static else []
    peaks = [reading.value for reading in peak_readings] or ([] if static else pressures)
    sources = [source for sample in samples for source in sample.sources]
    sources += [reading.source for reading in (*step.peep_readings, *peak_readings)]
    return Step(
        peep_cmh2o=step.peep_cmh2o,
        start_s=min(step.peep_readings[0].start_s, samples[0].at_s),
        end_s=max([sample.at_s for sample in samples]),
        samples=tuple(samples),
        compliance_ml_per_cmh2o=median([sample.compliance_ml_per_cmh2o for sample in samples]),
        tidal_volume_ml=_middle(volumes),
        # A plateau may have been measured at a step whose curve is made of something else.
        plateau_cmh2o=_middle(plateaus or [one.value for one in step.by_quantity.get(Quantity.PLATEAU_PRESSURE, ())]),
        peak_cmh2o=_middle(peaks),
        driving_pressure_cmh2o=_middle(above),
        baseline_cmh2o=median(baselines),
        sources=tuple(dict.fromkeys(sources)),
        until_s=until_s,
    )


def _middle(values: Sequence[float]) -> float | None:
    return median(values) if values else None


def _no_compliance(usable: int, steps: int, protocol: Protocol) -> NoTrial:
    """Say that too few steps have a compliance, and what one needs."""
    return NoTrial(
        NoTrialReason.NO_COMPLIANCE,
        message("no-trial.no-compliance", usable=usable, count=steps),
        message("no-trial.compliance-needed", least=protocol.minimum_steps),
    )


def _remarks(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    """How the curve was made, in a fixed order.

    Args:
        limb: the readings of every step, those without a usable compliance included.
    """
    have = {step.peep_cmh2o for step in steps}
    for one in limb:
        peep = one.peep_cmh2o
        if peep not in have:
            yield observed("step-without-compliance", one.peep_readings[0].start_s, peep, peep_cmh2o=round(peep, 1))
    top = steps[0].start_s, steps[0].peep_cmh2o
    for slug, so in (
        ("volume-side-not-stated", recipe.volume is Quantity.TIDAL_VOLUME_UNSTATED),
        ("tidal-volume-as-set", recipe.volume is Quantity.TIDAL_VOLUME_SET),
        ("compliance-as-charted", recipe.volume is None),
        ("driving-pressure-as-charted", recipe.kind is ComplianceKind.STATIC_FROM_DRIVING_PRESSURE),
    ):
        if so:
            yield observed(slug, *top)
    if recipe.baseline is None:
        totals = (Quantity.PEEP_TOTAL, Quantity.PEEP_INTRINSIC)
        known = sum(any(step.by_quantity.get(quantity) for quantity in totals) for step in limb)
        if known:
            yield observed("intrinsic-peep-partly-known", *top, known=known, count=len(limb))
    volumes = [step.tidal_volume_ml for step in steps if step.tidal_volume_ml]
    if volumes and max(volumes) > VOLUME_SPREAD * min(volumes):
        smallest, largest = round(min(volumes)), round(max(volumes))
        yield observed("tidal-volume-varies", *top, smallest_ml=smallest, largest_ml=largest)


def _contradictions(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    """Readings along the limb that contradict one another, in a fixed order."""
    above = [step for step in steps if step.plateau_above_peak]
    below = [step for step in steps if step.baseline_cmh2o < step.peep_cmh2o - PRESSURE_DIFFERENCE_CMH2O]
    for slug, wrong in (("plateau-above-peak", above), ("total-peep-below-set", below)):
        if wrong:
            levels = joined("commas", [round(step.peep_cmh2o, 1) for step in wrong])
            yield observed(slug, wrong[0].start_s, wrong[0].peep_cmh2o, peeps_cmh2o=levels)
    expired, inspired = (
        [reading.value for step in limb for reading in step.by_quantity.get(quantity, ())]
        for quantity in (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_INSPIRED)
    )
    if expired and inspired and median(expired) < (1 - LEAK) * median(inspired):
        share = 100 * (1 - median(expired) / median(inspired))
        top = limb[0].peep_readings[0].start_s, limb[0].peep_cmh2o
        yield observed("leak-likely", *top, share_percent=round(share))
    computed = {step.peep_cmh2o: step.compliance_ml_per_cmh2o for step in steps}
    if recipe.volume is not None:
        charted = Quantity.COMPLIANCE_STATIC if recipe.kind.static else Quantity.COMPLIANCE_DYNAMIC
        yield from _charted(limb, charted, computed, "charted-compliance-differs")
    if recipe.lead is Quantity.PLATEAU_PRESSURE:
        driving = {s.peep_cmh2o: s.driving_pressure_cmh2o for s in steps if s.driving_pressure_cmh2o is not None}
        yield from _charted(limb, Quantity.DRIVING_PRESSURE, driving, "charted-driving-pressure-differs")
    if recipe.lead is Quantity.COMPLIANCE_STATIC:
        yield from _static_against_peak(limb, computed)


def _charted(
    limb: Sequence[StepReadings], quantity: Quantity, computed: Mapping[float, float], slug: str
) -> Iterator[Observed]:
    for step in limb:
        readings, peep = step.by_quantity.get(quantity), step.peep_cmh2o
        value = computed.get(peep)
        if not readings or value is None:
            continue
        charted = median([reading.value for reading in readings])
        if abs(charted - value) > CHARTED_DIFFERENCE * value:
            shown = {"charted": f"{charted:.1f}", "computed": f"{value:.1f}"}
            yield observed(slug, readings[0].start_s, peep, peep_cmh2o=round(peep, 1), **shown)


def _static_against_peak(limb: Sequence[StepReadings], compliances: Mapping[float, float]) -> Iterator[Observed]:
    """Static compliance can exceed volume over peak pressure by what resistance takes, and not by any amount."""
    for step in limb:
        volumes = step.by_quantity.get(Quantity.TIDAL_VOLUME_EXPIRED) or step.by_quantity.get(
            Quantity.TIDAL_VOLUME_UNSTATED
        )
        peaks, charted = step.by_quantity.get(Quantity.PEAK_PRESSURE), compliances.get(step.peep_cmh2o)
        if not volumes or not peaks or charted is None:
            continue
        above = median([reading.value for reading in peaks]) - step.peep_cmh2o
        dynamic = median([reading.value for reading in volumes]) / above if above > 0 else 0.0
        if dynamic and not 0.9 <= charted / dynamic <= 2.0:
            peep, shown = round(step.peep_cmh2o, 1), {"charted": f"{charted:.1f}", "dynamic": f"{dynamic:.1f}"}
            sentence = message("observed.charted-compliance-against-peak", peep_cmh2o=peep, **shown)
            yield Observed("charted-compliance-differs", sentence, peaks[0].start_s, step.peep_cmh2o)


def _unsettled(steps: Sequence[Step], protocol: Protocol) -> Iterator[Observed]:
    """Name the steps in which every reading was taken while the lung was still settling."""
    if steps:
        levels = tuple(step.peep_cmh2o for step in steps)
        shown = joined("commas", [round(level, 1) for level in levels])
        sentence = message("observed.unsettled-steps", peeps_cmh2o=shown, settling_s=protocol.settling_s)
        yield Observed("unsettled-steps", sentence, steps[0].start_s, levels[0], levels)
