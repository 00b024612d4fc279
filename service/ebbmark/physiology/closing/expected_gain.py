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
from math import fsum

import numpy as np

from ebbmark.physiology.closing.arithmetic import exp
from ebbmark.physiology.closing.curves import FALLING, NOT_REACHED
from ebbmark.physiology.closing.estimate import CurveStep, Help, Measurement
from ebbmark.physiology.closing.losses import least_loss
from ebbmark.physiology.closing.posterior import Posterior

__all__ = ["most_helpful"]

_OUTCOMES, _MOST_STEPS, _EVERY = 7, 5, 4
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
    now = float(least_loss(posterior.events))
    gains = [
        Help(Measurement.READING, steps[place].peep_cmh2o, now - loss)
        for place, loss in _after_reading(posterior, _in_question(posterior)).items()
    ]
    if len(posterior.events_by_fall) > 2:
        known = least_loss(posterior.events_by_fall).tolist()
        gains.append(Help(Measurement.PLATEAU, None, now - fsum(known) / len(known)))
    not_reached = float(posterior.events[NOT_REACHED])
    if _OPEN < not_reached < 1.0 - _OPEN:
        reached = posterior.events.copy()
        reached[NOT_REACHED] = 0.0
        then = (1.0 - not_reached) * float(least_loss(reached / (1.0 - not_reached)))
        gains.append(Help(Measurement.LOWER_STEP, None, _SHARE_OF_A_LOWER_STEP * (now - then)))
    rounded = [Help(each.measurement, each.peep_cmh2o, round(each.gain, _DECIMALS)) for each in gains]
    best = max(rounded, key=lambda each: each.gain)
    return best if best.gain >= _LEAST_GAIN else None


def _in_question(posterior: Posterior) -> list[int]:
    """Steps that closing is likeliest to lie at or next to, without the highest."""
    events = np.array([0.0, 0.0, *posterior.events[FALLING:].tolist(), 0.0])
    nearby = events[:-2] + events[1:-1] + events[2:]
    order = np.argsort(-np.round(nearby[1:], _DECIMALS), kind="stable")[:_MOST_STEPS]
    return sorted((order + 1).tolist())


def _after_reading(posterior: Posterior, places: Sequence[int]) -> dict[int, float]:
    """Expected loss after one more reading at each of some steps, over what it may show; on a part of the curves."""
    part = slice(None, None, _EVERY)
    curves, weights, events = posterior.curves[places, part], posterior.weights[part], posterior.curve_events[part]
    order = np.argsort(curves, axis=1, kind="stable")
    running = np.cumsum(weights[order], axis=1)
    middles = (np.arange(_OUTCOMES) + 0.5) / _OUTCOMES
    shown = np.array(
        [
            row[by[np.searchsorted(sums, middles * sums[-1])]]
            for row, by, sums in zip(curves, order, running, strict=True)
        ]
    )
    apart = (curves[:, None, :] - shown[:, :, None]) / posterior.reading_sd
    weighed = weights * exp(-0.5 * apart * apart)
    counted = np.array(
        [[np.bincount(events, weights=row, minlength=posterior.events.size) for row in rows] for rows in weighed]
    )
    losses = least_loss(counted / np.cumsum(counted, axis=2)[:, :, -1:]).tolist()
    return {place: fsum(each) / _OUTCOMES for place, each in zip(places, losses, strict=True)}
