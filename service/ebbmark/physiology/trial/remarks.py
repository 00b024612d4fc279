"""What else was seen along the limb that a reader of the curve must know?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.curve import Recipe, StepReadings
from ebbmark.physiology.trial.steps import ComplianceKind, Observed, Step
from ebbmark.physiology.wording import level

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
        levels = ", ".join(level(step.peep_cmh2o) for step in steps)
        sentence = (
            f"At PEEP {levels} cmH2O every reading was taken less than {protocol.settling_s:g} s after the change, "
            "while the lung was still settling."
        )
        levels_cmh2o = tuple(step.peep_cmh2o for step in steps)
        yield Observed("unsettled-steps", sentence, steps[0].start_s, steps[0].peep_cmh2o, levels_cmh2o)


def _steps_without_compliance(limb: Sequence[StepReadings], steps: Sequence[Step]) -> Iterator[Observed]:
    have = {step.peep_cmh2o for step in steps}
    for step in limb:
        if step.peep_cmh2o not in have:
            yield Observed(
                "step-without-compliance",
                f"The step at {level(step.peep_cmh2o)} cmH2O has no usable compliance and is missing from the curve.",
                step.peep_readings[0].start_s,
                step.peep_cmh2o,
            )


def _sources(steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    first = steps[0]
    if recipe.volume is Quantity.TIDAL_VOLUME_UNSTATED:
        sentence = "The tidal volumes do not say whether they are inspired or expired; a leak would not show."
        yield Observed("volume-side-not-stated", sentence, first.start_s, first.peep_cmh2o)
    if recipe.volume is Quantity.TIDAL_VOLUME_SET:
        sentence = "No measured tidal volume was sent; the set volume stands for it, so a leak would not show."
        yield Observed("tidal-volume-as-set", sentence, first.start_s, first.peep_cmh2o)
    if recipe.volume is None:
        sentence = (
            "Compliance was taken as charted; how it was measured is not known, and driving and plateau pressures "
            "expected from it are no better than it is."
        )
        yield Observed("compliance-as-charted", sentence, first.start_s, first.peep_cmh2o)
    if recipe.kind is ComplianceKind.STATIC_FROM_DRIVING_PRESSURE:
        sentence = (
            "Driving pressure was taken as charted; it gives a static compliance only if it was charted from a "
            "plateau pressure."
        )
        yield Observed("driving-pressure-as-charted", sentence, first.start_s, first.peep_cmh2o)


def _intrinsic_peep(limb: Sequence[StepReadings], recipe: Recipe, steps: Sequence[Step]) -> Iterator[Observed]:
    if recipe.baseline is not None:
        return
    known = sum(
        1 for step in limb if step.by_quantity.get(Quantity.PEEP_TOTAL) or step.by_quantity.get(Quantity.PEEP_INTRINSIC)
    )
    if known:
        sentence = (
            f"Total or intrinsic PEEP is known in only {known} of {len(limb)} steps, so set PEEP is the baseline in "
            "all of them; expected plateau pressures may be too low."
        )
        yield Observed("intrinsic-peep-partly-known", sentence, steps[0].start_s, steps[0].peep_cmh2o)


def _tidal_volume(steps: Sequence[Step]) -> Iterator[Observed]:
    volumes = [step.tidal_volume_ml for step in steps if step.tidal_volume_ml]
    if volumes and max(volumes) > VOLUME_SPREAD * min(volumes):
        sentence = (
            f"Tidal volume differs between steps ({min(volumes):.0f} to {max(volumes):.0f} mL); compliance depends "
            "on it, so part of the curve may come from the volume and not from PEEP."
        )
        yield Observed("tidal-volume-varies", sentence, steps[0].start_s, steps[0].peep_cmh2o)
