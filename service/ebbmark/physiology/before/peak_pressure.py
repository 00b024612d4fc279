"""What does a plan say of peak pressure: what is expected, and what is not known?

Plateau pressure is what a lung feels; peak pressure at constant flow lies above it by flow times resistance. A limit of
plateau pressure is held against the end-inspiratory pressure, a ceiling of peak pressure against the peak.
Source: equation of motion, textbook.
"""

from __future__ import annotations

from ebbmark.physiology.before.plan_steps import Control, Settings
from ebbmark.physiology.during.stop_limits import StopLimits

__all__ = ["peak_warnings", "peak_words"]


def peak_words(settings: Settings, highest_cmh2o: float) -> str:
    """The expected peak pressure beside the highest end-inspiratory pressure, to be read on in one sentence.

    Args:
        settings: now.
        highest_cmh2o: highest end-inspiratory pressure of the plan.
    """
    resistive = settings.resistive_cmh2o
    if resistive is None:
        return ", peak pressure not known"
    if resistive == 0.0:
        return ", peak pressure about the same"
    peak = round(highest_cmh2o + resistive, 6)
    return f", peak pressure about {peak:g} cmH2O with the {resistive:g} cmH2O that flow takes in resistance now"


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
            "Peak pressure is not known, since none was read beside plateau pressure; at constant flow it lies above "
            f"the end-inspiratory pressure by what flow takes in resistance.{held}"
        )
    if recruiting and settings.control is not Control.PRESSURE:
        now = "Volume is controlled now" if settings.control is Control.VOLUME else "What is controlled now is not told"
        said.append(
            f"{now}; the steps of the way up set a pressure above PEEP, as pressure control does. In volume control "
            "that pressure follows from volume and compliance, and peak pressure rises with flow."
        )
    return tuple(said)
