"""What can be worked out once for all limbs with the same steps and the same noise?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi, sqrt

import numpy as np

from ebbmark.physiology.closing.curves import CurvePrior, Floats, Integers, curve_prior

__all__ = ["FEWEST_FOR_TWO_SPOILED", "Axes", "Pairs", "Table", "axes_of", "pairs_of", "table_of"]

FEWEST_FOR_TWO_SPOILED = 6
"""Below this many steps only one step can be spoiled."""

_MOST_FOR_ALL_PAIRS = 16


@dataclass(frozen=True, slots=True)
class Axes:
    """The components, scaled by the noise pattern and turned into the axes of their covariances.

    In these axes signal and noise are both diagonal, whatever the size of the noise.

    Attributes:
        prior: of the curves.
        scale: square root of the noise pattern [steps].
        axes, turned, squares: axes of each component, as columns, as rows, squared [components x steps x steps].
        signal: variance along each axis [components x steps].
    """

    prior: CurvePrior
    scale: Floats
    axes: Floats
    turned: Floats
    squares: Floats
    signal: Floats


@dataclass(frozen=True, slots=True)
class Pairs:
    """Pairs of steps that may be spoiled together, and how the evidence changes without them.

    Attributes:
        first, second: the steps of each pair [pairs].
        cross: entry of the inverse covariance [components x pairs x sizes].
        factors: of the evidence, before the residuals are seen [components x pairs x sizes].
        first_square, second_square, product: coefficients of the quadratic form by which the evidence changes
            [components x pairs x sizes].
    """

    first: Integers
    second: Integers
    cross: Floats
    factors: Floats
    first_square: Floats
    second_square: Floats
    product: Floats


@dataclass(frozen=True, slots=True)
class Table:
    """All of the evidence that follows from steps and noise alone.

    Attributes:
        inverse: 1 / (signal + noise) along the axes [components x steps x sizes].
        own: entries of the inverse covariance, of steps [components x steps x sizes].
        log_norm: logarithm of the prior times the normalising constant [components x sizes].
        factors: factors of the evidence where a step is left out, before its residual is seen
            [components x steps x sizes].
        pairs: all pairs of steps; none where the limb is too short for two spoiled steps, or so long that only
            the most suspect ones are looked at.
    """

    inverse: Floats
    own: Floats
    log_norm: Floats
    factors: Floats
    pairs: Pairs


@lru_cache(maxsize=32)
def axes_of(peeps_cmh2o: tuple[float, ...], pattern: tuple[float, ...]) -> Axes:
    """Turn the components of the prior into their axes.

    Args:
        peeps_cmh2o: strictly falling.
        pattern: relative variance of the noise of each step [steps].

    Source: eigenvectors of a covariance, textbook.
    """
    prior = curve_prior(peeps_cmh2o)
    scale = np.sqrt(np.array(pattern))
    signal, axes = np.linalg.eigh(prior.covariances / (scale[:, None] * scale))
    turned = np.ascontiguousarray(axes.transpose(0, 2, 1))
    return Axes(prior, scale, axes, turned, axes**2, np.maximum(signal, 0.0))


@lru_cache(maxsize=32)
def table_of(peeps_cmh2o: tuple[float, ...], noise: tuple[tuple[float, ...], tuple[float, ...]]) -> Table:
    """Work out what does not depend on the readings themselves.

    Args:
        peeps_cmh2o: strictly falling.
        noise: `Noise.key`.

    Source: leave-one-out identities of the Gaussian, textbook.
    """
    pattern, variances = noise
    frame = axes_of(peeps_cmh2o, pattern)
    inverse = 1.0 / (frame.signal[:, :, None] + np.array(variances))
    own = frame.squares @ inverse
    steps = frame.scale.size
    listed = np.arange(steps if FEWEST_FOR_TWO_SPOILED <= steps <= _MOST_FOR_ALL_PAIRS else 0)
    return Table(
        inverse=inverse,
        own=own,
        log_norm=0.5 * np.log(inverse).sum(axis=1) + np.log(frame.prior.weights)[:, None],
        factors=sqrt(2.0 * pi) * frame.scale[:, None] / np.sqrt(own),
        pairs=pairs_of(frame, inverse, own, listed),
    )


def pairs_of(frame: Axes, inverse: Floats, own: Floats, steps: Integers) -> Pairs:
    """Work out all pairs of some steps.

    Args:
        frame: the axes.
        inverse: as in `Table`.
        own: as in `Table`.
        steps: which, rising.

    Source: leave-two-out identities of the Gaussian, textbook.
    """
    one, other = np.triu_indices(steps.size, 1)
    first, second = steps[one], steps[other]
    cross = (frame.axes[:, first, :] * frame.axes[:, second, :]) @ inverse
    own_a, own_b = own.take(first, axis=1), own.take(second, axis=1)
    determinant = own_a * own_b - cross**2
    width = (2.0 * pi * frame.scale[first] * frame.scale[second])[:, None]
    return Pairs(
        first=first,
        second=second,
        cross=cross,
        factors=width / np.sqrt(determinant),
        first_square=0.5 * own_b / determinant,
        second_square=0.5 * own_a / determinant,
        product=cross / determinant,
    )
