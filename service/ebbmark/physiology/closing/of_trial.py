"""From a trial to its closing pressure: the one way, whoever asks.

The kind of compliance and steps missing from the curve are always part of the estimate; whether the circuit was open is
a check of `patient`. Nothing outside this package may reach the estimator by itself (an import contract).

**While PEEP is still being lowered** (sequential detection). The same model as in `estimator`, asked after each step
about the steps so far. Two things differ. The limb has no known end, so that *not reached* gets the prior of a constant
hazard: each further step closes with probability `HAZARD_PER_STEP`, whatever came before. And the newest step has no
next one that could take its fall back, which the model knows: a spoiled step competes with a real fall, on a single
reading on equal terms, and hardly where several readings agree.

Rule: call closing passed where that is expected to cost less than no answer, at the losses of `decision`: a call in
vain costs 8 and no call 0.8, so that the limit is a probability of 0.9, reached after each of the last `in_a_row`
steps. A higher limit, or two in a row, gives fewer false calls and a later call; the benchmark draws the trade-off. A
call that comes late costs units which then have to be opened again; a false call ends the trial without an answer.

Source: the rule is the project's own; posterior probability against a limit is the textbook form of sequential
detection (Shiryaev 1963, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import accumulate, pairwise
from math import fsum
from operator import mul
from statistics import median

import numpy as np

from ebbmark.physiology.closing.decision import NAMED_IN_VAIN, NO_ANSWER
from ebbmark.physiology.closing.estimator import FEWEST_STEPS, closing_posterior, estimate_closing, why_unusable
from ebbmark.physiology.closing.model import FALLING, NOT_REACHED, event_prior
from ebbmark.physiology.closing.result import Closing, CurveStep
from ebbmark.physiology.findings import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Sample, Trial

HAZARD_PER_STEP = 0.12
"""Prior probability that the next step closes: about 8 steps, the project's choice."""

STOP_LIMIT = 1.0 - NO_ANSWER / NAMED_IN_VAIN
"""Probability at which lowering should stop: there a call in vain is expected to cost as much as no answer."""

_DECIMALS = 6
"""To which the probability is rounded, before any limit is applied."""


def closing_passed(
    steps: Sequence[CurveStep], *, fall: float = 0.05, dynamic: bool = False, total_peep_known: bool = True
) -> float:
    """Give the probability that closing, or a fall from the first step on, lies within the steps so far.

    Args:
        steps: the limb so far, strictly falling PEEP, highest first.
        fall: relative fall below the maximum so far that counts as closing.

    Returns:
        Probability; 0 for fewer than three steps, and for steps that are no limb, on which nothing can be said.

    Raises:
        ValueError: as `closing.estimate_closing`.
    """
    if why_unusable(steps, fall=fall) is not None:
        return 0.0
    events = closing_posterior(steps, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known).events
    survived = list(accumulate([1.0 - HAZARD_PER_STEP] * (events.size - 1), mul, initial=1.0))
    wanted = np.array([survived[-1], *(HAZARD_PER_STEP * chance for chance in survived[:-1])])
    weighed: list[float] = (events * wanted / event_prior(events.size)).tolist()
    return round(fsum(weighed[FALLING:]) / (weighed[NOT_REACHED] + fsum(weighed[FALLING:])), _DECIMALS)


def should_stop_lowering(passed: Sequence[float], *, limit: float = STOP_LIMIT, in_a_row: int = 1) -> bool:
    """Decide whether lowering PEEP should stop now.

    Args:
        passed: `closing_passed` after each step so far, oldest first.
        limit: least probability, above 0 to 1.
        in_a_row: how many of the last steps must reach it, at least 1.

    Raises:
        ValueError: a limit or number outside its range.
    """
    if not 0.0 < limit <= 1.0 or in_a_row < 1:
        raise ValueError("limit must lie above 0 and not above 1, and in_a_row be at least 1")
    return len(passed) >= in_a_row and all(chance >= limit for chance in passed[-in_a_row:])


