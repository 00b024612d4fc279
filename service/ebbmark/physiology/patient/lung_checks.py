"""Checks of the lung behind a curve: one lung throughout, that closed and did not break."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, Finding, Value, Weight, message
from ebbmark.physiology.patient.context import CheckLimits, TrialContext
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.steps import Step


def circuit_opened(context: TrialContext) -> Iterator[Finding]:
    """A circuit that was open before or at closing: the steps below belong to another lung."""
    named = context.closing.peep_cmh2o
    for seen in context.trial.observed:
        if seen.slug == "disconnection" and (named is None or seen.peep_cmh2o >= named):
            yield Finding(
                "circuit-opened",
                Weight.LOOK_FIRST,
                {"peep_cmh2o": seen.peep_cmh2o},
                (seen.peep_cmh2o,),
                seen.at_s,
                source=COMMON_PRACTICE,
                of_curve=True,
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
        lone_last = index == len(context.steps) - 2 and context.closing.verdict is Verdict.INDETERMINATE
        if lone_last:
            continue  # the estimate names this fall already
        values: dict[str, Value] = {
            "from_peep_cmh2o": above.peep_cmh2o,
            "to_peep_cmh2o": below.peep_cmh2o,
            "from_ml_per_cmh2o": above.compliance_ml_per_cmh2o,
            "to_ml_per_cmh2o": below.compliance_ml_per_cmh2o,
            "lost_share": lost,
            "limit_share": limits.step_fall_share,
            "limit_cmh2o": limits.plateau_rise_cmh2o,
        }
        if rise is not None and rose:
            values["pressure_rise_cmh2o"] = rise
            values["which"] = "plateau" if below.plateau_cmh2o is not None else "peak"
        slug = "sudden-fall" if fell else "pressure-rises-as-peep-falls"
        yield Finding(
            slug,
            Weight.LOOK_FIRST,
            values,
            (below.peep_cmh2o,),
            below.start_s,
            below.sources,
            OWN_CHOICE,
            of_curve=True,
        )
        return
    yield from _fall_with_vital_signs(context)


def sudden_rise(context: TrialContext) -> Iterator[Finding]:
    """Compliance that more than doubles from one step to the next lower one: no lung that was overdistended does that.

    A single low step between two others is an artefact of that step, and no rise.
    """
    compliances = [step.compliance_ml_per_cmh2o for step in context.steps]
    for index, (above, below) in enumerate(pairwise(context.steps)):
        here, then = above.compliance_ml_per_cmh2o, below.compliance_ml_per_cmh2o
        half = then / context.limits.rise_factor
        if here < half and (index == 0 or compliances[index - 1] < half):
            values: dict[str, Value] = {
                "from_peep_cmh2o": above.peep_cmh2o,
                "to_peep_cmh2o": below.peep_cmh2o,
                "from_ml_per_cmh2o": here,
                "to_ml_per_cmh2o": then,
            }
            peeps, sources = (above.peep_cmh2o, below.peep_cmh2o), (*above.sources, *below.sources)
            yield Finding(
                "sudden-rise", Weight.LOOK_FIRST, values, peeps, below.start_s, sources, OWN_CHOICE, of_curve=True
            )
            return


def _fall_with_vital_signs(context: TrialContext) -> Iterator[Finding]:
    """A fall that may be closing, at a step at which saturation or blood pressure fell too."""
    limits = context.limits
    signs = (
        (Quantity.SPO2, "%", limits.saturation_with_fall_percent),
        (Quantity.MEAN_ARTERIAL_PRESSURE, "mmHg", limits.mean_pressure_with_fall_mmhg),
    )
    for index, ((above, below), (before, after)) in enumerate(
        zip(pairwise(context.steps), pairwise(context.seen), strict=True)
    ):
        lost = 1.0 - below.compliance_ml_per_cmh2o / above.compliance_ml_per_cmh2o
        if lost < limits.fall_with_signs_share or _given_back(context.steps, index, limits):
            continue
        said = [
            message(
                "vital.from-to", name=message(f"vital.{quantity.slug}"), then=round(then), now=round(now), unit=unit
            )
            for quantity, unit, limit in signs
            if (then := before.middle(quantity)) is not None
            and (now := after.middle(quantity)) is not None
            and then - now >= limit
        ]
        if said:
            values: dict[str, Value] = {
                "from_peep_cmh2o": above.peep_cmh2o,
                "to_peep_cmh2o": below.peep_cmh2o,
                "lost_share": lost,
                "words": tuple(said),
            }
            peeps = (below.peep_cmh2o,)
            yield Finding(
                "fall-with-vital-signs",
                Weight.LOOK_FIRST,
                values,
                peeps,
                below.start_s,
                below.sources,
                OWN_CHOICE,
                of_curve=True,
            )
            return


def no_lasting_fall(context: TrialContext) -> Iterator[Finding]:
    """Compliance that came back at any step below the one that was named: it did not fall for good."""
    closing = context.closing
    if closing.verdict is not Verdict.FOUND or closing.peep_cmh2o is None:
        return
    below = [step for step in context.steps if step.peep_cmh2o <= closing.peep_cmh2o]
    best = max(step.compliance_ml_per_cmh2o for step in context.steps if step.peep_cmh2o >= closing.peep_cmh2o)
    lowest = None
    for step in below:
        if lowest is not None:
            rise = step.compliance_ml_per_cmh2o - lowest.compliance_ml_per_cmh2o
            if rise >= context.limits.recovery_share * best:
                back = step.compliance_ml_per_cmh2o >= (1.0 - context.protocol.fall) * best
                values = {
                    "peep_cmh2o": step.peep_cmh2o,
                    "compliance_ml_per_cmh2o": step.compliance_ml_per_cmh2o,
                    "best_ml_per_cmh2o": best,
                    "closing_cmh2o": closing.peep_cmh2o,
                }
                yield Finding(
                    "compliance-came-back" if back else "compliance-rose-below-closing",
                    Weight.LOOK_FIRST if back else Weight.MODERATE,
                    values,
                    (step.peep_cmh2o,),
                    step.start_s,
                    step.sources,
                    OWN_CHOICE,
                    of_curve=True,
                )
                return
        if lowest is None or step.compliance_ml_per_cmh2o < lowest.compliance_ml_per_cmh2o:
            lowest = step


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
            given = [value for row in context.seen if (value := row.last(quantity)) is not None]
            raised = any(low > high + limits.oxygen_change + 1e-9 for high, low in pairwise(given))
            slug, weight = ("oxygen-raised", Weight.HIGH) if raised else ("oxygen-changed", Weight.MODERATE)
            yield Finding(slug, weight, values, source=OWN_CHOICE)
            return


def unsettled(context: TrialContext) -> Iterator[Finding]:
    """Readings taken while the lung was still settling, at the step of closing or at half of the steps."""
    early = tuple(
        level for seen in context.trial.observed if seen.slug == "unsettled-steps" for level in seen.peeps_cmh2o
    )
    if not early:
        return
    named = context.closing.peep_cmh2o
    grave = named in early or 2 * len(early) >= len(context.steps)
    values = {"settling_s": context.protocol.settling_s}
    weight = Weight.HIGH if grave else Weight.MODERATE
    levels = [step.peep_cmh2o for step in context.steps]
    decisive = levels[max(levels.index(named) - 1, 0) : levels.index(named) + 1] if named in levels else levels
    if set(decisive) <= set(early):
        weight = Weight.LOOK_FIRST
    yield Finding("unsettled-steps", weight, values, early, source=OWN_CHOICE, of_curve=True)


def _pressure_rise(above: Step, below: Step, limits: CheckLimits) -> float | None:
    """How much plateau (or peak) rose from one step to the next lower one at an equal or smaller volume."""
    volumes = (above.tidal_volume_ml, below.tidal_volume_ml)
    if volumes[0] and volumes[1] and volumes[1] > (1.0 + limits.same_volume_share) * volumes[0]:
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
    above, below, after = (steps[place].compliance_ml_per_cmh2o for place in (index, index + 1, index + 2))
    return after - below >= limits.fell_back_share * (above - below)


def _range(context: TrialContext, quantity: Quantity) -> tuple[float, float] | None:
    seen = [row.by_quantity[quantity] for row in context.seen if quantity in row.by_quantity]
    return (min(one.least for one in seen), max(one.greatest for one in seen)) if len(seen) > 1 else None
