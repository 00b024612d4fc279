"""Which readings of a step say nothing about the lung at that step: too early, cut off, or still recruiting?"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.curve import ABOVE_PEEP, CHARTED, VOLUMES, Recipe, StepReadings
from ebbmark.physiology.trial.steps import Observed
from ebbmark.physiology.wording import level

__all__ = ["Cut", "cut_off_times", "disconnection_remarks", "dropped_leads", "settled_from_s"]

OPEN_CIRCUIT_PEEP_CMH2O = 2.0
"""PEEP charted at or below this between higher levels: the circuit was open. This project's choice."""

VANISHED_PEEP = 0.5
"""Measured PEEP below this share of a set PEEP of 5 or more: the circuit was open or leaking. Our choice."""

VANISHED_VOLUME = 0.5
"""A tidal volume below this share of the limb's middle value: the circuit was open or blocked. Our choice."""

STILL_RECRUITING_CMH2O = 5.0
"""Inspiratory pressure above PEEP this much higher than at the next step: still recruiting. Our choice."""

Cut = tuple[float, int]
"""When a circuit was open [s since 1970-01-01T00:00:00Z], and the input that showed it."""


def cut_off_times(limb: Sequence[StepReadings]) -> tuple[tuple[Cut, ...], ...]:
    """For each step of the limb: when measured PEEP or tidal volume vanished."""
    middles = {
        quantity: median(values)
        for quantity in VOLUMES[:3]
        if (values := [r.value for step in limb for r in step.by_quantity.get(quantity, ())])
    }
    return tuple(
        tuple(
            [
                (reading.start_s, reading.source)
                for reading in step.by_quantity.get(Quantity.PEEP_MEASURED, ())
                if step.peep_cmh2o >= 5.0 and reading.value < VANISHED_PEEP * step.peep_cmh2o
            ]
            + [
                (reading.start_s, reading.source)
                for quantity, middle in middles.items()
                for reading in step.by_quantity.get(quantity, ())
                if reading.value < VANISHED_VOLUME * middle
            ]
        )
        for step in limb
    )


def disconnection_remarks(limb: Sequence[StepReadings], cuts: Sequence[Sequence[Cut]]) -> tuple[Observed, ...]:
    """One remark per step in which the circuit was open."""
    return tuple(
        Observed(
            "disconnection",
            f"At the step of {level(step.peep_cmh2o)} cmH2O measured PEEP or tidal volume fell to less than half for "
            "at least one reading, as in a disconnection or suction.",
            min(at_s for at_s, _ in cut),
            step.peep_cmh2o,
        )
        for step, cut in zip(limb, cuts, strict=True)
        if cut
    )


def settled_from_s(step: StepReadings, leads: Sequence[Reading], before_s: float | None, protocol: Protocol) -> float:
    """From when on the readings of a step have settled, as well as the record tells.

    A PEEP charted on its own is the change. A PEEP charted together with a pressure was changed some time before,
    after the last reading of the step above: the middle of that gap stands for it.

    Args:
        step: the step.
        leads: its leading readings.
        before_s: last reading of any kind before this step; None where there is none [s since 1970-01-01T00:00:00Z].
        protocol: how long a step settles.
    """
    first = step.peep_readings[0]
    if all(lead.source != first.source and lead.start_s != first.start_s for lead in leads):
        changed_s = first.start_s
    else:
        changed_s = float("-inf") if before_s is None else 0.5 * (before_s + first.start_s)
    return changed_s + protocol.settling_s


def dropped_leads(
    limb: Sequence[StepReadings],
    index: int,
    recipe: Recipe,
    cuts: Sequence[Cut],
    span_s: tuple[float, float],
    settled_s: float,
    protocol: Protocol,
) -> list[tuple[Reading, str]]:
    """The leading readings of one step that must not become samples, each with its reason.

    Args:
        limb: all steps.
        index: which of them.
        recipe: what leads a sample.
        cuts: when the circuit was open in this step.
        span_s: earliest and latest time that still belongs to the trial [s since 1970-01-01T00:00:00Z].
        settled_s: from when on readings have settled [s since 1970-01-01T00:00:00Z].
        protocol: how long a step settles.
    """
    step = limb[index]
    leads = step.by_quantity.get(recipe.lead, ())
    settled = any(reading.at_s >= settled_s for reading in leads)
    ceiling = _recruiting_above(limb, recipe) if index == 0 else None
    dropped: list[tuple[Reading, str]] = []
    for lead in leads:
        if cuts and any(lead.source == source or abs(lead.start_s - at_s) < 1.0 for at_s, source in cuts):
            reason = "measured PEEP or tidal volume had fallen to less than half then, as in a disconnection or suction"
        elif not span_s[0] <= lead.at_s <= span_s[1]:
            reason = f"more than {protocol.longest_step_s / 60:g} minutes away from the rest of the trial"
        elif ceiling is not None and _above_peep(step, lead, recipe) > ceiling:
            reason = "inspiratory pressure was still at the level of a recruitment, before the limb began"
        elif settled and lead.at_s < settled_s:
            reason = f"less than {protocol.settling_s:g} s after PEEP was changed; the lung was still settling"
        else:
            continue
        dropped.append((lead, reason))
    return dropped


def _above_peep(step: StepReadings, lead: Reading, recipe: Recipe) -> float:
    """Inspiratory pressure above set PEEP of a leading pressure."""
    return lead.value if recipe.lead in ABOVE_PEEP else lead.value - step.peep_cmh2o


def _recruiting_above(limb: Sequence[StepReadings], recipe: Recipe) -> float | None:
    """Pressure above PEEP beyond which the first step was still recruiting; None where that cannot be seen."""
    if recipe.lead in CHARTED:
        return None
    following = [_above_peep(limb[1], lead, recipe) for lead in limb[1].by_quantity.get(recipe.lead, ())]
    return median(following) + STILL_RECRUITING_CMH2O if following else None
