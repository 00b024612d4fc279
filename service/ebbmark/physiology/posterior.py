"""How probable is it, given noisy readings, that the lung closed at each of the steps?

See `closing` for the statement of the model. This module weighs every hypothesis (a component of the prior of the
curve, a size of the noise, and which steps, none to two, are spoiled) by its exact Gaussian evidence, and then
counts the closing events of curves laid evenly through the posterior.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import pi, sqrt

import numpy as np

from ebbmark.physiology.curves import (
    CurvePrior,
    Floats,
    Integers,
    closing_events,
    curve_prior,
    event_factors,
    normal_points,
)
from ebbmark.physiology.noise import Noise, StepCentres

__all__ = ["POINTS", "Hypotheses", "Posterior", "lay_curves", "weigh_hypotheses"]

POINTS = 512
"""Curves laid through the posterior."""

_SPOILED = 0.03
_SPOILED_DENSITY = 1.0
_FEWEST_STEPS_FOR_TWO_SPOILED = 6


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """Every hypothesis with its weight.

    Steps are scaled by the noise pattern, and each component is turned into the axes of its covariance, in which
    signal and noise are both diagonal.

    Attributes:
        weights: unnormalised [components x sets of spoiled steps x sizes].
        projected: residual in the axes [components x steps].
        inverse: 1 / (signal + noise) in the axes [components x steps x sizes].
        pull: inverse covariance times residual [components x steps x sizes].
        own: diagonal of the inverse covariance [components x steps x sizes].
        cross: its entries at the pairs [components x pairs x sizes].
    """

    weights: Floats
    projected: Floats
    inverse: Floats
    pull: Floats
    own: Floats
    cross: Floats


@dataclass(frozen=True, slots=True)
class Posterior:
    """Curves laid evenly through the posterior.

    Attributes:
        events: probability of each event, by number [steps].
        curves: logarithm of compliance [curves x steps].
        weights: of the curves, sum 1 [curves].
        curve_events: event of each curve [curves].
        centres: the robust centres that the curves were laid through [steps].
    """

    events: Floats
    curves: Floats
    weights: Floats
    curve_events: Integers
    centres: Floats


@dataclass(frozen=True, slots=True)
class _Axes:
    prior: CurvePrior
    scale: Floats
    log_weights: Floats
    axes: Floats
    turned: Floats
    squares: Floats
    products: Floats
    signal: Floats
    first: Integers
    second: Integers


@lru_cache(maxsize=64)
def _axes_of(peeps_cmh2o: tuple[float, ...], pattern: tuple[float, ...]) -> _Axes:
    prior = curve_prior(peeps_cmh2o)
    scale = np.sqrt(np.array(pattern))
    signal, axes = np.linalg.eigh(prior.covariances / (scale[:, None] * scale))
    first, second = np.triu_indices(scale.size if scale.size >= _FEWEST_STEPS_FOR_TWO_SPOILED else 0, 1)
    return _Axes(
        prior,
        scale,
        np.log(prior.weights),
        axes,
        np.ascontiguousarray(axes.transpose(0, 2, 1)),
        axes**2,
        axes[:, first, :] * axes[:, second, :],
        np.maximum(signal, 0.0),
        first,
        second,
    )


def weigh_hypotheses(peeps_cmh2o: tuple[float, ...], data: StepCentres, noise: Noise) -> Hypotheses:
    """Weigh every component, size of noise and set of spoiled steps by its evidence.

    The evidence without a step follows from that with it by dividing by the step's predictive density.

    Source: Gaussian conditioning and leave-one-out identities, textbook.
    """
    table = _axes_of(peeps_cmh2o, noise.pattern)
    residual = (_centred(data) - table.prior.means) / table.scale
    projected = table.turned @ residual[:, :, None]
    inverse = 1.0 / (table.signal[:, :, None] + noise.variances)
    square = (projected * projected * inverse).sum(axis=1)
    pull = table.axes @ (inverse * projected)
    own = table.squares @ inverse
    cross = table.products @ inverse

    none = 0.5 * (np.log(inverse).sum(axis=1) - square) + table.log_weights[:, None] + noise.log_weights
    odds = (_SPOILED / (1.0 - _SPOILED) * _SPOILED_DENSITY * sqrt(2.0 * pi) * table.scale)[:, None]
    first, second = table.first, table.second
    one, two = 1, 1 + table.scale.size
    weights = np.empty((none.shape[0], two + first.size, none.shape[1]))
    weights[:, 0] = 0.0
    factors = np.ones_like(weights)
    weights[:, one:two] = 0.5 * pull * pull / own
    factors[:, one:two] = odds / np.sqrt(own)
    if first.size:
        a, b = pull.take(first, axis=1), pull.take(second, axis=1)
        own_a, own_b = own.take(first, axis=1), own.take(second, axis=1)
        determinant = own_a * own_b
        determinant -= np.square(cross)
        # In place, as these are the largest arrays: (a a own_b - 2 a b cross + b b own_a) / (2 determinant).
        own_b *= np.square(a)
        own_a *= np.square(b)
        own_b += own_a
        a *= b
        a *= cross
        own_b *= 0.5
        own_b -= a
        np.divide(own_b, determinant, out=weights[:, two:])
        np.sqrt(determinant, out=determinant)
        np.divide(odds[first] * odds[second], determinant, out=factors[:, two:])
    weights += none[:, None, :]
    weights -= weights.max()
    np.exp(weights, out=weights)
    weights *= factors
    return Hypotheses(weights, projected[:, :, 0], inverse, pull, own, cross)


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

    Source: Gaussian conditioning, textbook.
    """
    table = _axes_of(peeps_cmh2o, noise.pattern)
    steps = table.scale.size
    component, chosen, size = _allot(hypotheses.weights)
    points = normal_points(POINTS, steps + 2)
    inverse = hypotheses.inverse[component, :, size]
    projected = hypotheses.projected[component]
    projected = projected + _replacements(table, hypotheses, component, size, chosen, points[:, :2])
    signal, variance = table.signal[component], noise.variances[size][:, None]
    turned = signal * inverse * projected + np.sqrt(signal * variance * inverse) * points[:, 2:]
    curves = np.empty((POINTS, steps))
    bounds = np.flatnonzero(np.diff(component, prepend=-1, append=-1)).tolist()
    for start, end in pairwise(bounds):
        curves[start:end] = turned[start:end] @ table.turned[component[start]]
    curves = curves * table.scale + table.prior.means[component]
    turns = np.arange(POINTS) % len(falls)
    events = closing_events(curves, np.array(falls)[turns][:, None])
    weights = np.array([event_factors(peeps_cmh2o, fall) for fall in falls])[turns, events]
    weights = weights / weights.sum()
    share: Floats = np.bincount(events, weights=weights, minlength=steps).astype(np.float64)
    return Posterior(share, curves + _middle(data), weights, events, data.centres)


