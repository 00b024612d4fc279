"""Checks of what a curve rests on: passive breathing, air that is not trapped, pressures that are what was charted."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, SOURCES, ChangeKind, Finding, Weight
from ebbmark.physiology.patient.context import StepSeen, TrialContext, finding_at, rows_where
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.curve import plateau_above_peak

EFFORT_SOURCE: Final = SOURCES["cairo-1"]


def effort(context: TrialContext) -> Iterator[Finding]:
    """Support modes, triggered breaths and spontaneous breaths: compliance holds for a passive patient only."""
    yield from _charted_mode(context)
    supported = rows_where(context, Quantity.PRESSURE_SUPPORT_SET, lambda value, _: value > 0.0)
    set_known = [one for one in context.seen if one.last(Quantity.RESPIRATORY_RATE_SET)]
    passive = bool(set_known) and not _triggered(context)
    if supported and not passive:
        pressure = supported[0].last(Quantity.PRESSURE_SUPPORT_SET) or 0.0
        yield finding_at("pressure-support", supported, {"support_cmh2o": pressure}, EFFORT_SOURCE)
    triggered = _triggered(context)
    if triggered:
        worst = max(triggered, key=_rate_above_set)
        values = {
            "measured_per_min": worst.middle(Quantity.RESPIRATORY_RATE) or 0.0,
            "set_per_min": worst.last(Quantity.RESPIRATORY_RATE_SET) or 0.0,
        }
        many = len(triggered) > 1 or len(context.seen) < 3
        yield finding_at(
            "rate-above-set", triggered, values, EFFORT_SOURCE, Weight.LOOK_FIRST if many else Weight.MODERATE
        )
    limit = context.limits.spontaneous_per_min
    own = rows_where(context, Quantity.RESPIRATORY_RATE_SPONTANEOUS, lambda value, _: value > limit)
    if own:
        values = {"spontaneous_per_min": max(one.middle(Quantity.RESPIRATORY_RATE_SPONTANEOUS) or 0.0 for one in own)}
        many = len(own) > 1 or len(context.seen) < 3
        yield finding_at("spontaneous-rate", own, values, EFFORT_SOURCE, Weight.LOOK_FIRST if many else Weight.MODERATE)


def _charted_mode(context: TrialContext) -> Iterator[Finding]:
    """The mode in force on the way down, where it lets the patient trigger or breathe; a change of it is told apart."""
    start_s, end_s = context.steps[0].end_s, context.steps[-1].end_s
    in_force = [
        one for one in context.changes if one.kind is ChangeKind.MODE and one.at_s <= (end_s if one.first else start_s)
    ]
    latest = max(in_force, key=lambda one: one.at_s, default=None)
    if latest is not None and latest.breathing is not None:
        grave, sources = latest.breathing is Weight.LOOK_FIRST, (latest.source,)
        slug, values = "mode-spontaneous" if grave else "mode-with-spontaneous-breaths", {"words": latest.charted}
        yield Finding(slug, latest.breathing, values, (), latest.at_s, sources, COMMON_PRACTICE, of_curve=grave)


def trapped_air(context: TrialContext) -> Iterator[Finding]:
    """Total PEEP that does not follow set PEEP, or intrinsic PEEP worth naming."""
    limits = context.limits
    totals = [(one, _total_peep(one)) for one in context.seen]
    known = [(one, total) for one, total in totals if total is not None]
    if len(known) >= 2:
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
            yield finding_at("total-peep-does-not-follow", [one for one, _ in known], values, COMMON_PRACTICE)
            return
    intrinsic = [(one, total - one.peep_cmh2o) for one, total in known]
    worst, most = max(intrinsic, key=lambda pair: pair[1], default=(None, 0.0))
    if worst is not None and most >= limits.intrinsic_cmh2o:
        weight = Weight.HIGH if most >= limits.intrinsic_high_cmh2o else Weight.MODERATE
        values = {"intrinsic_cmh2o": most, "peep_cmh2o": worst.peep_cmh2o}
        yield finding_at("intrinsic-peep", [worst], values, COMMON_PRACTICE, weight)


def measured_peep_off(context: TrialContext) -> Iterator[Finding]:
    """Measured PEEP away from its setting: a leak, water or a trigger; the lung did not see the charted step."""
    if context.trial.peep_source != "set":
        return
    limit = context.limits.measured_off_cmh2o
    both = [one for one in context.seen if one.middle(Quantity.PEEP_MEASURED) is not None]
    off = [one for one in both if abs((one.middle(Quantity.PEEP_MEASURED) or 0.0) - one.peep_cmh2o) > limit]
    if not off:
        return
    worst = max(off, key=lambda one: abs((one.middle(Quantity.PEEP_MEASURED) or 0.0) - one.peep_cmh2o))
    values = {
        "measured_cmh2o": worst.middle(Quantity.PEEP_MEASURED) or 0.0,
        "set_cmh2o": worst.peep_cmh2o,
        "limit_cmh2o": limit,
    }
    weight = Weight.LOOK_FIRST if 2 * len(off) >= len(both) else Weight.MODERATE
    yield finding_at("measured-peep-off", off, values, OWN_CHOICE, weight)


def clocks_differ(context: TrialContext) -> Iterator[Finding]:
    """Measured PEEP that goes on showing the step before, or shows the next one already: two clocks in one chart."""
    if context.trial.peep_source != "set":
        return
    share = context.limits.clock_share
    known = [(row, row.by_quantity.get(Quantity.PEEP_MEASURED)) for row in context.seen]
    late, early, pairs = [], [], 0
    for (above, before), (below, after) in pairwise(known):
        if before is None or after is None or min(before.count, after.count) < 2:
            continue
        pairs += 1
        enough = share * (above.peep_cmh2o - below.peep_cmh2o)
        if after.greatest - below.peep_cmh2o >= enough:
            late.append(below)
        if above.peep_cmh2o - before.least >= enough:
            early.append(above)
    for rows, which in ((late, "behind"), (early, "ahead")):
        if len(rows) >= context.limits.clock_fewest and 2 * len(rows) > pairs:
            peeps = tuple(row.peep_cmh2o for row in rows)
            sources = tuple(dict.fromkeys(one for row in rows for one in row.sources(Quantity.PEEP_MEASURED)))
            yield Finding(
                "clocks-differ",
                Weight.HIGH,
                {"which": which},
                peeps,
                rows[0].start_s,
                sources,
                OWN_CHOICE,
                of_curve=True,
            )
            return
    yield from _plateaus_of_two_steps(context)


def _plateaus_of_two_steps(context: TrialContext) -> Iterator[Finding]:
    """Plateaus that move within most steps by what lies between two steps: their clock is off, ahead or behind.

    Two readings of one step then are of two steps, and from pressures alone nobody can tell which clock is right.
    """
    if not context.trial.kind.static:
        return
    plateaus = [
        [one.pressure_cmh2o for one in step.samples if one.pressure_cmh2o is not None] for step in context.steps
    ]
    mixed, pairs = [], 0
    for place, (above, here) in enumerate(pairwise(plateaus), start=1):
        if len(here) < 2 or not above or (apart := above[-1] - here[-1]) < context.limits.clock_least_cmh2o:
            continue
        pairs += 1
        if here[0] - here[-1] >= context.limits.clock_share * apart:
            mixed.append(context.seen[place])
    if len(mixed) >= context.limits.clock_fewest and 2 * len(mixed) > pairs:
        peeps = tuple(row.peep_cmh2o for row in mixed)
        sources = tuple(
            dict.fromkeys(src for step in context.steps if step.peep_cmh2o in peeps for src in step.sources)
        )
        yield Finding("plateau-clock", Weight.HIGH, {}, peeps, mixed[0].start_s, sources, OWN_CHOICE, of_curve=True)


def impossible_plateaus(context: TrialContext) -> Iterator[Finding]:
    """Plateau above peak at half of the steps, or where the fall is read: one of them is wrong, and compliance too."""
    wrong = [step for step in context.steps if plateau_above_peak(step)]
    named = context.closing.peep_cmh2o
    above = [step for step in context.steps if named is not None and step.peep_cmh2o > named]
    decisive = [step for step in context.steps if step.peep_cmh2o == named]
    if above:
        decisive.append(max(above, key=lambda step: step.compliance_ml_per_cmh2o))
    if wrong and (2 * len(wrong) >= len(context.steps) or any(step in wrong for step in decisive)):
        worst = max(wrong, key=lambda step: (step.plateau_cmh2o or 0.0) - (step.peak_cmh2o or 0.0))
        yield Finding(
            "impossible-plateaus",
            Weight.LOOK_FIRST,
            {
                "plateau_cmh2o": worst.plateau_cmh2o or 0.0,
                "peak_cmh2o": worst.peak_cmh2o or 0.0,
                "peep_cmh2o": worst.peep_cmh2o,
            },
            tuple(step.peep_cmh2o for step in wrong),
            wrong[0].start_s,
            tuple(dict.fromkeys(one for step in wrong for one in step.sources)),
            OWN_CHOICE,
            of_curve=True,
        )


def missing_hold(context: TrialContext) -> Iterator[Finding]:
    """Plateau that equals peak at every step of volume control: where flow ends without a hold, there is no plateau."""
    both = [step for step in context.steps if step.plateau_cmh2o is not None and step.peak_cmh2o is not None]
    settings = context.trial.context
    volume_controlled = (
        Quantity.TIDAL_VOLUME_SET.slug in settings and Quantity.PRESSURE_ABOVE_PEEP_SET.slug not in settings
    )
    equal = [
        step
        for step in both
        if abs((step.peak_cmh2o or 0.0) - (step.plateau_cmh2o or 0.0)) < context.limits.least_resistive_cmh2o
    ]
    if volume_controlled and len(equal) == len(both) >= context.limits.fewest_without_hold:
        peeps = tuple(step.peep_cmh2o for step in equal)
        sources = tuple(dict.fromkeys(one for step in equal for one in step.sources))
        yield Finding(
            "plateau-equals-peak", Weight.HIGH, {}, peeps, equal[0].start_s, sources, OWN_CHOICE, of_curve=True
        )


def narrowed_airway(context: TrialContext) -> Iterator[Finding]:
    """Peak less plateau that rises along the limb: secretions, a kink, bronchospasm."""
    known = [
        (step, step.peak_cmh2o - step.plateau_cmh2o)
        for step in context.steps
        if step.peak_cmh2o is not None and step.plateau_cmh2o is not None
    ]
    if len(known) < 2:
        return
    first = known[0][1]
    worst, most = max(known[1:], key=lambda pair: pair[1])
    if most - first >= context.limits.resistive_rise_cmh2o:
        values = {"from_cmh2o": first, "to_cmh2o": most, "peep_cmh2o": worst.peep_cmh2o}
        yield Finding(
            "resistive-pressure-rose",
            Weight.HIGH,
            values,
            (worst.peep_cmh2o,),
            worst.start_s,
            worst.sources,
            OWN_CHOICE,
            of_curve=True,
        )


def _rate_above_set(row: StepSeen) -> float:
    measured, ordered = row.middle(Quantity.RESPIRATORY_RATE), row.last(Quantity.RESPIRATORY_RATE_SET)
    return 0.0 if measured is None or not ordered else measured - ordered


def _triggered(context: TrialContext) -> list[StepSeen]:
    return [one for one in context.seen if _rate_above_set(one) > context.limits.rate_above_set_per_min]


def _total_peep(row: StepSeen) -> float | None:
    total = row.middle(Quantity.PEEP_TOTAL)
    if total is not None:
        return total
    intrinsic = row.middle(Quantity.PEEP_INTRINSIC)
    return None if intrinsic is None else row.peep_cmh2o + intrinsic
