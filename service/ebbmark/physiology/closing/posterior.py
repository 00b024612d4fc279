"""Posterior probability of each closing event, given noisy readings.

See `estimator` for the statement of the model. This module weighs every hypothesis (a regime and a rapid fall of the
prior, a size of the noise, and which steps, none to two, are spoiled) by its exact Gaussian evidence, and then counts
the closing events of curves laid evenly through the posterior.

For a regime g, a size s of the noise and a shape k of the rapid fall, the readings have the covariance

    C = A[g, s] + DROP_SD^2 d[k] d[k]^T        with A[g, s] = smooth[g] + noise[s],

so that one Cholesky factor for each regime and size serves all shapes (Sherman and Morrison's formula for the inverse
of a matrix changed by one product, textbook). What follows from steps and sizes of noise alone is worked out once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import fsum, sqrt

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.closing.arithmetic import (
    Floats,
    Integers,
    cholesky,
    exp,
    inverse_of_root,
    log,
    normal_points,
    total,
)
from ebbmark.physiology.closing.model import (
    DROP_MEAN,
    DROP_SD,
    CurvePrior,
    NoiseSizes,
    Posterior,
    StepCentres,
    closing_events,
    curve_prior,
    event_factors,
    middle,
)

POINTS = 640
"""Curves laid through the posterior."""

FEWEST_FOR_TWO_SPOILED = 6
"""Below this many steps only one step can be spoiled."""

_SUSPECTS = 6
"""Pairs are looked at among so many steps only: those that are likeliest to be spoiled alone."""

_FEWEST_FOR_SPREAD, _USUAL_READING_SD, _LEAST_READING_SD = 4, 0.03, 0.01

_TWO_PI = 6.283185307179586
_LEAST_LOG_WEIGHT = -18.0
"""Hypotheses below this, relative to the likeliest, are left out."""

_JITTER = 1e-9
"""Variance added to the root, so that rounding cannot make it fail."""


@dataclass(frozen=True, slots=True)
class Table:
    """All of the evidence that follows from steps and noise alone.

    Attributes:
        noise: variance of the noise of each step [steps x sizes].
        inverse: of A [steps x steps x regimes x sizes].
        roots: columns of the lower root of the covariance of the smooth part, given readings at all steps
            [columns x steps x regimes and sizes].
        turned: inverse of A, times the shape [steps x regimes x sizes x shapes].
        squares: shape times inverse of A times shape [regimes x sizes x shapes].
        shrunk: variance of the size of the fall, given readings at all steps [regimes x sizes x shapes].
        own: diagonal of the inverse of C [steps x regimes x sizes x shapes].
        log_norm: logarithm of the prior times the normalising constant [regimes x sizes x shapes].
        log_without: logarithm of the factor of the evidence where a step is left out, before its residual is seen
            [steps x regimes x sizes x shapes].
    """

    prior: CurvePrior
    noise: Floats
    inverse: Floats
    roots: Floats
    turned: Floats
    squares: Floats
    shrunk: Floats
    own: Floats
    log_norm: Floats
    log_without: Floats


@lru_cache(maxsize=32)
def table_of(peeps_cmh2o: tuple[float, ...], noise: tuple[tuple[float, ...], ...]) -> Table:
    """Work out what does not depend on the readings themselves.

    Args:
        noise: `NoiseSizes.variances`: of each size, the variance of each step.

    Source: Gaussian conditioning, textbook.
    """
    prior = curve_prior(peeps_cmh2o)
    steps = len(peeps_cmh2o)
    variances = np.array(noise)
    roots = cholesky(prior.smooth[:, None] + variances[:, :, None] * np.eye(steps))
    lower = np.moveaxis(inverse_of_root(roots), (2, 3), (0, 1))
    inverse = total(lower[:, :, None] * lower[:, None])
    turned = total(inverse[..., None] * prior.shapes.T[:, None, None, None, :])
    squares = total(turned * prior.shapes.T[:, None, None, :])
    shrunk = DROP_SD**2 / (1.0 + DROP_SD**2 * squares)
    own = inverse[np.arange(steps), np.arange(steps)][..., None] - shrunk * turned * turned
    # Determinant of C: that of A times 1 + DROP_SD^2 d^T A^-1 d.
    log_determinant = 2.0 * total(log(np.moveaxis(roots.diagonal(axis1=2, axis2=3), 2, 0)))
    log_determinant = log_determinant[..., None] - log(shrunk / DROP_SD**2)
    given_readings = cholesky(_given_readings(inverse, variances))
    return Table(
        prior=prior,
        noise=np.ascontiguousarray(variances.T),
        inverse=inverse,
        roots=np.ascontiguousarray(given_readings.reshape(-1, steps, steps).transpose(2, 1, 0)),
        turned=turned,
        squares=squares,
        shrunk=shrunk,
        own=own,
        log_norm=log(prior.weights)[:, None, :] - 0.5 * log_determinant,
        log_without=0.5 * log(_TWO_PI / own),
    )


def _given_readings(inverse: Floats, variances: Floats) -> Floats:
    """Covariance of the smooth part given readings: N - N A^-1 N [regimes x sizes x steps x steps]."""
    between = np.moveaxis(inverse, (0, 1), (2, 3))
    noise = variances[:, :, None] * np.eye(variances.shape[1])
    covariance: Floats = noise - variances[:, :, None] * between * variances[:, None, :]
    return covariance + _JITTER * np.eye(variances.shape[1])


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Pairs of steps that may be spoiled together.

    Attributes:
        first, second: the steps of each pair [pairs].
        cross: entry of the inverse of C at the two steps [pairs x regimes x sizes x shapes].
        determinant: of the inverse of C, at these steps alone [pairs x regimes x sizes x shapes].
    """

    first: Integers
    second: Integers
    cross: Floats
    determinant: Floats

    @classmethod
    def of(cls, table: Table, steps: Sequence[int]) -> _Pairs:
        """Work out all pairs of some steps."""
        first, second = np.array(list(combinations(steps, 2)), dtype=np.int64).reshape(-1, 2).T
        cross = table.inverse[first, second][..., None] - table.shrunk * table.turned[first] * table.turned[second]
        return cls(first, second, cross, table.own[first] * table.own[second] - cross * cross)


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """Every hypothesis that has weight, in order of regime and size of noise.

    Attributes:
        weights: not normalised [hypotheses].
        sets: number of the set of spoiled steps: 0 is none, then each step, then each of the pairs [hypotheses].
        regimes, sizes, shapes: of the curve, of the noise, of the rapid fall [hypotheses].
        pairs: the pairs of steps that were looked at.
        smooth_pull: inverse of A times residual, see `tables` [steps x regimes x sizes].
        along: shape times inverse of A times residual [regimes x sizes x shapes].
        pull: inverse of C times residual [steps x regimes x sizes x shapes].
    """

    weights: Floats
    sets: Integers
    regimes: Integers
    sizes: Integers
    shapes: Integers
    pairs: _Pairs
    smooth_pull: Floats
    along: Floats
    pull: Floats


