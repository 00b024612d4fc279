"""On which trials may a method be expected to make a statement?

Written down before anything was measured. With d(i) the smaller of the falls of step i and step i + 1 below
the running maximum before i (relative to that maximum, negative where higher; for the last step its own fall),
and se(i) the standard error of the difference between step i and the step of that maximum, from the noise that
was put in:

* FOUND and FALLING_FROM_FIRST_STEP: knowable where d at the closing step is at least MARGIN se. A closing at
  the last step is not knowable: no next step can confirm it.
* NOT_REACHED: knowable where every step stays short of the 5 % by at least MARGIN se: 0.05 - d(i) >= MARGIN
  se(i) for all i.

This selects. Knowable closings are those whose fall is large beside the noise, which nobody who reads a chart can know
beforehand. An estimate without lean over all closings names the step above too often among the knowable ones, and the
step below among the others; figures of both belong together.

Artefacts, drift, leak and the like do not count as noise here: what would be knowable without them, is.
"""

from __future__ import annotations

import math

from benchmarks.detection.conditions import Conditions
from benchmarks.detection.families import LungCase
from benchmarks.detection.measuring import standard_errors
from ebbmark.physiology.closing.result import Verdict

MARGIN = 2.4


def is_knowable(case: LungCase, conditions: Conditions, *, fall: float = 0.05) -> bool:
    """Decide whether noise, readings and the size of the fall allow a statement on this trial."""
    c = case.compliances_ml_per_cmh2o
    errors = standard_errors(case, conditions)
    last = len(c) - 1
    closing = case.truth.step
    for i in range(1, len(c)) if closing is None else (closing,):
        highest = max(range(i), key=c.__getitem__)
        lasting = min(1.0 - c[j] / c[highest] for j in (i, i + 1) if j <= last)
        error = math.hypot(errors[i], errors[highest])
        if case.truth.verdict is Verdict.NOT_REACHED:
            if fall - lasting < MARGIN * error:
                return False
        elif i == last or lasting < MARGIN * error:
            return False
    return True
