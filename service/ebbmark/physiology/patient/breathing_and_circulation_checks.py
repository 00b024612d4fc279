"""Checks of the patient along the limb: passive breathing, no trapped air, true pressures, gas, circulation."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from ebbmark.physiology.findings import (
    COMMON_PRACTICE,
    OWN_CHOICE,
    SOURCES,
    ChangeKind,
    Finding,
    Value,
    Weight,
    message,
)
from ebbmark.physiology.patient.context import StepSeen, TrialContext, finding_at
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.timeline import Rise, rises


def effort(context: TrialContext) -> Iterator[Finding]:
    """Support modes, triggered breaths and spontaneous breaths: compliance holds for a passive patient only."""
    yield from _charted_mode(context)
    source, limits, few = SOURCES["cairo-1"], context.limits, len(context.seen) < 3
    supported = [row for row, value in context.middles(Quantity.PRESSURE_SUPPORT_SET) if value > 0.0]
    measured = context.middles(Quantity.RESPIRATORY_RATE)
    triggered = [row for row, _ in measured if _rate_above_set(row) > limits.rate_above_set_per_min]
    passive = not triggered and any(value for _, value in context.lasts(Quantity.RESPIRATORY_RATE_SET))
    if supported and not passive:
        pressure = supported[0].last(Quantity.PRESSURE_SUPPORT_SET) or 0.0
        yield finding_at("pressure-support", supported, {"support_cmh2o": pressure}, source)
    if triggered:
        worst = max(triggered, key=_rate_above_set)
        values = {
            "measured_per_min": worst.middle(Quantity.RESPIRATORY_RATE) or 0.0,
            "set_per_min": worst.last(Quantity.RESPIRATORY_RATE_SET) or 0.0,
        }
        weight = Weight.LOOK_FIRST if len(triggered) > 1 or few else Weight.MODERATE
        yield finding_at("rate-above-set", triggered, values, source, weight)
    rates = context.middles(Quantity.RESPIRATORY_RATE_SPONTANEOUS)
    own = [row for row, value in rates if value > limits.spontaneous_per_min]
    if own:
        weight = Weight.LOOK_FIRST if len(own) > 1 or few else Weight.MODERATE
        fastest = {"spontaneous_per_min": max(value for _, value in rates)}
        yield finding_at("spontaneous-rate", own, fastest, source, weight)


def _rate_above_set(row: StepSeen) -> float:
    measured, ordered = row.middle(Quantity.RESPIRATORY_RATE), row.last(Quantity.RESPIRATORY_RATE_SET)
    return 0.0 if measured is None or not ordered else measured - ordered


def _charted_mode(context: TrialContext) -> Iterator[Finding]:
    """The mode in force on the way down, where it lets the patient trigger or breathe; a change of it is told apart."""
    start_s, end_s = context.steps[0].end_s, context.steps[-1].end_s
    modes = [change for change in context.patient.changes if change.kind is ChangeKind.MODE]
    in_force = [mode for mode in modes if mode.at_s <= (end_s if mode.first else start_s)]
    latest = max(in_force, key=lambda one: one.at_s, default=None)
    if latest is not None and latest.breathing is not None:
        grave, sources = latest.breathing is Weight.LOOK_FIRST, (latest.source,)
        slug, values = "mode-spontaneous" if grave else "mode-with-spontaneous-breaths", {"words": latest.charted}
        yield Finding(slug, latest.breathing, values, (), latest.at_s, sources, COMMON_PRACTICE, of_curve=grave)


def trapped_air(context: TrialContext) -> Iterator[Finding]:
    """Total PEEP that does not follow set PEEP, or intrinsic PEEP worth naming."""
    limits = context.limits
    if Quantity.PEEP_TOTAL not in context.charted and Quantity.PEEP_INTRINSIC not in context.charted:
        return
    known = [(row, total) for row in context.seen if (total := _total_peep(row)) is not None]
    (first, top), (last, bottom) = known[0], known[-1]
    way = first.peep_cmh2o - last.peep_cmh2o
    if way >= limits.trapped_way_cmh2o and top - bottom < limits.trapped_share * way:
        values = {
            "total_top_cmh2o": top,
            "total_bottom_cmh2o": bottom,
            "set_top_cmh2o": first.peep_cmh2o,
            "set_bottom_cmh2o": last.peep_cmh2o,
            "limit_share": limits.trapped_share,
        }
        yield finding_at("total-peep-does-not-follow", [row for row, _ in known], values, COMMON_PRACTICE)
        return
    worst, total = max(known, key=lambda pair: pair[1] - pair[0].peep_cmh2o)
    intrinsic = total - worst.peep_cmh2o
    if intrinsic >= limits.intrinsic_cmh2o:
        weight = Weight.HIGH if intrinsic >= limits.intrinsic_high_cmh2o else Weight.MODERATE
        values = {"intrinsic_cmh2o": intrinsic, "peep_cmh2o": worst.peep_cmh2o}
        yield finding_at("intrinsic-peep", [worst], values, COMMON_PRACTICE, weight)


def _total_peep(row: StepSeen) -> float | None:
    total, intrinsic = row.middle(Quantity.PEEP_TOTAL), row.middle(Quantity.PEEP_INTRINSIC)
    return total if total is not None or intrinsic is None else row.peep_cmh2o + intrinsic


def measured_peep_off(context: TrialContext) -> Iterator[Finding]:
    """Measured PEEP away from its setting: a leak, water or a trigger; the lung did not see the charted step."""
    if context.trial.peep_source != "set":
        return
    limit = context.limits.measured_off_cmh2o
    both = [(row, value, abs(value - row.peep_cmh2o)) for row, value in context.middles(Quantity.PEEP_MEASURED)]
    off = [one for one in both if one[2] > limit]
    if off:
        worst, measured, _ = max(off, key=lambda one: one[2])
        values = {"measured_cmh2o": measured, "set_cmh2o": worst.peep_cmh2o, "limit_cmh2o": limit}
        weight = Weight.LOOK_FIRST if 2 * len(off) >= len(both) else Weight.MODERATE
        yield finding_at("measured-peep-off", [row for row, *_ in off], values, OWN_CHOICE, weight)


def clocks_differ(context: TrialContext) -> Iterator[Finding]:
    """Measured PEEP that goes on showing the step before, or shows the next one already: two clocks in one chart."""
    if context.trial.peep_source != "set":
        return
    late, early, pairs = [], [], 0
    for above, below in pairwise(context.seen) if Quantity.PEEP_MEASURED in context.charted else ():
        before, after = (row.by_quantity.get(Quantity.PEEP_MEASURED) for row in (above, below))
        if before is None or after is None or min(before.count, after.count) < 2:
            continue
        pairs += 1
        enough = context.limits.clock_share * (above.peep_cmh2o - below.peep_cmh2o)
        if after.greatest - below.peep_cmh2o >= enough:
            late.append(below)
        if above.peep_cmh2o - before.least >= enough:
            early.append(above)
    for rows, which in ((late, "behind"), (early, "ahead")):
        if len(rows) >= context.limits.clock_fewest and 2 * len(rows) > pairs:
            sources = [source for row in rows for source in row.sources(Quantity.PEEP_MEASURED)]
            yield finding_at("clocks-differ", rows, {"which": which}, OWN_CHOICE, Weight.HIGH, sources)
            return
    yield from _plateaus_of_two_steps(context)


def _plateaus_of_two_steps(context: TrialContext) -> Iterator[Finding]:
    """Plateaus that move within most steps by what lies between two steps: their clock is off, ahead or behind.

    Two readings of one step then are of two steps, and from pressures alone nobody can tell which clock is right.
    """
    if not context.trial.kind.static:
        return
    plateaus = [
        [sample.pressure_cmh2o for sample in step.samples if sample.pressure_cmh2o is not None]
        for step in context.steps
    ]
    mixed, pairs = [], 0
    for step, (above, here) in zip(context.steps[1:], pairwise(plateaus), strict=True):
        if len(here) < 2 or not above or (apart := above[-1] - here[-1]) < context.limits.clock_least_cmh2o:
            continue
        pairs += 1
        if here[0] - here[-1] >= context.limits.clock_share * apart:
            mixed.append(step)
    if len(mixed) >= context.limits.clock_fewest and 2 * len(mixed) > pairs:
        sources = [source for step in mixed for source in step.sources]
        yield finding_at("plateau-clock", mixed, {}, OWN_CHOICE, Weight.HIGH, sources)


def impossible_plateaus(context: TrialContext) -> Iterator[Finding]:
    """Plateau above peak at half of the steps, or where the fall is read: one of them is wrong, and compliance too."""
    wrong = [step for step in context.steps if step.plateau_above_peak]
    named = context.closing.peep_cmh2o
    above = [step for step in context.steps if named is not None and step.peep_cmh2o > named]
    decisive = [step for step in context.steps if step.peep_cmh2o == named]
    if above:
        decisive.append(max(above, key=lambda step: step.compliance_ml_per_cmh2o))
    if wrong and (2 * len(wrong) >= len(context.steps) or any(step in wrong for step in decisive)):
        worst = max(wrong, key=lambda step: (step.plateau_cmh2o or 0.0) - (step.peak_cmh2o or 0.0))
        values = {
            "plateau_cmh2o": worst.plateau_cmh2o or 0.0,
            "peak_cmh2o": worst.peak_cmh2o or 0.0,
            "peep_cmh2o": worst.peep_cmh2o,
        }
        sources = [source for step in wrong for source in step.sources]
        yield finding_at("impossible-plateaus", wrong, values, OWN_CHOICE, sources=sources)


def missing_hold(context: TrialContext) -> Iterator[Finding]:
    """Plateau that equals peak at every step of volume control: where flow ends without a hold, there is no plateau."""
    settings, both = context.trial.context, context.trial.resistive_pressures
    volume_set, pressure_set = Quantity.TIDAL_VOLUME_SET.slug, Quantity.PRESSURE_ABOVE_PEEP_SET.slug
    equal = [step for step, resistive in both if abs(resistive) < context.limits.least_resistive_cmh2o]
    volume_controlled = volume_set in settings and pressure_set not in settings
    if volume_controlled and len(equal) == len(both) >= context.limits.fewest_without_hold:
        sources = [source for step in equal for source in step.sources]
        yield finding_at("plateau-equals-peak", equal, {}, OWN_CHOICE, Weight.HIGH, sources)


def narrowed_airway(context: TrialContext) -> Iterator[Finding]:
    """Peak less plateau that rises along the limb: secretions, a kink, bronchospasm."""
    known = context.trial.resistive_pressures
    if len(known) < 2:
        return
    first = known[0][1]
    worst, most = max(known[1:], key=lambda pair: pair[1])
    if most - first >= context.limits.resistive_rise_cmh2o:
        values = {"from_cmh2o": first, "to_cmh2o": most, "peep_cmh2o": worst.peep_cmh2o}
        yield finding_at("resistive-pressure-rose", [worst], values, OWN_CHOICE, Weight.HIGH, worst.sources)


def lost_carbon_dioxide(context: TrialContext) -> Iterator[Finding]:
    """End-tidal carbon dioxide that vanished: tube, circuit or circulation."""
    limit, known = context.limits.no_carbon_dioxide_mmhg, context.lasts(Quantity.END_TIDAL_CO2)
    gone = [(row, value) for row, value in known if value < limit]
    if gone and max(value for _, value in known) >= context.limits.worn_carbon_dioxide_mmhg:
        values = {"end_tidal_mmhg": min(value for _, value in gone), "limit_mmhg": limit}
        yield finding_at("carbon-dioxide-lost", [row for row, _ in gone], values, OWN_CHOICE)


def carbon_dioxide_halved(context: TrialContext) -> Iterator[Finding]:
    """End-tidal carbon dioxide of half or less of an earlier step at the same rate and volume: flow, or the tube."""
    limits, known = context.limits, context.lasts(Quantity.END_TIDAL_CO2)
    for place, (row, value) in enumerate(known):
        same = [one for one in known[:place] if _same_ventilation(one[0], row, limits.volume_change_share)]
        best, most = max(same, key=lambda pair: pair[1], default=(row, 0.0))
        if most >= limits.worn_carbon_dioxide_mmhg and value <= limits.halved_carbon_dioxide_share * most:
            values = {"from_mmhg": most, "to_mmhg": value, "from_cmh2o": best.peep_cmh2o, "to_cmh2o": row.peep_cmh2o}
            yield finding_at("carbon-dioxide-halved", [row], values, COMMON_PRACTICE, Weight.HIGH)
            return


def _same_ventilation(one: StepSeen, other: StepSeen, change: float) -> bool:
    """Whether neither rate nor volume is known to have been set otherwise."""
    settings = (Quantity.RESPIRATORY_RATE_SET, Quantity.TIDAL_VOLUME_SET)
    pairs = [(one.last(quantity), other.last(quantity)) for quantity in settings]
    return all(not then or not now or abs(now - then) <= change * then for then, now in pairs)


def circulation_fails(context: TrialContext) -> Iterator[Finding]:
    """Arterial pressure that falls while heart rate rises along the limb; or heart rate alone that rises far."""
    limits, rates = context.limits, context.middles(Quantity.HEART_RATE)
    values: dict[str, Value]
    for quantity in (Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE):
        rows = [(row, pressure, beats) for row, beats in rates if (pressure := row.middle(quantity)) is not None]
        for place, (row, pressure, beats) in enumerate(rows):
            before, slowest = max(row[1] for row in rows[: place + 1]), min(row[2] for row in rows[: place + 1])
            fell = pressure <= (1.0 - limits.pressure_fall_share) * before
            if fell and beats >= (1 + limits.rate_rise_share) * slowest:
                worst, least, most = min(rows[place:], key=lambda one: one[1])
                values = {
                    "words": message(f"vital.{quantity.slug}"),
                    "from_mmhg": before,
                    "to_mmhg": least,
                    "from_per_min": slowest,
                    "to_per_min": most,
                    "peep_cmh2o": worst.peep_cmh2o,
                }
                yield finding_at("pressure-fell-rate-rose", [row], values, OWN_CHOICE, Weight.HIGH, of_curve=False)
                return
    for place, (row, value) in enumerate(rates):
        slowest = min(one for _, one in rates[: place + 1])
        if slowest > 0.0 and value >= (1.0 + limits.rate_rise_alone_share) * slowest:
            most = max(one for _, one in rates[place:])
            values = {"from_per_min": slowest, "to_per_min": most, "peep_cmh2o": row.peep_cmh2o}
            yield finding_at("heart-rate-rose", [row], values, OWN_CHOICE, Weight.MODERATE, of_curve=False)
            return


def poor_throughout(context: TrialContext) -> Iterator[Finding]:
    """Saturation at or below the lower end of its goal, or low pressure with a fast heart, at every charted step."""
    limits = context.limits
    saturations = [value for _, value in context.middles(Quantity.SPO2)]
    if len(saturations) > 1 and max(saturations) <= limits.saturation_goal_percent:
        values = {"low": min(saturations), "high": max(saturations), "limit": limits.saturation_goal_percent}
        yield Finding("saturation-low-throughout", Weight.HIGH, values, source=SOURCES["ards-network-protocol"])
    both = [
        (pressure, beats)
        for row, pressure in context.middles(Quantity.MEAN_ARTERIAL_PRESSURE)
        if (beats := row.middle(Quantity.HEART_RATE)) is not None
    ]
    low, fast = limits.shock_pressure_mmhg, limits.shock_rate_per_min
    if len(both) > 1 and all(pressure < low and beats > fast for pressure, beats in both):
        values = {"pressure": max(one for one, _ in both), "beats": min(one for _, one in both)}
        yield Finding("shock-throughout", Weight.HIGH, values, source=OWN_CHOICE)


def vasopressor_raised(context: TrialContext) -> Iterator[Finding]:
    """A vasopressor begun or raised during the limb: pressures after it say less of how PEEP was tolerated."""
    found: dict[str, list[tuple[int, Rise]]] = {}
    for rise in rises(context.patient.infusions, context.seen[0].start_s, context.steps[-1].end_s):
        index = next((place for place, row in enumerate(context.seen) if row.start_s <= rise.at_s < row.until_s), None)
        if index is not None:
            found.setdefault(rise.drug, []).append((index, rise))
    words = {True: message("vasopressor-raised.needed"), None: message("vasopressor-raised.need-not-charted")}
    for drug, rising in found.items():
        needs = [_pressure_needed_it(context, index) for index, _ in rising]
        needed = True if True in needs else None if None in needs else False
        (_, first), (_, last) = rising[0], rising[-1]
        how = "raised" if first.before else "begun"
        rates = message(f"vasopressor-raised.{how}{'-to' if last.now else ''}", before=first.before, now=last.now)
        values: dict[str, Value] = {"drug": drug, "how": rates, "needed": words.get(needed, "")}
        weight = Weight.MODERATE if needed is False else Weight.HIGH
        peeps = tuple(dict.fromkeys(context.seen[index].peep_cmh2o for index, _ in rising))
        sources = tuple(dict.fromkeys(source for _, one in rising for source in one.sources))
        yield Finding("vasopressor-raised", weight, values, peeps, first.at_s, sources, OWN_CHOICE)


def _pressure_needed_it(context: TrialContext, index: int) -> bool | None:
    """Whether arterial pressure was low, or had fallen, at a step or the one before; None where it is not known."""
    limits, vital, known = context.limits, context.limits.vital, False
    mean, systolic = Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE
    for quantity, low, fall in (
        (mean, vital.mean_arterial_pressure_below_mmhg, limits.mean_pressure_with_fall_mmhg),
        (systolic, vital.systolic_arterial_pressure_below_mmhg, limits.systolic_pressure_loss_mmhg),
    ):
        so_far = [row.by_quantity.get(quantity) for row in context.seen[: index + 1]]
        near = min((one.least for one in so_far[-2:] if one is not None), default=None)
        if near is not None:
            known = True
            fell = max(one.middle for one in so_far if one is not None) - near >= fall
            if fell or (low is not None and near < low.value):
                return True
    return False if known else None
