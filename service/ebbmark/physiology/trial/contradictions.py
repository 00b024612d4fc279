"""Where do readings of the same step contradict one another, so that one of them must be wrong?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from ebbmark.physiology.message import Value, joined, message
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.curve import Recipe, StepReadings
from ebbmark.physiology.trial.steps import Observed, Step

__all__ = ["contradictions", "plateau_above_peak"]

PRESSURE_DIFFERENCE_CMH2O = 1.0
"""A pressure that must not lie below another is remarked on from this difference on: charts round. Our choice."""

CHARTED_DIFFERENCE = 0.2
"""Relative difference between a charted and a computed value that is worth a remark. Our choice."""

LEAK = 0.15
"""Expired volume short of inspired by more than this share over the limb: a leak is likely. Our choice."""


def contradictions(limb: Sequence[StepReadings], steps: Sequence[Step], recipe: Recipe) -> Iterator[Observed]:
    """All contradictions along the limb, in a fixed order.

    Args:
        limb: the readings of every step.
        steps: the steps that have samples.
        recipe: how the samples were made.
    """
    yield from _plateau_above_peak(steps)
    yield from _total_below_set(steps)
    yield from _leak(limb)
    if recipe.volume is not None:
        charted = Quantity.COMPLIANCE_STATIC if recipe.kind.static else Quantity.COMPLIANCE_DYNAMIC
        computed = {step.peep_cmh2o: step.compliance_ml_per_cmh2o for step in steps}
        yield from _charted(limb, charted, computed, "charted-compliance-differs")
    if recipe.lead is Quantity.PLATEAU_PRESSURE:
        driving = {s.peep_cmh2o: s.driving_pressure_cmh2o for s in steps if s.driving_pressure_cmh2o is not None}
        yield from _charted(limb, Quantity.DRIVING_PRESSURE, driving, "charted-driving-pressure-differs")
    if recipe.lead is Quantity.COMPLIANCE_STATIC:
        yield from _static_against_peak(limb, steps)


def plateau_above_peak(step: Step) -> bool:
    """Whether plateau pressure lies above peak pressure by more than rounding.

    Args:
        step: with the pressures that it was read at.
    """
    plateau, peak = step.plateau_cmh2o, step.peak_cmh2o
    return plateau is not None and peak is not None and plateau > peak + PRESSURE_DIFFERENCE_CMH2O


def _plateau_above_peak(steps: Sequence[Step]) -> Iterator[Observed]:
    wrong = [step for step in steps if plateau_above_peak(step)]
    if wrong:
        sentence = message("observed.plateau-above-peak", peeps_cmh2o=_levels(wrong))
        yield Observed("plateau-above-peak", sentence, wrong[0].start_s, wrong[0].peep_cmh2o)


def _total_below_set(steps: Sequence[Step]) -> Iterator[Observed]:
    wrong = [step for step in steps if step.baseline_cmh2o < step.peep_cmh2o - PRESSURE_DIFFERENCE_CMH2O]
    if wrong:
        sentence = message("observed.total-peep-below-set", peeps_cmh2o=_levels(wrong))
        yield Observed("total-peep-below-set", sentence, wrong[0].start_s, wrong[0].peep_cmh2o)


def _leak(limb: Sequence[StepReadings]) -> Iterator[Observed]:
    expired, inspired = (
        [reading.value for step in limb for reading in step.by_quantity.get(quantity, ())]
        for quantity in (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_INSPIRED)
    )
    if expired and inspired and median(expired) < (1 - LEAK) * median(inspired):
        share = 100 * (1 - median(expired) / median(inspired))
        sentence = message("observed.leak-likely", share_percent=round(share))
        first = limb[0]
        yield Observed("leak-likely", sentence, first.peep_readings[0].start_s, first.peep_cmh2o)


def _charted(
    limb: Sequence[StepReadings], quantity: Quantity, computed: dict[float, float], slug: str
) -> Iterator[Observed]:
    for step in limb:
        readings = step.by_quantity.get(quantity)
        value = computed.get(step.peep_cmh2o)
        if not readings or value is None:
            continue
        charted = median(reading.value for reading in readings)
        if abs(charted - value) > CHARTED_DIFFERENCE * value:
            yield Observed(
                slug,
                message(
                    f"observed.{slug}",
                    peep_cmh2o=round(step.peep_cmh2o, 1),
                    charted=f"{charted:.1f}",
                    computed=f"{value:.1f}",
                ),
                readings[0].start_s,
                step.peep_cmh2o,
            )


def _static_against_peak(limb: Sequence[StepReadings], steps: Sequence[Step]) -> Iterator[Observed]:
    """Static compliance can exceed volume over peak pressure by what resistance takes, and not by any amount."""
    charted = {step.peep_cmh2o: step.compliance_ml_per_cmh2o for step in steps}
    for step in limb:
        volumes = step.by_quantity.get(Quantity.TIDAL_VOLUME_EXPIRED) or step.by_quantity.get(
            Quantity.TIDAL_VOLUME_UNSTATED
        )
        peaks = step.by_quantity.get(Quantity.PEAK_PRESSURE)
        if not volumes or not peaks or step.peep_cmh2o not in charted:
            continue
        above = median(reading.value for reading in peaks) - step.peep_cmh2o
        dynamic = median(reading.value for reading in volumes) / above if above > 0 else 0.0
        if dynamic and not 0.9 <= charted[step.peep_cmh2o] / dynamic <= 2.0:
            yield Observed(
                "charted-compliance-differs",
                message(
                    "observed.charted-compliance-against-peak",
                    peep_cmh2o=round(step.peep_cmh2o, 1),
                    charted=f"{charted[step.peep_cmh2o]:.1f}",
                    dynamic=f"{dynamic:.1f}",
                ),
                peaks[0].start_s,
                step.peep_cmh2o,
            )


def _levels(steps: Sequence[Step]) -> Value:
    return joined("commas", [round(step.peep_cmh2o, 1) for step in steps])
