"""Which two pressures can a trial tell apart?"""

from __future__ import annotations

from itertools import pairwise

from ebbmark.physiology.trial.reading import Trial

__all__ = ["tolerance"]

FINEST_CMH2O = 1.0
"""How finely PEEP is set (common practice, no published source)."""


def tolerance(trial: Trial) -> float:
    """How far apart two pressures must lie for this trial to tell them apart [cmH2O].

    Source: this project's choice: half the smallest step, and never finer than PEEP is set.
    """
    steps = [higher.peep_cmh2o - lower.peep_cmh2o for higher, lower in pairwise(trial.steps)]
    return max(FINEST_CMH2O, 0.5 * min(steps, default=0.0))
