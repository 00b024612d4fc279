"""What can be worked out once for all limbs with the same steps and the same noise?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi, sqrt

import numpy as np

from ebbmark.physiology.closing.curves import CurvePrior, Floats, Integers, curve_prior

__all__ = ["Axes", "Table", "axes_of", "table_of"]

_STEPS_FOR_TWO_SPOILED = range(6, 17)


@dataclass(frozen=True, slots=True)
class Axes:
    """The components, scaled by the noise pattern and turned into the axes of their covariances.

    In these axes signal and noise are both diagonal, whatever the size of the noise.

    Attributes:
        prior: of the curves.
        scale: square root of the noise pattern [steps].
        axes, turned, squares: axes of each component, as columns, as rows, squared [components x steps x steps].
        products: products of the axes at pairs of steps [components x pairs x steps].
        signal: variance along each axis [components x steps].
        first, second: the steps of each pair; none where the limb is too short for two spoiled steps [pairs].
    """

    prior: CurvePrior
    scale: Floats
    axes: Floats
    turned: Floats
    squares: Floats
    products: Floats
    signal: Floats
    first: Integers
    second: Integers


@dataclass(frozen=True, slots=True)
class Table:
    """All of the evidence that follows from steps and noise alone.

    Attributes:
        inverse: 1 / (signal + noise) along the axes [components x steps x sizes].
        own, cross: entries of the inverse covariance, of steps and of pairs [components x steps or pairs x sizes].
        log_norm: logarithm of the prior times the normalising constant [components x sizes].
        factors: factors of the evidence where a set of steps is left out, before their residuals are seen
            [components x sets x sizes].
        first_square, second_square, product: coefficients of the quadratic form by which the evidence changes
            without a pair of steps [components x pairs x sizes].
    """

    inverse: Floats
    own: Floats
    cross: Floats
    log_norm: Floats
    factors: Floats
    first_square: Floats
    second_square: Floats
    product: Floats


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
    first, second = np.triu_indices(scale.size if scale.size in _STEPS_FOR_TWO_SPOILED else 0, 1)
    turned = np.ascontiguousarray(axes.transpose(0, 2, 1))
    products = axes[:, first, :] * axes[:, second, :]
    return Axes(prior, scale, axes, turned, axes**2, products, np.maximum(signal, 0.0), first, second)


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
    own, cross = frame.squares @ inverse, frame.products @ inverse
    own_a, own_b = own.take(frame.first, axis=1), own.take(frame.second, axis=1)
    determinant = own_a * own_b - cross**2
    width = sqrt(2.0 * pi) * frame.scale[:, None]
    none = np.ones((own.shape[0], 1, own.shape[2]))
    pairs = width[frame.first] * width[frame.second] / np.sqrt(determinant)
    return Table(
        inverse=inverse,
        own=own,
        cross=cross,
        log_norm=0.5 * np.log(inverse).sum(axis=1) + np.log(frame.prior.weights)[:, None],
        factors=np.concatenate([none, width / np.sqrt(own), pairs], axis=1),
        first_square=0.5 * own_b / determinant,
        second_square=0.5 * own_a / determinant,
        product=cross / determinant,
    )
