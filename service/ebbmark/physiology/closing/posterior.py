"""How probable is it, given noisy readings, that the lung closed at each of the steps?

See `closing` for the statement of the model. This module weighs every hypothesis (a component of the prior of the
curve, a size of the noise, and which steps, none to two, are spoiled) by its exact Gaussian evidence, and then
counts the closing events of curves laid evenly through the posterior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.closing.axes import FEWEST_FOR_TWO_SPOILED, Axes, Pairs, Table, axes_of, pairs_of, table_of
from ebbmark.physiology.closing.curves import Floats, Integers, closing_events, event_factors, normal_points
from ebbmark.physiology.closing.noise import Noise, StepCentres, middle

__all__ = ["POINTS", "Hypotheses", "Posterior", "lay_curves", "weigh_hypotheses"]

POINTS = 512
"""Curves laid through the posterior."""

_SUSPECTS = 5
"""In a long limb, pairs are looked at among so many steps only: those that are likeliest to be spoiled alone."""


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """Every hypothesis with its weight.

    Attributes:
        weights: unnormalised [components x sets of spoiled steps x sizes of noise]; the sets are none, each step,
            and each pair of steps that is looked at.
        projected: residual in the axes of the component [components x steps].
        pull: inverse covariance times residual [components x steps x sizes].
        pairs: of steps that were looked at as spoiled together.
    """

    weights: Floats
    projected: Floats
    pull: Floats
    pairs: Pairs


@dataclass(frozen=True, slots=True)
class Posterior:
    """Curves laid evenly through the posterior.

    Attributes:
        events: probability of each event, by number [steps].
        curves: logarithm of compliance [curves x steps].
        weights: of the curves, sum 1 [curves].
        curve_events: event of each curve [curves].
        centres: the robust centres that the curves were laid through [steps].
        last_spoiled: probability that the last step is spoiled as a whole.
    """

    events: Floats
    curves: Floats
    weights: Floats
    curve_events: Integers
    centres: Floats
    last_spoiled: float


def weigh_hypotheses(
    peeps_cmh2o: tuple[float, ...], data: StepCentres, noise: Noise, log_spoiled: Floats
) -> Hypotheses:
    """Weigh every component, size of noise and set of spoiled steps by its evidence.

    The evidence without a step follows from that with it by dividing by the step's predictive density.

    Args:
        peeps_cmh2o: strictly falling.
        data: the condensed readings.
        noise: the sizes of the noise.
        log_spoiled: `spoiled.log_spoiled_odds` [steps].

    Source: Gaussian conditioning and leave-one-out identities, textbook.
    """
    frame, table = axes_of(peeps_cmh2o, noise.pattern), table_of(peeps_cmh2o, noise.key)
    residual = (_centred(data) - frame.prior.means) / frame.scale
    projected = frame.turned @ residual[:, :, None]
    scaled = table.inverse * projected
    pull = frame.axes @ scaled
    none = table.log_norm + noise.log_weights - 0.5 * (projected * scaled).sum(axis=1)

    steps = frame.scale.size
    single = pull * pull
    single /= table.own
    single *= 0.5
    single += none[:, None, :]
    single += log_spoiled[:, None]
    pairs = table.pairs
    if steps >= FEWEST_FOR_TWO_SPOILED and not pairs.first.size:
        suspects = np.argsort(single.max(axis=(0, 2)), kind="stable")[-_SUSPECTS:]
        pairs = pairs_of(frame, table.inverse, table.own, np.sort(suspects))
    a, b = pull.take(pairs.first, axis=1), pull.take(pairs.second, axis=1)
    # These are the largest arrays: work in place. a a first_square - a b product + b b second_square.
    double = a * pairs.first_square
    double -= b * pairs.product
    double *= a
    b *= b
    b *= pairs.second_square
    double += b
    double += none[:, None, :]
    double += (log_spoiled[pairs.first] + log_spoiled[pairs.second])[:, None]
    weights = np.concatenate([none[:, None, :], single, double], axis=1)
    weights -= weights.max()
    np.exp(weights, out=weights)
    weights[:, 1 : 1 + steps] *= table.factors
    weights[:, 1 + steps :] *= pairs.factors
    return Hypotheses(weights, projected[:, :, 0], pull, pairs)


def lay_curves(
    peeps_cmh2o: tuple[float, ...],
    data: StepCentres,
    noise: Noise,
    hypotheses: Hypotheses,
    falls: tuple[float, ...],
) -> Posterior:
    """Lay curves evenly through the posterior and count where they close.

    Hypotheses get curves in proportion to their weight. Given its hypothesis, the curve is Gaussian: its mean
    plus the root of its covariance times a fixed point; spoiled steps are first replaced by a value drawn from
    what the others predict of them. Where more than one fall is given, as many curves are judged by each.

    Args:
        peeps_cmh2o: strictly falling.
        data: the condensed readings.
        noise: the sizes of the noise.
        hypotheses: as weighed on these.
        falls: relative falls that may be the one that counts, equally probable.

    Source: Gaussian conditioning, textbook.
    """
    frame, table = axes_of(peeps_cmh2o, noise.pattern), table_of(peeps_cmh2o, noise.key)
    steps = frame.scale.size
    component, chosen, size = _allot(hypotheses.weights)
    points = normal_points(POINTS, steps + 2)
    inverse = table.inverse[component, :, size]
    projected = hypotheses.projected[component]
    projected = projected + _replacements(frame, table, hypotheses, (component, chosen, size), points[:, :2])
    signal, variance = frame.signal[component], noise.variances[size][:, None]
    turned = signal * inverse * projected + np.sqrt(signal * variance * inverse) * points[:, 2:]
    curves = (turned[:, None, :] @ frame.turned[component])[:, 0, :]
    curves *= frame.scale
    curves += frame.prior.means[component]
    turns = np.arange(POINTS) % len(falls)
    events = closing_events(curves, np.array(falls)[turns][:, None])
    weights = np.array([event_factors(peeps_cmh2o, fall) for fall in falls])[turns, events]
    weights = weights / weights.sum()
    share: Floats = np.bincount(events, weights=weights, minlength=steps).astype(np.float64)
    doubted = float(weights @ _holds_last(frame.scale.size, hypotheses.pairs, chosen))
    return Posterior(share, curves + middle(data.centres), weights, events, data.centres, doubted)


def _centred(data: StepCentres) -> Floats:
    return data.centres - middle(data.centres)


def _holds_last(steps: int, pairs: Pairs, chosen: Integers) -> NDArray[np.bool_]:
    """Whether a set of spoiled steps, by number, holds the last step."""
    sets = np.concatenate([[False], np.arange(steps) == steps - 1, pairs.second == steps - 1])
    return sets[chosen]


def _allot(weights: Floats) -> tuple[Integers, Integers, Integers]:
    running = np.cumsum(weights)
    wanted = (np.arange(POINTS) + 0.5) * (running[-1] / POINTS)
    component, chosen, size = np.unravel_index(np.searchsorted(running, wanted), weights.shape)
    return component, chosen, size


def _replacements(
    frame: Axes,
    table: Table,
    hypotheses: Hypotheses,
    allotted: tuple[Integers, Integers, Integers],
    points: Floats,
) -> Floats:
    """Change of the residual, in the axes, where spoiled steps are replaced by values that the others predict."""
    steps, pairs = frame.scale.size, hypotheses.pairs
    change = np.zeros((POINTS, steps))
    some = np.flatnonzero(allotted[1])
    if some.size == 0:
        return change
    q, h, s = (part[some] for part in allotted)
    h = h - 1
    both = h >= steps
    pair = np.maximum(h - steps, 0)
    first, last = h, np.zeros_like(h)
    b = np.zeros(some.size)
    if pairs.first.size:
        first, last = np.where(both, pairs.first[pair], h), np.where(both, pairs.second[pair], 0)
        b = np.where(both, pairs.cross[q, pair, s], 0.0)
    a, pull_a = table.own[q, first, s], hypotheses.pull[q, first, s]
    d = np.where(both, table.own[q, last, s], 1.0)
    pull_d = np.where(both, hypotheses.pull[q, last, s], 0.0)
    determinant = a * d - b * b
    # Covariance of the two replaced values: the inverse of [[a, b], [b, d]], through its lower root.
    root = np.sqrt(d / determinant)
    delta_a = -(d * pull_a - b * pull_d) / determinant + root * points[some, 0]
    delta_d = -(a * pull_d - b * pull_a) / determinant - (b / determinant / root) * points[some, 0]
    delta_d = np.where(both, delta_d + np.sqrt(1.0 / d) * points[some, 1], 0.0)
    change[some] = delta_a[:, None] * frame.axes[q, first] + delta_d[:, None] * frame.axes[q, last]
    return change
