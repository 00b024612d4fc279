"""The fast posterior against the same posterior written down slowly and obviously, from dense matrices.

The slow one builds, for each hypothesis, the covariance of the readings that are not spoiled, asks scipy for their
density, conditions the curve on them by solving linear equations, and walks along each curve for its closing step.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import cauchy, multivariate_normal

from ebbmark.physiology.closing.arithmetic import Floats
from ebbmark.physiology.closing.estimator import closing_posterior
from ebbmark.physiology.closing.model import (
    DROP_MEAN,
    DROP_SD,
    NoiseSizes,
    StepCentres,
    curve_prior,
    event_factors,
    event_prior,
    log_spoiled_odds,
    noise_of,
    step_centres,
)
from ebbmark.physiology.closing.posterior import Hypotheses, weigh_hypotheses
from ebbmark.physiology.closing.result import CurveStep

FALL = 0.05
PEEPS = (20.0, 18.0, 15.5, 13.0, 11.0, 9.0, 7.0)
SHORT = PEEPS[1:6]

SINGLE = ((31.0,), (32.4,), (33.1,), (33.5,), (31.0,), (27.9,), (26.0,))
SEVERAL = tuple(tuple(value * f for f in (0.99, 1.02, 1.0)) for (value,) in SINGLE)
UNEQUAL = tuple(step[: 1 + place % 3] for place, step in enumerate(SEVERAL))
SPOILED_STEP = (*SINGLE[:2], (22.0,), *SINGLE[3:])
READINGS = {
    "single": (PEEPS, SINGLE, 0.0),
    "several": (PEEPS, SEVERAL, 0.0),
    "unequal": (PEEPS, UNEQUAL, 0.0),
    "rounded": (PEEPS, UNEQUAL, 0.02),
    "spoiled": (PEEPS, SPOILED_STEP, 0.0),
    "short": (SHORT, SINGLE[1:6], 0.0),
}


def prepared(name: str) -> tuple[tuple[float, ...], StepCentres, NoiseSizes]:
    peeps, readings, resolution = READINGS[name]
    data = step_centres(readings)
    return peeps, data, noise_of(data, tuple(map(len, readings)), (resolution,) * len(peeps))


def spoiled_sets(steps: int) -> Iterator[tuple[int, ...]]:
    """No step, each step, and, from six steps on, each pair of steps."""
    for many in range(3 if steps >= 6 else 2):
        yield from combinations(range(steps), many)


def slow_log_odds(data: StepCentres) -> list[float]:
    """Of each step being spoiled, times the density of what it then reads; these readings all agree."""
    odds = []
    for k, centre in enumerate(data.centres.tolist()):
        if data.freedom and data.counts[k] > 1:
            first = min(max(k - 2, 0), max(len(data.centres) - 5, 0))
            around = [float(data.centres[j]) for j in range(first, first + 5) if j != k]
            odds.append(math.log(0.001 / 0.999) + float(cauchy(float(np.median(around)), 0.10).logpdf(centre)))
        else:
            odds.append(math.log(0.03 / 0.97))
    return odds


def components(peeps: tuple[float, ...]) -> Iterator[tuple[float, Floats, Floats]]:
    """Each regime with each shape of the rapid fall: share, mean and covariance, written out."""
    prior = curve_prior(peeps)
    for shares, mean, smooth in zip(prior.weights, prior.means, prior.smooth, strict=True):
        for share, shape in zip(shares.tolist(), prior.shapes, strict=True):
            yield share, mean + DROP_MEAN * shape, smooth + DROP_SD**2 * np.outer(shape, shape)


def looked_at(found: Hypotheses, steps: int) -> list[tuple[int, ...]]:
    pairs = zip(found.pairs.first.tolist(), found.pairs.second.tolist(), strict=True)
    return [(), *((k,) for k in range(steps)), *pairs]


def by_set(found: Hypotheses, noise: NoiseSizes, peeps: tuple[float, ...], sets: Sequence[tuple[int, ...]]) -> Floats:
    """The weights that were found, in the order of the slow ones; what was left out weighs nothing."""
    prior = curve_prior(peeps)
    dense = np.zeros((*prior.weights.shape, len(sets), len(noise.variances)))
    places = np.array([sets.index(name) for name in looked_at(found, len(peeps))])
    dense[found.regimes, found.shapes, places[found.sets], found.sizes] = found.weights
    return np.asarray(dense.ravel() / dense.sum(), dtype=np.float64)


def slow_weights(
    peeps: tuple[float, ...], data: StepCentres, noise: NoiseSizes, sets: Sequence[tuple[int, ...]] | None = None
) -> Floats:
    log_odds = slow_log_odds(data)
    z = data.centres - np.median(data.centres)
    weights = []
    for share, mean, covariance in components(peeps):
        for spoiled in sets or spoiled_sets(len(peeps)):
            for variances, log_weight in zip(noise.variances, noise.log_weights, strict=True):
                kept = [k for k in range(len(peeps)) if k not in spoiled]
                total = covariance + np.diag(variances)
                density = multivariate_normal(mean[kept], total[np.ix_(kept, kept)]).logpdf(z[kept])
                odds = sum(log_odds[k] for k in spoiled)
                weights.append(math.log(share) + log_weight + odds + float(density))
    raw = np.exp(np.array(weights) - max(weights))
    return np.asarray(raw / raw.sum(), dtype=np.float64)


def slow_step(curve: Sequence[float]) -> int:
    """Walk along one curve of compliance; 0 where it does not close."""
    for k in range(1, len(curve)):
        limit = (1.0 - FALL) * max(curve[:k])
        if curve[k] <= limit and (k + 1 == len(curve) or curve[k + 1] <= (1.0 - FALL) * max(curve[: k + 1])):
            return k
    return 0


def slow_events(peeps: tuple[float, ...], data: StepCentres, noise: NoiseSizes, draws: int) -> Floats:
    """Draw curves at random, with numpy's generator, and count their closing steps."""
    listed = list(components(peeps))
    factors = event_factors(peeps, FALL)
    rng = np.random.default_rng(7)
    z = data.centres - np.median(data.centres)
    weights = slow_weights(peeps, data, noise).reshape(
        len(listed), len(list(spoiled_sets(len(peeps)))), len(noise.variances)
    )
    counts = np.zeros(len(peeps))
    for component, spoiled_at, size in np.argwhere(weights > 1e-5):
        spoiled = list(spoiled_sets(len(peeps)))[spoiled_at]
        kept = [k for k in range(len(peeps)) if k not in spoiled]
        _, mean, signal = listed[component]
        total = signal + np.diag(noise.variances[size])
        gain = np.linalg.solve(total[np.ix_(kept, kept)], signal[kept]).T
        centre = mean + gain @ (z[kept] - mean[kept])
        spread = signal - gain @ signal[kept]
        share = float(weights[component, spoiled_at, size])
        many = max(round(draws * share), 4)
        curves = rng.multivariate_normal(centre, spread, many, method="eigh")
        for curve in np.exp(curves).tolist():
            step = slow_step(curve)
            counts[step] += share / many * factors[step]
    return np.asarray(counts / counts.sum(), dtype=np.float64)


