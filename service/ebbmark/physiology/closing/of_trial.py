"""From a trial to its closing pressure: the one way, whoever asks.

The kind of compliance is always part of the estimate; whether the circuit was open is a check of `patient`. Nothing
outside this package may reach the estimator by itself (an import contract).
"""

from __future__ import annotations

from ebbmark.physiology.closing.closing import FEWEST_STEPS, estimate_closing
from ebbmark.physiology.closing.estimate import Closing, CurveStep
from ebbmark.physiology.closing.stopping import closing_passed
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Trial

__all__ = ["closing_of", "curve_of", "passed_along"]


def closing_of(trial: Trial, protocol: Protocol) -> Closing:
    """Estimate the closing pressure of a trial from its compliances alone; `patient` looks at everything beside them.

    Args:
        trial: the limb, with what was seen along it.
        protocol: which fall of compliance counts as closing.

    Source: see `closing`.
    """
    return estimate_closing(
        curve_of(trial), fall=protocol.fall, dynamic=not trial.kind.static, total_peep_known=trial.total_peep_known
    )


def curve_of(trial: Trial) -> tuple[CurveStep, ...]:
    """The steps of a limb as the estimate sees them.

    Args:
        trial: the limb.
    """
    return tuple(
        [
            CurveStep(
                step.peep_cmh2o,
                tuple([sample.compliance_ml_per_cmh2o for sample in step.samples]),
                trial.resolution,
                step.samples[-1].at_s - step.samples[0].at_s,
            )
            for step in trial.steps
        ]
    )


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
