"""From a trial to its closing pressure: the one way, whoever asks.

The kind of compliance and the state of the circuit are always part of the estimate. Nothing outside this package may
reach the estimator by itself (an import contract).
"""

from __future__ import annotations

from dataclasses import replace

from ebbmark.physiology.closing.closing import FEWEST_STEPS, estimate_closing
from ebbmark.physiology.closing.estimate import Closing, CurveStep, Verdict
from ebbmark.physiology.closing.stopping import closing_passed
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Trial
from ebbmark.physiology.wording import level

__all__ = ["closing_of", "curve_of", "judged_with_the_circuit", "passed_along"]


def closing_of(trial: Trial, protocol: Protocol) -> Closing:
    """Estimate the closing pressure of a trial.

    Args:
        trial: the limb, with what was seen along it.
        protocol: which fall of compliance counts as closing.

    Source: see `closing`.
    """
    estimate = estimate_closing(
        curve_of(trial), fall=protocol.fall, dynamic=not trial.kind.static, total_peep_known=trial.total_peep_known
    )
    return judged_with_the_circuit(estimate, trial)


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


def judged_with_the_circuit(closing: Closing, trial: Trial) -> Closing:
    """Take an estimate back where the circuit was open before or at closing.

    Args:
        closing: the estimate from the compliances alone.
        trial: the limb, with what was seen along it.

    Returns:
        The same estimate, or INDETERMINATE with the reason: the steps after a disconnection belong to another lung.
    """
    opened = [
        seen
        for seen in trial.observed
        if seen.slug == "disconnection" and (closing.peep_cmh2o is None or seen.peep_cmh2o >= closing.peep_cmh2o)
    ]
    if not opened or closing.verdict is Verdict.INDETERMINATE:
        return closing
    reason = (
        f"The circuit seems to have been open at the step of {level(opened[0].peep_cmh2o)} cmH2O: lung volume may have "
        "been lost that the steps below did not give back, so their compliance says nothing sure about closing. Common "
        "practice regards such a trial as void; whether to repeat it, with its risk, is for the clinician."
    )
    return replace(
        closing,
        verdict=Verdict.INDETERMINATE,
        peep_cmh2o=None,
        interval_cmh2o=None,
        shape=None,
        reason=reason,
        would_help=None,
    )
