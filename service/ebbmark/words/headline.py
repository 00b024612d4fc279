"""The suggestion in one sentence with its certainty, or that there is none and what the trial said instead."""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.advice.advice import Advice
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.wording import interval, level, percent

__all__ = ["headline"]

_OLD: Final = {"trial-old": " then, over 12 h ago", "trial-very-old": " then, over 24 h ago"}


def headline(advice: Advice, closing: Closing) -> str:
    """One sentence for the head of a page, a card or a sheet; the reasons stand in the rationale.

    Args:
        advice: what follows from the estimate.
        closing: the estimate.

    Returns:
        Pressures in cmH2O, the probability in per cent.
    """
    if advice.look_first:
        found = (
            "" if closing.peep_cmh2o is None else f", although closing was found at {level(closing.peep_cmh2o)} cmH2O"
        )
        return f"No PEEP is suggested{found}: look at the patient and the circuit first."
    old = next((_OLD[one.slug] for one in advice.cautions if one.slug in _OLD), "")
    certainty = f"probability {percent(closing.probability)}, {closing.evidence.value} evidence{old}"
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        low, high = closing.interval_cmh2o or (closing.peep_cmh2o, closing.peep_cmh2o)
        # The probability is that closing was reached at all, not that it was reached at this very step.
        found = (
            f"{level(closing.peep_cmh2o)} cmH2O (90 % interval: {interval(low, high)}; closing was reached with "
            f"{certainty})"
        )
        if advice.suggested_peep_cmh2o is None:
            return f"No PEEP is suggested, although closing was found at {found}."
        return (
            f"Suggested PEEP {level(advice.suggested_peep_cmh2o)} cmH2O: {level(advice.margin_cmh2o)} above the "
            f"closing pressure of {found}."
        )
    if closing.verdict is Verdict.NOT_REACHED:
        return f"No PEEP is suggested: closing was not reached in this trial ({certainty})."
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return (
            "No PEEP is suggested: compliance fell from the first step on, so closing lies at or above the highest "
            f"step tested ({certainty})."
        )
    return "No PEEP is suggested: no statement about closing can be made."
