"""Value of information: which single further measurement would lower the expected loss most.

For a further reading at a step that was tested, the curves of the posterior are weighed anew by what such a reading
might show, and the loss of the answer that would then be given is averaged. For a plateau hold, on dynamic compliance,
each fall that may be the one that counts is taken as known in turn. For a lower step, whether closing was reached is
taken as known; since one step may leave that open, half of the gain counts. Neither the highest step nor any higher
pressure is ever looked at.

Source: expected value of sample information, textbook; its use here is the project's own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, exp
from ebbmark.physiology.closing.curves import NOT_REACHED
from ebbmark.physiology.closing.estimate import CurveStep, Help, Measurement
from ebbmark.physiology.closing.losses import least_loss
from ebbmark.physiology.closing.posterior import Posterior

__all__ = ["most_helpful"]

_OUTCOMES = 7
_LEAST_GAIN = 0.05
_SHARE_OF_A_LOWER_STEP = 0.5
_OPEN = 0.12
_DECIMALS = 6


def most_helpful(steps: Sequence[CurveStep], posterior: Posterior) -> Help | None:
    """Find the measurement with the largest expected gain; None where none is worth naming.

    Args:
        steps: of the limb, highest PEEP first.
        posterior: what the model says of them.

    Source: see the module.
    """
    now = least_loss(posterior.events.tolist())
    gains = [
        Help(Measurement.READING, step.peep_cmh2o, now - _after_reading(posterior, place))
        for place, step in enumerate(steps)
        if place > 0
    ]
    if len(posterior.events_by_fall) > 2:
        known = [least_loss(events.tolist()) for events in posterior.events_by_fall]
        gains.append(Help(Measurement.PLATEAU, None, now - sum(known) / len(known)))
    not_reached = float(posterior.events[NOT_REACHED])
    if _OPEN < not_reached < 1.0 - _OPEN:
        reached = posterior.events.copy()
        reached[NOT_REACHED] = 0.0
        then = (1.0 - not_reached) * least_loss((reached / (1.0 - not_reached)).tolist())
        gains.append(Help(Measurement.LOWER_STEP, None, _SHARE_OF_A_LOWER_STEP * (now - then)))
    rounded = [Help(each.measurement, each.peep_cmh2o, round(each.gain, _DECIMALS)) for each in gains]
    best = max(rounded, key=lambda each: each.gain)
    return best if best.gain >= _LEAST_GAIN else None


def _after_reading(posterior: Posterior, place: int) -> float:
    """Expected loss after one more reading at a step, over what it may show."""
    values = posterior.curves[place]
    order = np.argsort(values, kind="stable")
    running = np.cumsum(posterior.weights[order])
    middles = (np.arange(_OUTCOMES) + 0.5) * (running[-1] / _OUTCOMES)
    losses = []
    for shown in values[order[np.searchsorted(running, middles)]]:
        apart = (values - shown) / posterior.reading_sd
        weights = posterior.weights * exp(-0.5 * apart * apart)
        losses.append(least_loss(_shares(weights, posterior)))
    return sum(losses) / _OUTCOMES


def _shares(weights: Floats, posterior: Posterior) -> list[float]:
    counted = np.bincount(posterior.curve_events, weights=weights, minlength=posterior.events.size)
    shares: list[float] = (counted / np.cumsum(weights)[-1]).tolist()
    return shares
