"""Checks of the lung and the circuit behind a curve: one lung that closed and did not break, and no leak."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf
from statistics import median

from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, Finding, Value, Weight, message
from ebbmark.physiology.patient.context import CheckLimits, StepSeen, TrialContext, finding_at
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.steps import Step

_WHOLE = 0.99  # no share of a breath that is lost may divide by nothing


def circuit_opened(context: TrialContext) -> Iterator[Finding]:
    """A circuit that was open before or at closing: the steps below belong to another lung."""
    named = context.closing.peep_cmh2o
    for seen in context.trial.observed:
        if seen.slug == "disconnection" and (named is None or seen.peep_cmh2o >= named):
            peep = seen.peep_cmh2o
            values = {"peep_cmh2o": peep}
            yield Finding(
                "circuit-opened", Weight.LOOK_FIRST, values, (peep,), seen.at_s, source=COMMON_PRACTICE, of_curve=True
            )
            return


def sudden_fall(context: TrialContext) -> Iterator[Finding]:
    """A fall of compliance too large for one step, or pressure that rises while PEEP falls."""
    limits = context.limits
    for index, (above, below) in enumerate(pairwise(context.steps)):
        lost = 1.0 - below.compliance_ml_per_cmh2o / above.compliance_ml_per_cmh2o
        rise = _pressure_rise(above, below, limits)
        fell = lost >= limits.step_fall_share
        rose = rise is not None and rise > limits.plateau_rise_cmh2o and lost >= limits.rising_fall_share
        if not (fell or rose) or _given_back(context.steps, index, limits):
            continue
        if index == len(context.steps) - 2 and context.closing.verdict is Verdict.INDETERMINATE:
            continue  # the estimate names this fall already
        values = {
            **_from_to(above, below),
            "lost_share": lost,
            "limit_share": limits.step_fall_share,
            "limit_cmh2o": limits.plateau_rise_cmh2o,
        }
        if rise is not None and rose:
            values["pressure_rise_cmh2o"] = rise
            values["which"] = "plateau" if below.plateau_cmh2o is not None else "peak"
        slug = "sudden-fall" if fell else "pressure-rises-as-peep-falls"
        yield finding_at(slug, [below], values, OWN_CHOICE, sources=below.sources)
        return
    yield from _fall_with_vital_signs(context)


def _fall_with_vital_signs(context: TrialContext) -> Iterator[Finding]:
    """A fall that may be closing, at a step at which saturation or blood pressure fell too."""
    limits = context.limits
    signs = (
        (Quantity.SPO2, "%", limits.saturation_with_fall_percent),
        (Quantity.MEAN_ARTERIAL_PRESSURE, "mmHg", limits.mean_pressure_with_fall_mmhg),
    )
    steps_and_rows = zip(pairwise(context.steps), pairwise(context.seen), strict=True)
    for index, ((above, below), (before, after)) in enumerate(steps_and_rows):
        lost = 1.0 - below.compliance_ml_per_cmh2o / above.compliance_ml_per_cmh2o
        if lost < limits.fall_with_signs_share or _given_back(context.steps, index, limits):
            continue
        said = []
        for quantity, unit, limit in signs:
            then, now = before.middle(quantity), after.middle(quantity)
            if then is not None and now is not None and then - now >= limit:
                name = message(f"vital.{quantity.slug}")
                said.append(message("vital.from-to", name=name, then=round(then), now=round(now), unit=unit))
        if said:
            values: dict[str, Value] = {
                "from_peep_cmh2o": above.peep_cmh2o,
                "to_peep_cmh2o": below.peep_cmh2o,
                "lost_share": lost,
                "words": tuple(said),
            }
            yield finding_at("fall-with-vital-signs", [below], values, OWN_CHOICE, sources=below.sources)
            return


def sudden_rise(context: TrialContext) -> Iterator[Finding]:
    """Compliance that more than doubles from one step to the next lower one: no lung that was overdistended does that.

    A single low step between two others is an artefact of that step, and no rise.
    """
    before = 0.0
    for above, below in pairwise(context.steps):
        half = below.compliance_ml_per_cmh2o / context.limits.rise_factor
        if above.compliance_ml_per_cmh2o < half and before < half:
            found = finding_at("sudden-rise", [above, below], _from_to(above, below), OWN_CHOICE)
            yield replace(found, at_s=below.start_s, sources=(*above.sources, *below.sources))
            return
        before = above.compliance_ml_per_cmh2o


def no_lasting_fall(context: TrialContext) -> Iterator[Finding]:
    """Compliance that came back at any step below the one that was named: it did not fall for good."""
    closing = context.closing
    if closing.verdict is not Verdict.FOUND or closing.peep_cmh2o is None:
        return
    best = max(step.compliance_ml_per_cmh2o for step in context.steps if step.peep_cmh2o >= closing.peep_cmh2o)
    lowest = inf
    for step in context.steps:
        value = step.compliance_ml_per_cmh2o
        if step.peep_cmh2o <= closing.peep_cmh2o:
            if value - lowest >= context.limits.recovery_share * best:
                back = value >= (1.0 - context.protocol.fall) * best
                values = {
                    "peep_cmh2o": step.peep_cmh2o,
                    "compliance_ml_per_cmh2o": value,
                    "best_ml_per_cmh2o": best,
                    "closing_cmh2o": closing.peep_cmh2o,
                }
                slug = "compliance-came-back" if back else "compliance-rose-below-closing"
                weight = Weight.LOOK_FIRST if back else Weight.MODERATE
                yield finding_at(slug, [step], values, OWN_CHOICE, weight, step.sources)
                return
            lowest = min(lowest, value)


def changed_setting(context: TrialContext) -> Iterator[Finding]:
    """Set tidal volume or oxygen changed during the limb."""
    limits = context.limits
    volume = _range(context, Quantity.TIDAL_VOLUME_SET)
    if volume is not None and volume[1] > (1.0 + limits.volume_change_share) * volume[0]:
        values = {"least_ml": volume[0], "greatest_ml": volume[1]}
        yield Finding("tidal-volume-changed", Weight.HIGH, values, source=OWN_CHOICE, of_curve=True)
    for quantity in (Quantity.FIO2_SET, Quantity.FIO2_MEASURED):
        oxygen = _range(context, quantity)
        if oxygen is not None and oxygen[1] - oxygen[0] > limits.oxygen_change + 1e-9:
            values = {"least_fio2_percent": 100 * oxygen[0], "greatest_fio2_percent": 100 * oxygen[1]}
            given = [value for _, value in context.lasts(quantity)]
            raised = any(low > high + limits.oxygen_change + 1e-9 for high, low in pairwise(given))
            slug, weight = ("oxygen-raised", Weight.HIGH) if raised else ("oxygen-changed", Weight.MODERATE)
            yield Finding(slug, weight, values, source=OWN_CHOICE)
            return


def _range(context: TrialContext, quantity: Quantity) -> tuple[float, float] | None:
    seen = [row.by_quantity[quantity] for row in context.seen if quantity in row.by_quantity]
    return (min(one.least for one in seen), max(one.greatest for one in seen)) if len(seen) > 1 else None


def unsettled(context: TrialContext) -> Iterator[Finding]:
    """Readings taken while the lung was still settling, at the step of closing or at half of the steps."""
    early = tuple(
        level for seen in context.trial.observed if seen.slug == "unsettled-steps" for level in seen.peeps_cmh2o
    )
    if not early:
        return
    named, levels = context.closing.peep_cmh2o, [step.peep_cmh2o for step in context.steps]
    decisive = levels[max(levels.index(named) - 1, 0) : levels.index(named) + 1] if named in levels else levels
    if set(decisive) <= set(early):
        weight = Weight.LOOK_FIRST
    else:
        weight = Weight.HIGH if named in early or 2 * len(early) >= len(levels) else Weight.MODERATE
    values = {"settling_s": context.protocol.settling_s}
    yield Finding("unsettled-steps", weight, values, early, source=OWN_CHOICE, of_curve=True)


def _from_to(above: Step, below: Step) -> dict[str, Value]:
    return {
        "from_peep_cmh2o": above.peep_cmh2o,
        "to_peep_cmh2o": below.peep_cmh2o,
        "from_ml_per_cmh2o": above.compliance_ml_per_cmh2o,
        "to_ml_per_cmh2o": below.compliance_ml_per_cmh2o,
    }


def _pressure_rise(above: Step, below: Step, limits: CheckLimits) -> float | None:
    """How much plateau (or peak) rose from one step to the next lower one at an equal or smaller volume."""
    before, after = above.tidal_volume_ml, below.tidal_volume_ml
    if before and after and after > (1.0 + limits.same_volume_share) * before:
        return None
    if above.plateau_cmh2o is not None and below.plateau_cmh2o is not None:
        return below.plateau_cmh2o - above.plateau_cmh2o
    if above.peak_cmh2o is not None and below.peak_cmh2o is not None:
        return below.peak_cmh2o - above.peak_cmh2o
    return None


def _given_back(steps: Sequence[Step], index: int, limits: CheckLimits) -> bool:
    """Whether the step after a fall regained so much of it that the fall was an artefact of one step."""
    if index + 2 >= len(steps):
        return False
    above, below, after = (step.compliance_ml_per_cmh2o for step in steps[index : index + 3])
    return after - below >= limits.fell_back_share * (above - below)


def uneven_leak(context: TrialContext) -> Iterator[Finding]:
    """A leak that begins during the limb makes compliance from expired volume fall; one throughout scales it."""
    limits, expired = context.limits, Quantity.TIDAL_VOLUME_EXPIRED
    by_volume = _controls_volume(context)
    shares = [_leak_share(one, by_volume=by_volume) for one in context.seen]
    known = [share for share in shares if share is not None]
    if not known:
        return
    began, least, last_known = [], inf, context.seen[0]
    for row, share in zip(context.seen, shares, strict=True):
        if share is not None:
            if share > limits.leak_share and share - least > limits.leak_change_share:
                began.append((row, share))
            least, last_known = min(least, share), row
    if began:
        rows = [row for row, _ in began]
        values = {
            "leak_share": max(share for _, share in began),
            "peep_cmh2o": rows[0].peep_cmh2o,
            "limit_share": limits.leak_share,
        }
        if rows[-1] is not last_known:
            values["until_cmh2o"] = rows[-1].peep_cmh2o
        yield finding_at("leak-began", rows, values, OWN_CHOICE, sources=rows[0].sources(expired))
        return
    yield from _growing_leak(context, shares)
    # A leak at every step, to a tenth of a per cent, so that whole millilitres do not decide.
    least = round(least, 3)
    if least >= limits.leak_high_share:
        none = least >= limits.leak_none_share
        slug, weight = ("leak-throughout", Weight.LOOK_FIRST) if none else ("leak-large", Weight.HIGH)
        values = {"leak_share": median(known), "limit_share": limits.leak_none_share}
        yield Finding(slug, weight, values, source=OWN_CHOICE, of_curve=True)
        return
    yield from _leak_at_steps(context, shares)


def _growing_leak(context: TrialContext, shares: Sequence[float | None]) -> Iterator[Finding]:
    """Expired volume that falls along the limb as far as the compliance that is looked for: the fall may be the leak.

    Loss is counted from the steps above closing, or above the last two. With an inspired volume, compliance as if
    nothing more were lost shows what is left of the fall: less than half is no closing. Both are this project's choice.
    """
    levels, fall = [step.peep_cmh2o for step in context.steps], context.protocol.fall
    named = context.closing.peep_cmh2o
    place = levels.index(named) if named in levels else len(levels) - 1
    first = place if named in levels else max(1, len(levels) - 2)
    kept = [None if share is None else 1.0 - share for share in shares]
    above = [one for one in kept[:first] if one is not None]
    below = [one for one in kept[first:] if one is not None]
    if not above or not below or median(above) <= 0.0:
        return
    # Medians of both parts: neither one odd step nor a leak that ended makes compliance fall for good.
    tight, grown = median(above), 1.0 - median(below) / median(above)
    if round(grown, 3) < fall:
        return
    losses = [0.0 if one is None else max(0.0, 1.0 - one / tight) for one in kept]
    compliances = [step.compliance_ml_per_cmh2o for step in context.steps]
    fell = _fall_at(compliances, place)
    sent = [
        (row.middle(Quantity.TIDAL_VOLUME_EXPIRED), row.middle(Quantity.TIDAL_VOLUME_INSPIRED)) for row in context.seen
    ]
    both = all(back is not None and given is not None for back, given in sent[: place + 1])
    volume, (back, given) = context.steps[place].tidal_volume_ml, sent[place]
    of_expired = volume is None or abs(volume - (back or 0.0)) <= abs(volume - (given or 0.0))
    left = _fall_at([one / (1.0 - min(loss, _WHOLE)) for one, loss in zip(compliances, losses, strict=True)], place)
    only_leak = both and of_expired and left < 0.5 * fell and (named is not None or fell >= fall)
    slug, weight = ("leak-not-closing", Weight.LOOK_FIRST) if only_leak else ("leak-grows", Weight.HIGH)
    values = {
        "leak_share": max(losses[first:]),
        "limit_share": fall,
        "peep_cmh2o": levels[max(range(first, len(losses)), key=losses.__getitem__)],
        "fell_share": fell,
        "left_share": max(left, 0.0),
        "at_cmh2o": levels[place],
    }
    rows = [row for row, loss in zip(context.seen, losses, strict=True) if loss >= fall]
    yield finding_at(slug, rows, values, OWN_CHOICE, weight)


def _fall_at(compliances: Sequence[float], place: int) -> float:
    """How far compliance lies below its best so far [1]."""
    return 1.0 - compliances[place] / max(compliances[: place + 1])


def _leak_at_steps(context: TrialContext, shares: Sequence[float | None]) -> Iterator[Finding]:
    """A leak at some of the decisive steps: compliance there may be more, by as much as was not breathed out."""
    named, limit = context.closing.peep_cmh2o, context.limits.leak_share
    leaky, may_be, tight = [], 0.0, 0.0
    for step, row, share in zip(context.steps, context.seen, shares, strict=True):
        if named is None or step.peep_cmh2o >= named:
            if share is not None and share > limit:
                leaky.append((row, share))
                may_be = max(may_be, step.compliance_ml_per_cmh2o / (1.0 - min(share, _WHOLE)))
            else:
                tight = max(tight, step.compliance_ml_per_cmh2o)
    if leaky:
        slug, weight = ("leak-at-best", Weight.LOOK_FIRST) if may_be > tight else ("leak-at-steps", Weight.HIGH)
        values = {"leak_share": max(share for _, share in leaky), "limit_share": limit}
        sources = [source for row, _ in leaky for source in row.sources(Quantity.TIDAL_VOLUME_EXPIRED)]
        yield finding_at(slug, [row for row, _ in leaky], values, OWN_CHOICE, weight, sources)


def _controls_volume(context: TrialContext) -> bool:
    """Whether a set tidal volume is in force, and was not followed by a setting of pressure control."""
    volume = context.trial.context.get(Quantity.TIDAL_VOLUME_SET.slug)
    pressure = context.trial.context.get(Quantity.PRESSURE_ABOVE_PEEP_SET.slug)
    return volume is not None and (pressure is None or volume.start_s > pressure.start_s)


def _leak_share(row: StepSeen, *, by_volume: bool) -> float | None:
    expired, inspired = row.middle(Quantity.TIDAL_VOLUME_EXPIRED), row.middle(Quantity.TIDAL_VOLUME_INSPIRED)
    if inspired is None and by_volume:
        inspired = row.middle(Quantity.TIDAL_VOLUME_SET)
    return None if expired is None or not inspired else 1.0 - expired / inspired
