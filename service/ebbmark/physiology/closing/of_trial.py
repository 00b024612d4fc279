"""From a trial to its closing pressure: the one way, whoever asks.

The kind of compliance and steps missing from the curve are always part of the estimate; whether the circuit was open is
a check of `patient`. Nothing outside this package may reach the estimator by itself (an import contract).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from statistics import median

from ebbmark.physiology.closing.closing import FEWEST_STEPS, estimate_closing
from ebbmark.physiology.closing.estimate import Closing, CurveStep
from ebbmark.physiology.closing.stopping import closing_passed
from ebbmark.physiology.message import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Sample, Trial

__all__ = ["Estimator", "closing_of", "curve_of", "estimator", "passed_along"]


HOLDS_TOGETHER_S = 30.0
HOLDS_AGREE = 0.10
"""Holds beside one volume within so long of the first [s], and so near to it, repeat it; this project's choice."""


Estimator = Callable[[tuple[CurveStep, ...], float, bool, bool], Closing]
"""From a curve, the fall that counts, whether it is dynamic, and whether total PEEP is known."""


def estimator(curve: tuple[CurveStep, ...], fall: float, dynamic: bool, total_peep_known: bool) -> Closing:
    """The estimate of `closing`, its arguments by position, as `lru_cache` needs them."""
    return estimate_closing(curve, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known)


def closing_of(trial: Trial, protocol: Protocol, estimate: Estimator = estimator) -> Closing:
    """Estimate the closing pressure of a trial from its compliances alone; `patient` looks at everything beside them.

    Args:
        trial: the limb, with what was seen along it.
        protocol: which fall of compliance counts as closing.
        estimate: `estimator`, or one that remembers.

    Source: see `closing`.
    """
    closing = estimate(curve_of(trial), protocol.fall, not trial.kind.static, trial.total_peep_known)
    reason = None if closing.peep_cmh2o is None else _missing_above(closing.peep_cmh2o, trial)
    return closing if reason is None else closing.taken_back(reason)


def curve_of(trial: Trial) -> tuple[CurveStep, ...]:
    """The steps of a limb as the estimate sees them.

    Holds that repeat one another beside one measured volume are one reading, their median: the noise of the volume is
    the same in all.

    Args:
        trial: the limb.
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

    Args:
        trial: the limb so far.
        protocol: which fall of compliance counts as closing.

    Returns:
        One for each step; None where there are too few steps to say.

    Source: see `stopping`.
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
