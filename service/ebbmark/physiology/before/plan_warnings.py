"""What must be known before a plan is followed?

Source: the guidelines and trials in `evidence`, and what each staircase says of itself.
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.before.candidate import Candidate
from ebbmark.physiology.before.obstacles import to_be_asked
from ebbmark.physiology.before.staircase import StaircaseRules

__all__ = ["HIGH_PRESSURE_CMH2O", "warnings_of_plan"]

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
        f"Not documented, and not taken as absent: {'; '.join(asked)}. Each is to be answered at the bedside before "
        "the first step."
    )