@pytest.mark.parametrize("name", READINGS)
def test_every_hypothesis_weighs_what_dense_matrices_say(name: str) -> None:
    peeps, data, noise = prepared(name)

    log_odds = log_spoiled_odds(data, [None] * len(peeps))

    found = weigh_hypotheses(peeps, data, noise, log_odds)

    sets = looked_at(found, len(peeps))
    fast = by_set(found, noise, peeps, sets)
    assert np.abs(fast - slow_weights(peeps, data, noise, sets)).max() < 1e-6


@pytest.mark.parametrize("name", READINGS)
def test_the_pairs_that_are_not_looked_at_weigh_less_than_one_in_a_hundred(name: str) -> None:
    peeps, data, noise = prepared(name)
    every = list(spoiled_sets(len(peeps)))
    slow = slow_weights(peeps, data, noise).reshape(-1, len(every), len(noise.variances)).sum(axis=(0, 2))

    seen = looked_at(weigh_hypotheses(peeps, data, noise, log_spoiled_odds(data, [None] * len(peeps))), len(peeps))

    assert sum(float(weight) for name, weight in zip(every, slow, strict=True) if name not in seen) < 0.01


def test_in_a_long_limb_the_pairs_looked_at_hold_the_spoiled_steps_and_weigh_what_dense_matrices_say() -> None:
    peeps = tuple(25.0 - k for k in range(17))
    values = [34.0 + 0.3 * min(k, 10) - 1.5 * max(k - 10, 0) for k in range(17)]
    values[4], values[8] = 26.0, 24.0
    data = step_centres(tuple((value,) for value in values))
    noise = noise_of(data, (1,) * 17, (0.0,) * 17)

    found = weigh_hypotheses(peeps, data, noise, log_spoiled_odds(data, [None] * 17))

    sets = looked_at(found, 17)
    assert (4, 8) in sets
    fast = by_set(found, noise, peeps, sets)
    assert np.abs(fast - slow_weights(peeps, data, noise, sets)).max() < 1e-6


@pytest.mark.parametrize("name", READINGS)
def test_even_curves_give_the_probabilities_that_many_random_ones_give(name: str) -> None:
    peeps, data, noise = prepared(name)
    _, readings, resolution = READINGS[name]
    steps = [CurveStep(p, r, resolution) for p, r in zip(peeps, readings, strict=True)]

    fast = closing_posterior(steps, fall=FALL).events

    assert np.abs(fast - slow_events(peeps, data, noise, draws=6000)).max() < 0.03


def test_before_any_reading_the_events_have_the_probabilities_chosen_for_them() -> None:
    factors = event_factors(PEEPS, FALL)
    rng = np.random.default_rng(3)
    counts = np.zeros(len(PEEPS))
    for share, mean, covariance in components(PEEPS):
        for curve in np.exp(rng.multivariate_normal(mean, covariance, 400, method="eigh")).tolist():
            step = slow_step(curve)
            counts[step] += share / 400 * factors[step]

    assert counts / counts.sum() == pytest.approx(event_prior(len(PEEPS)), abs=0.03)
