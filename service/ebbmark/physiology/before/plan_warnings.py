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
from ebbmark.physiology.stop.limits import StopLimits

__all__ = ["HIGH_PRESSURE_CMH2O", "peak_warnings", "peak_words", "warnings_of_plan"]


def peak_words(settings: Settings, highest_cmh2o: float, *, recruiting: bool) -> str:
    """The expected peak pressure beside the highest end-inspiratory pressure, to be read on in one sentence.

    Args:
        settings: now.
        highest_cmh2o: highest end-inspiratory pressure of the plan.
        recruiting: whether high-pressure recruitment was chosen.
    """
    resistive = settings.resistive_cmh2o
    follows = "" if recruiting or settings.control is Control.PRESSURE else ", if compliance stays as it is"
    if resistive is None:
        return f"{follows}; peak pressure not known" if follows else ", peak pressure not known"
    if resistive == 0.0:
        return f", peak pressure about the same{follows}"
    peak = round(highest_cmh2o + resistive, 6)
    now = f"the {resistive:g} cmH2O that flow takes in resistance now"
    return f", peak pressure about {peak:g} cmH2O with {now}{follows}"


def peak_warnings(settings: Settings, limits: StopLimits, recruiting: bool) -> tuple[str, ...]:
    """What must be said where peak pressure is not known, or where the steps are of another mode than the present one.

    Args:
        settings: now.
        limits: for the ceiling of peak pressure.
        recruiting: whether high-pressure recruitment was chosen.
    """
    said = []
    ceiling = limits.peak_pressure_above_cmh2o
    if settings.resistive_cmh2o is None:
        held = ""
        if ceiling is not None:
            held = f" Its limit of {ceiling.value:g} cmH2O could only be held against the end-inspiratory pressure."
        said.append(
            "Peak pressure is not known: none that can be true was read beside plateau pressure. At constant flow it "
            f"lies above the end-inspiratory pressure by what flow takes in resistance.{held}"
        )
    if settings.control is Control.VOLUME and not recruiting:
        said.append(
            "In volume control the pressure above PEEP is no setting: it follows from the volume and changes with "
            "compliance at every PEEP. Plateau pressure may exceed what is written here: read it at each step, on the "
            "way up too, and compare it with its limit."
        )
    if recruiting and settings.control is not Control.PRESSURE:
        now = "Volume is controlled now" if settings.control is Control.VOLUME else "The mode is not known"
        said.append(
            f"{now}; the steps of the way up set a pressure above PEEP, as pressure control does. In volume control "
            "that pressure follows from volume and compliance, and peak pressure rises with flow."
        )
    return tuple(said)


HIGH_PRESSURE_CMH2O: Final = 35.0
"""Airway pressure from which the European guideline speaks of high pressure; one minute or longer is prolonged."""


def warnings_of_plan(
    rules: StaircaseRules, highest: float, high_s: float, candidate: Candidate | None, *, recruiting: bool
) -> tuple[str, ...]:
    """What must be known before a plan is followed, gravest first.

    Args:
        rules: the staircase.
        highest: end-inspiratory pressure over all steps [cmH2O].
        high_s: time with end-inspiratory pressure at or above 35 cmH2O [s].
        candidate: what was found beforehand, if anybody looked.
        recruiting: whether the variant with recruitment was chosen.

    Source: the guidelines and trials in `evidence`, and the staircase's own remark.
    """
    warnings = []
    if recruiting:
        warnings.append(
            f"This variant was chosen; the service does not suggest it. End-inspiratory pressure reaches {highest:g} "
            f"cmH2O and is at or above {HIGH_PRESSURE_CMH2O:g} cmH2O for {high_s / 60:g} minutes in all. Two "
            "guidelines strongly recommend against prolonged high-pressure recruitment, and in ART more patients died "
            "with recruitment and titrated PEEP than with low PEEP; see the evidence beside this plan."
        )
    if rules.remark:
        warnings.append(f"{rules.title}: {rules.remark}")
    if candidate is None:
        warnings.append("Contraindications were not looked for before this plan was made.")
    else:
        warnings += [_to_be_asked(candidate, recruiting), candidate.sentence]
    return tuple(text for text in warnings if text)


def _to_be_asked(candidate: Candidate, recruiting: bool) -> str:
    asked = to_be_asked(candidate, recruiting=recruiting)
    if not asked:
        return ""
    return (
        f"Not documented (that does not mean absent): {'; '.join(asked)}. Answer each at the bedside before the first "
        "step."
    )
