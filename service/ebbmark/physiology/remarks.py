"""What else was seen along the limb that a reader of the curve must know?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from ebbmark.physiology.curve import Recipe, StepReadings
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.steps import ComplianceKind, Observed, Step
from ebbmark.physiology.wording import level

__all__ = ["remarks"]

VOLUME_SPREAD = 1.3
"""Largest over smallest tidal volume of the steps beyond which curves are hard to compare. Our choice."""

CHARTED_DIFFERENCE = 0.2
"""Relative difference between a charted and the computed compliance that is worth a remark. Our choice."""


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
        *_charted_compliance(limb, steps, recipe),
    )


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
    if recipe.kind is ComplianceKind.STATIC_FROM_DRIVING_PRESSURE:
        sentence = (
            "Driving pressure was taken as charted; it gives a static compliance only if it was charted from a "
            "plateau pressure."
        )
        yield Observed("driving-pressure-as-charted", sentence, first.start_s, first.peep_cmh2o)


def _intrinsic_peep(limb: Sequence[StepReadings], recipe: Recipe, steps: Sequence[Step]) -> Iterator[Observed]:
    if recipe.baseline is not None or recipe.volume is None:
        return
    known = sum(
        1 for step in limb if step.by_quantity.get(Quantity.PEEP_TOTAL) or step.by_quantity.get(Quantity.PEEP_INTRINSIC)
    )
    if known:
        sentence = (
            f"Total or intrinsic PEEP is known in only {known} of {len(limb)} steps, so set PEEP is the baseline in "
            "all of them."
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


def _charted_compliance(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    if recipe.volume is None:
        return
    charted_as = Quantity.COMPLIANCE_STATIC if recipe.kind.static else Quantity.COMPLIANCE_DYNAMIC
    charted = {
        step.peep_cmh2o: median(reading.value for reading in readings)
        for step in limb
        if (readings := step.by_quantity.get(charted_as))
    }
    for step in steps:
        value = charted.get(step.peep_cmh2o)
        computed = step.compliance_ml_per_cmh2o
        if value is not None and abs(value - computed) > CHARTED_DIFFERENCE * computed:
            yield Observed(
                "charted-compliance-differs",
                f"At {level(step.peep_cmh2o)} cmH2O the charted compliance ({value:.1f} mL/cmH2O) differs from the one "
                f"computed from volume and pressure ({computed:.1f} mL/cmH2O); the computed one is used.",
                step.start_s,
                step.peep_cmh2o,
            )