def _middle(data: StepCentres) -> float:
    return float(np.median(data.centres))


def _centred(data: StepCentres) -> Floats:
    return data.centres - _middle(data)


def _allot(weights: Floats) -> tuple[Integers, Integers, Integers]:
    running = np.cumsum(weights)
    wanted = (np.arange(POINTS) + 0.5) * (running[-1] / POINTS)
    component, chosen, size = np.unravel_index(np.searchsorted(running, wanted), weights.shape)
    return component, chosen, size


def _replacements(
    table: _Axes,
    hypotheses: Hypotheses,
    component: Integers,
    size: Integers,
    chosen: Integers,
    points: Floats,
) -> Floats:
    """Change of the residual, in the axes, where spoiled steps are replaced by values that the others predict."""
    steps = table.scale.size
    change = np.zeros((POINTS, steps))
    some = np.flatnonzero(chosen)
    if some.size == 0:
        return change
    q, s, h = component[some], size[some], chosen[some] - 1
    both = h >= steps
    pair = np.maximum(h - steps, 0)
    first = np.where(both, table.first[pair], h) if table.first.size else h
    last = np.where(both, table.second[pair], 0) if table.first.size else np.zeros_like(h)
    a, pull_a = hypotheses.own[q, first, s], hypotheses.pull[q, first, s]
    d = np.where(both, hypotheses.own[q, last, s], 1.0)
    pull_d = np.where(both, hypotheses.pull[q, last, s], 0.0)
    b = np.where(both, hypotheses.cross[q, pair, s], 0.0) if table.first.size else np.zeros_like(a)
    determinant = a * d - b * b
    # Covariance of the two replaced values: the inverse of [[a, b], [b, d]], through its lower root.
    root = np.sqrt(d / determinant)
    delta_a = -(d * pull_a - b * pull_d) / determinant + root * points[some, 0]
    delta_d = -(a * pull_d - b * pull_a) / determinant - (b / determinant / root) * points[some, 0]
    delta_d = np.where(both, delta_d + np.sqrt(1.0 / d) * points[some, 1], 0.0)
    change[some] = delta_a[:, None] * table.axes[q, first] + delta_d[:, None] * table.axes[q, last]
    return change