def weigh_hypotheses(
    peeps_cmh2o: tuple[float, ...], data: StepCentres, noise: NoiseSizes, log_spoiled: Floats
) -> Hypotheses:
    """Weigh every regime, rapid fall, size of noise and set of spoiled steps by its evidence.

    The evidence without a step follows from that with it by dividing by the step's predictive density.

    Args:
        log_spoiled: `noise.log_spoiled_odds` [steps].

    Source: Gaussian conditioning and leave-one-out identities, textbook.
    """
    table = table_of(peeps_cmh2o, noise.variances)
    steps = len(peeps_cmh2o)
    residual = (data.centres - middle(data.centres) - table.prior.means).T
    smooth_pull = total(table.inverse * residual[:, None, :, None])
    along = total(table.turned * residual[:, :, None, None])
    # The residual is taken from the mean curve: the mean size of the rapid fall goes as well.
    along = along - DROP_MEAN * table.squares
    square = total(residual[:, :, None] * smooth_pull)[..., None]
    square = square - DROP_MEAN * (2.0 * along + DROP_MEAN * table.squares) - table.shrunk * along * along
    pull = smooth_pull[..., None] - table.turned * (DROP_MEAN + table.shrunk * along)
    none = table.log_norm + noise.log_weights[:, None] - 0.5 * square
    single = pull * pull
    single /= table.own
    single *= 0.5
    single += none
    single += table.log_without
    single += log_spoiled[:, None, None, None]

    likeliest = np.argsort(-single.reshape(steps, -1).max(axis=1), kind="stable")
    suspects = sorted(likeliest[: _SUSPECTS if steps >= FEWEST_FOR_TWO_SPOILED else 0].tolist())
    pairs = _Pairs.of(table, suspects)
    a, b = pull[pairs.first], pull[pairs.second]
    # a a own_b - 2 a b cross + b b own_a: these are the largest arrays, so work in place.
    double = a * table.own[pairs.second]
    double -= (2.0 * b) * pairs.cross
    double *= a
    b *= b
    b *= table.own[pairs.first]
    double += b
    double *= 0.5 / pairs.determinant
    double += none
    double += (log_spoiled[pairs.first] + log_spoiled[pairs.second])[:, None, None, None]
    logs = np.concatenate([none[None], single, double]).transpose(1, 2, 0, 3)
    in_order, likeliest_log = logs.ravel(), logs.max()
    kept = np.flatnonzero(in_order > likeliest_log + _LEAST_LOG_WEIGHT)
    regimes, sizes, sets, shapes = np.unravel_index(kept, logs.shape)
    weights = exp(in_order[kept] - likeliest_log)
    two = np.flatnonzero(sets > steps)
    weights[two] *= _TWO_PI / np.sqrt(pairs.determinant[sets[two] - 1 - steps, regimes[two], sizes[two], shapes[two]])
    return Hypotheses(weights, sets, regimes, sizes, shapes, pairs, smooth_pull, along, pull)


