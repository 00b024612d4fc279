"""What must be known before a plan is followed: peak pressure, evidence, and what each staircase says of itself.

Plateau pressure is what a lung feels; peak pressure at constant flow lies above it by flow times resistance. A limit of
plateau pressure is held against the end-inspiratory pressure, a ceiling of peak pressure against the peak.
Source: equation of motion, textbook; the guidelines and trials in `evidence`.
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.before.candidate import Candidate
from ebbmark.physiology.before.obstacles import to_be_asked
from ebbmark.physiology.before.plan_steps import Control, Settings
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.stop.limits import StopLimits

__all__ = ["HIGH_PRESSURE_CMH2O", "peak_warnings", "peak_words", "warnings_of_plan"]


def peak_words(settings: Settings, highest_cmh2o: float, *, recruiting: bool) -> Message:
    """The expected peak pressure beside the highest end-inspiratory pressure, to be read on in one sentence.

    Args:
        settings: now.
        highest_cmh2o: highest end-inspiratory pressure of the plan.
        recruiting: whether high-pressure recruitment was chosen.
    """
    resistive = settings.resistive_cmh2o
    fixed = recruiting or settings.control is Control.PRESSURE
    if resistive is None:
        return message("plan.peak-unknown" if fixed else "plan.peak-unknown-and-compliance")
    follows = "" if fixed else message("plan.if-compliance-stays")
    if resistive == 0.0:
        return message("plan.peak-the-same", follows=follows)
    peak = round(highest_cmh2o + resistive, 6)
    return message("plan.peak", peak_cmh2o=peak, resistive_cmh2o=resistive, follows=follows)


def peak_warnings(settings: Settings, limits: StopLimits, recruiting: bool) -> tuple[Value, ...]:
    """What must be said where peak pressure is not known, or where the steps are of another mode than the present one.

    Args:
        settings: now.
        limits: for the ceiling of peak pressure.
        recruiting: whether high-pressure recruitment was chosen.
    """
    said: list[Value] = []
    ceiling = limits.peak_pressure_above_cmh2o
    if settings.resistive_cmh2o is None:
        unheld = [] if ceiling is None else [message("plan-warning.peak-limit-unheld", limit_cmh2o=ceiling.value)]
        said.append(joined("sentences", [message("plan-warning.peak-unknown"), *unheld]))
    if settings.control is Control.VOLUME and not recruiting:
        said.append(message("plan-warning.volume-control"))
    if recruiting and settings.control is not Control.PRESSURE:
        mode = "volume-control" if settings.control is Control.VOLUME else "unknown-mode"
        said.append(message(f"plan-warning.way-up-in-{mode}"))
    return tuple(said)


HIGH_PRESSURE_CMH2O: Final = 35.0
"""Airway pressure from which the European guideline speaks of high pressure; one minute or longer is prolonged."""


def warnings_of_plan(
    rules: StaircaseRules, highest: float, high_s: float, candidate: Candidate | None, *, recruiting: bool
) -> tuple[Value, ...]:
    """What must be known before a plan is followed, gravest first.

    Args:
        rules: the staircase.
        highest: end-inspiratory pressure over all steps [cmH2O].
        high_s: time with end-inspiratory pressure at or above 35 cmH2O [s].
        candidate: what was found beforehand, if anybody looked.
        recruiting: whether the variant with recruitment was chosen.

    Source: the guidelines and trials in `evidence`, and the staircase's own remark.
    """
    warnings: list[Value] = []
    if recruiting:
        warnings.append(
            message(
                "plan-warning.recruitment-chosen",
                highest_cmh2o=highest,
                high_cmh2o=HIGH_PRESSURE_CMH2O,
                minutes=high_s / 60,
            )
        )
    if rules.remark:
        warnings.append(message("plan-warning.remark", title=rules.title, remark=rules.remark))
    if candidate is None:
        return (*warnings, message("plan-warning.nobody-looked"))
    asked = to_be_asked(candidate, recruiting=recruiting)
    if asked:
        warnings.append(message("plan-warning.to-be-asked", listed=joined("semicolons", asked)))
    return (*warnings, candidate.sentence)
