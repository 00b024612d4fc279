"""Exponential, logarithm, sums and Cholesky factors that have the same bits on every machine.

The C library and numpy's vector units may differ in the last bit from one machine to another. These functions use only
operations that IEEE 754 rounds exactly (+, -, *, /, square root, scaling by powers of two), in a fixed order;
libraries of linear algebra, which choose their order by the processor, are not used.
"""

from __future__ import annotations

from functools import lru_cache
from math import factorial
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
"""ln 2 in two parts; the first has zeros at its end, so that small multiples of it are exact (fdlibm)."""

_PER_LN2 = 1.4426950408889634
_LARGEST = 700.0
_ROOT_HALF = 0.7071067811865476
_EXP_SERIES = tuple(1.0 / factorial(power) for power in range(13, -1, -1))
_LOG_SERIES = tuple(1.0 / (2 * power + 1) for power in range(10, -1, -1))
_DECIMALS = 9


def exp(x: Floats) -> Floats:
    """Compute the exponential, to a few units in the last place; exponents are held to -700 to 700.

    Source: Taylor series after reduction by multiples of ln 2, textbook.
    """
    x = np.minimum(np.maximum(x, -_LARGEST), _LARGEST)
    halvings = np.rint(x * _PER_LN2)
    rest = (x - halvings * _LN2_HIGH) - halvings * _LN2_LOW
    result: Floats = np.ldexp(_series(_EXP_SERIES, rest), halvings.astype(np.int32))
    return result


def log(x: Floats) -> Floats:
    """Compute the natural logarithm of positive numbers, to a few units in the last place.

    Source: series of the inverse hyperbolic tangent after reduction by powers of two, textbook.
    """
    part, power = np.frexp(x)
    low = part < _ROOT_HALF
    part, powers = part * (1.0 + low), power - 1.0 * low
    ratio = (part - 1.0) / (part + 1.0)
    series = _series(_LOG_SERIES, ratio * ratio)
    result: Floats = powers * _LN2_HIGH + (2.0 * ratio * series + powers * _LN2_LOW)
    return result


def _series(coefficients: tuple[float, ...], x: Floats) -> Floats:
    """Evaluate a polynomial by Horner's scheme, the coefficient of the highest power first."""
    result: Floats = x * coefficients[0]
    for coefficient in coefficients[1:-1]:
        result += coefficient
        result *= x
    result += coefficients[-1]
    return result


def total(terms: Floats) -> Floats:
    """Add up along the first axis, row after row.

    numpy's sums along the last axis are grouped; along the first one of several axes each row is added in turn.
    """
    result: Floats = np.add.reduce(terms, axis=0)
    return result


def times(matrices: Floats, columns: Floats) -> Floats:
    """Multiply matrices [... x rows x inner] by one matrix [inner x columns], term after term."""
    result: Floats = matrices[..., :1] * columns[0]
    for inner in range(1, columns.shape[0]):
        result += matrices[..., inner : inner + 1] * columns[inner]
    return result


def cholesky(matrices: Floats) -> Floats:
    """Find the lower roots of positive definite matrices [... x steps x steps].

    Source: textbook, column after column.
    """
    rest = matrices.copy()
    roots = np.zeros_like(rest)
    for column in range(rest.shape[-1]):
        root = rest[..., column:, column] / np.sqrt(rest[..., column : column + 1, column])
        roots[..., column:, column] = root
        rest[..., column:, column:] -= root[..., :, None] * root[..., None, :]
    return roots


def inverse_of_root(roots: Floats) -> Floats:
    """Invert lower triangular matrices [... x steps x steps]. Source: forward substitution, textbook."""
    steps = roots.shape[-1]
    inverse = np.zeros_like(roots)
    for row in range(steps):
        inverse[..., row, row] = 1.0
        for column in range(row):
            inverse[..., row, : column + 1] -= roots[..., row, column, None] * inverse[..., column, : column + 1]
        inverse[..., row, : row + 1] /= roots[..., row, row, None]
    return inverse


@lru_cache(maxsize=64)
def normal_points(count: int, dimensions: int) -> Floats:
    """Spread points evenly under the standard normal density, without chance.

    Returns:
        [dimensions x count], of mean 0 and standard deviation 1 along each dimension, rounded to 9 decimals; the array
        is shared and must not be changed.

    Source: additive recurrence on powers of the generalised golden ratio (from memory), each coordinate taken
    through the normal quantile.
    """
    ratio = _generalised_golden_ratio(dimensions)
    step, steps = 1.0, []
    for _ in range(dimensions):
        step /= ratio
        steps.append(step)
    even = (0.5 + np.arange(1.0, count + 1.0) * np.array(steps)[:, None]) % 1.0
    quantile = NormalDist().inv_cdf
    points = np.array([[quantile(min(max(share, 1e-9), 1.0 - 1e-9)) for share in row] for row in even.tolist()])
    points -= total(points.T)[:, None] / count
    points /= np.sqrt(total((points * points).T)[:, None] / count)
    points = np.round(points, _DECIMALS)
    points.setflags(write=False)
    return points


def _generalised_golden_ratio(dimensions: int) -> float:
    """Root of x^(d + 1) = x + 1 above 1, by halving."""
    low, high = 1.0, 2.0
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        power = middle
        for _ in range(dimensions):
            power *= middle
        low, high = (low, middle) if power > middle + 1.0 else (middle, high)