def lay_curves(
    peeps_cmh2o: tuple[float, ...],
    data: StepCentres,
    noise: NoiseSizes,
    hypotheses: Hypotheses,
    falls: tuple[float, ...],
) -> Posterior:
    """Lay curves evenly through the posterior and count where they close.

    Hypotheses get curves in proportion to their weight. Spoiled steps are first replaced by values drawn from what
    the others predict of them. Then the size of the rapid fall is drawn, and given that the smooth part: its mean
    plus the root of its covariance times a fixed point. Where more than one fall is given, as many curves are
    judged by each.

    Args:
        falls: relative falls that may be the one that counts, equally probable.

    Source: Gaussian conditioning, textbook.
    """
    table = table_of(peeps_cmh2o, noise.variances)
    steps = len(peeps_cmh2o)
    chosen = _allot(hypotheses.weights)
    regimes, sizes, shapes = (part[chosen] for part in (hypotheses.regimes, hypotheses.sizes, hypotheses.shapes))
    at = regimes, sizes, shapes
    # Of the last axes as one: `take` along it is several times faster than an index for each of them.
    group = regimes * table.noise.shape[1] + sizes
    kind = group * table.shrunk.shape[2] + shapes
    points = normal_points(POINTS, steps + 3)
    sets = hypotheses.sets[chosen]
    centre = middle(data.centres)
    readings = np.repeat((data.centres - centre)[:, None], POINTS, axis=1)
    pull, along = hypotheses.smooth_pull.reshape(steps, -1).take(group, axis=1), hypotheses.along.take(kind)
    for step, curves, change in _replacements(table, hypotheses, sets, at, points[:2]):
        readings[step, curves] += change
        pull[:, curves] += change * table.inverse[:, step, regimes[curves], sizes[curves]]
        along[curves] += change * table.turned[step, regimes[curves], sizes[curves], shapes[curves]]
    shrunk = table.shrunk.take(kind)
    drop = DROP_MEAN + shrunk * along + np.sqrt(shrunk) * points[2]
    pull -= drop * table.turned.reshape(steps, -1).take(kind, axis=1)
    pull *= table.noise.take(sizes, axis=1)
    laid = np.subtract(readings, pull, out=readings)
    _add_smooth_part(laid, table, group, points[3:])

    turns = np.arange(POINTS) % len(falls)
    events = closing_events(laid, _log_kept(falls)[turns])
    weights = np.array([event_factors(peeps_cmh2o, fall) for fall in falls])[turns, events]
    weights = np.asarray(weights / np.cumsum(weights)[-1], dtype=np.float64)
    share = np.bincount(events, weights=weights, minlength=steps).astype(np.float64)
    pairs = hypotheses.pairs
    holds_last = np.concatenate([[False], np.arange(steps) == steps - 1, pairs.second == steps - 1])
    doubted = fsum(weights[holds_last[sets]].tolist())
    by_fall = np.array(
        [
            np.bincount(events, weights=np.where(turns == turn, weights, 0.0), minlength=steps)
            for turn in range(len(falls))
        ]
    )
    by_fall /= np.cumsum(by_fall, axis=1)[:, -1:]
    return Posterior(
        events=share,
        curves=laid + centre,
        weights=weights,
        curve_events=events,
        centres=data.centres,
        last_spoiled=doubted,
        events_by_fall=by_fall,
        reading_sd=_reading_sd(data),
    )