HOLDS_TOGETHER_S = 30.0
HOLDS_AGREE = 0.10
"""Holds beside one volume within so long of the first [s], and so near to it, repeat it; this project's choice."""


Estimator = Callable[[tuple[CurveStep, ...], float, bool, bool], Closing]
"""From a curve, the fall that counts, whether it is dynamic, and whether total PEEP is known."""


def estimator(curve: tuple[CurveStep, ...], fall: float, dynamic: bool, total_peep_known: bool) -> Closing:
    """The estimate of `estimator`, its arguments by position, as `lru_cache` needs them."""
    return estimate_closing(curve, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known)


def closing_of(trial: Trial, protocol: Protocol, estimate: Estimator = estimator) -> Closing:
    """Estimate the closing pressure of a trial from its compliances alone; `patient` looks at everything beside them.

    Args:
        estimate: `estimator`, or one that remembers.

    Source: see `estimator`.
    """
    closing = estimate(curve_of(trial), protocol.fall, not trial.kind.static, trial.total_peep_known)
    reason = None if closing.peep_cmh2o is None else _missing_above(closing.peep_cmh2o, trial)
    return closing if reason is None else closing.taken_back(reason)


def curve_of(trial: Trial) -> tuple[CurveStep, ...]:
    """The steps of a limb as the estimate sees them.

    Holds that repeat one another beside one measured volume are one reading, their median: the noise of the volume is
    the same in all.
    """
    return tuple(
        [
            CurveStep(
                step.peep_cmh2o,
                _apart(step.samples),
                trial.resolution,
                step.samples[-1].at_s - step.samples[0].at_s,
            )
            for step in trial.steps
        ]
    )


def _apart(samples: Sequence[Sample]) -> tuple[float, ...]:
    by_volume: dict[object, list[Sample]] = {}
    for number, sample in enumerate(samples):
        together = by_volume.setdefault(sample.volume_from or number, [])
        if not together or _is_again(sample, together[0]):
            together.append(sample)
        else:
            by_volume[number] = [sample]
    return tuple([median(one.compliance_ml_per_cmh2o for one in each) for each in by_volume.values()])


def _is_again(hold: Sample, first: Sample) -> bool:
    """Whether a hold repeats another; one that disagrees with it is a reading of its own, and may be an odd one."""
    apart = abs(hold.compliance_ml_per_cmh2o / first.compliance_ml_per_cmh2o - 1.0)
    return hold.at_s - first.at_s <= HOLDS_TOGETHER_S and apart <= HOLDS_AGREE


def passed_along(trial: Trial, protocol: Protocol) -> tuple[float | None, ...]:
    """Probability, after each step and from the steps so far, that closing has been passed.

    Returns:
        One for each step; None where there are too few steps to say.
    """
    curve = curve_of(trial)
    return tuple(
        closing_passed(
            curve[:count],
            fall=protocol.fall,
            dynamic=not trial.kind.static,
            total_peep_known=trial.total_peep_known,
        )
        if count >= FEWEST_STEPS
        else None
        for count in range(1, len(curve) + 1)
    )


def _missing_above(closing_cmh2o: float, trial: Trial) -> Message | None:
    """Say that closing may lie at a tested step that is missing from the curve, and so higher than the step named.

    That is so where the step directly above the one named is missing, or two neighbouring steps anywhere above it,
    where compliance may have been best unseen.
    """
    used = [step.peep_cmh2o for step in trial.steps]
    missing = [seen.peep_cmh2o for seen in trial.observed if seen.slug == "step-without-compliance"]
    for above, below in pairwise(used[: used.index(closing_cmh2o) + 1]):
        between = [peep for peep in missing if below < peep < above]
        if len(between) > 1 or (between and below == closing_cmh2o):
            return message(
                "closing.missing-above",
                above_cmh2o=round(above, 1),
                below_cmh2o=round(below, 1),
                between_cmh2o=joined("each-and", [round(one, 1) for one in between]),
                closing_cmh2o=round(closing_cmh2o, 1),
            )
    return None
