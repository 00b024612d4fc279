"""What else was seen along the limb that a reader of the curve must know?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ebbmark.physiology.message import joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.curve import Recipe, StepReadings
from ebbmark.physiology.trial.steps import ComplianceKind, Observed, Step

__all__ = ["remarks", "unsettled_remark"]

VOLUME_SPREAD = 1.3
"""Largest over smallest tidal volume of the steps beyond which curves are hard to compare. Our choice."""


def remarks(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> tuple[Observed, ...]:
    """All remarks about the limb, in a fixed order.

    Args:
        limb: the readings of every step, those without a usable compliance included.
        steps: the steps that have samples.
        recipe: how the samples were made.
    """
    return (
        *_steps_without_compliance(limb, steps),
        *_sources(steps, recipe),
        *_intrinsic_peep(limb, recipe, steps),
        *_tidal_volume(steps),
    )


def unsettled_remark(steps: Sequence[Step], protocol: Protocol) -> Iterator[Observed]:
    """Name the steps in which every reading was taken while the lung was still settling.

    Args:
        steps: those steps.
        protocol: how long a step settles.
    """
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