@lru_cache(maxsize=32)
def _log_kept(falls: tuple[float, ...]) -> Floats:
    return log(1.0 - np.array(falls))


def _reading_sd(data: StepCentres) -> float:
    """Spread of one reading around the centre of its step; a usual one where no step has several."""
    if data.freedom < _FEWEST_FOR_SPREAD:
        return _USUAL_READING_SD
    return max(sqrt(data.within_ss / data.freedom), _LEAST_READING_SD)


def _allot(weights: Floats) -> Integers:
    """Give each curve its hypothesis, in proportion to the weights."""
    running = np.cumsum(weights)
    wanted = (np.arange(POINTS) + 0.5) * (running[-1] / POINTS)
    chosen: Integers = np.searchsorted(running, wanted)
    return chosen


def _add_smooth_part(curves: Floats, table: Table, group: Integers, points: Floats) -> None:
    """Add to each curve the root of its covariance times its point; curves of one regime and size are neighbours."""
    counts = np.bincount(group, minlength=table.roots.shape[2])
    part = table.roots[0].repeat(counts, axis=1) * points[0]
    for column in range(1, points.shape[0]):
        # A lower root: nothing of this column lies above its diagonal.
        part[column:] += table.roots[column, column:].repeat(counts, axis=1) * points[column]
    curves += part


def _replacements(
    table: Table,
    hypotheses: Hypotheses,
    sets: Integers,
    at: tuple[Integers, Integers, Integers],
    points: Floats,
) -> list[tuple[Integers, NDArray[np.intp], Floats]]:
    """For curves with spoiled steps: the step, the curves, and by how much its reading is to be changed."""
    steps = table.noise.shape[0]
    one, two = np.flatnonzero((sets > 0) & (sets <= steps)), np.flatnonzero(sets > steps)
    changes: list[tuple[Integers, NDArray[np.intp], Floats]] = []
    if one.size:
        a = sets[one] - 1
        here = (a, *(part[one] for part in at))
        own = table.own[here]
        changes.append((a, one, np.sqrt(1.0 / own) * points[0, one] - hypotheses.pull[here] / own))
    if two.size:
        pairs, number = hypotheses.pairs, sets[two] - 1 - steps
        a, b = pairs.first[number], pairs.second[number]
        where = (at[0][two], at[1][two], at[2][two])
        own_b, pull_a, pull_b = table.own[(b, *where)], hypotheses.pull[(a, *where)], hypotheses.pull[(b, *where)]
        determinant, cross = pairs.determinant[(number, *where)], pairs.cross[(number, *where)]
        # Covariance of the two values: the inverse of [[own_a, cross], [cross, own_b]], through its lower root.
        root = np.sqrt(own_b / determinant)
        first = root * points[0, two] - (own_b * pull_a - cross * pull_b) / determinant
        second = -(table.own[(a, *where)] * pull_b - cross * pull_a) / determinant
        second += np.sqrt(1.0 / own_b) * points[1, two] - cross / determinant / root * points[0, two]
        changes += [(a, two, first), (b, two, second)]
    return changes
