"""From a trial to its closing pressure: the one way, whoever asks.

The kind of compliance and the state of the circuit are always part of the estimate. Nothing outside this package may
reach the estimator by itself (an import contract).
"""

from __future__ import annotations

from dataclasses import replace

from ebbmark.physiology.closing.closing import estimate_closing
from ebbmark.physiology.closing.estimate import Closing, CurveStep, Verdict
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Trial
from ebbmark.physiology.wording import level

__all__ = ["closing_of", "curve_of", "is_dynamic", "judged_with_the_circuit"]


def closing_of(trial: Trial, protocol: Protocol) -> Closing:
    """Estimate the closing pressure of a trial.

    Args:
        trial: the limb, with what was seen along it.
        protocol: which fall of compliance counts as closing.

    Source: see `closing`.
    """
    estimate = estimate_closing(curve_of(trial), fall=protocol.fall, dynamic=is_dynamic(trial))
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


def is_dynamic(trial: Trial) -> bool:
    """Whether the compliances of a limb are dynamic, so that its estimate is less sure.

    Args:
        trial: the limb.
    """
    return not trial.kind.static


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
    )
