"""What can be worked out once for all limbs that have the same steps and the same sizes of noise.

For a regime g, a size s of the noise and a shape k of the rapid fall, the readings have the covariance

    C = A[g, s] + DROP_SD^2 d[k] d[k]^T        with A[g, s] = smooth[g] + noise[s],

so that one Cholesky factor for each regime and size serves all shapes (Sherman and Morrison's formula for the inverse
of a matrix changed by one product, textbook).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ebbmark.physiology.closing.arithmetic import Floats, cholesky, inverse_of_root, log, total
from ebbmark.physiology.closing.curves import DROP_SD, CurvePrior, curve_prior

__all__ = ["Table", "table_of"]


@dataclass(frozen=True, slots=True)
class Table:
    """All of the evidence that follows from steps and noise alone.

    Attributes:
        prior: of the curves.
        noise: variance of the noise of each step [steps x sizes].
        inverse: of A [steps x steps x regimes x sizes].
        roots: lower root of the covariance of the smooth part, given readings at all steps
            [regimes x sizes x steps x steps].
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


_TWO_PI = 6.283185307179586


@lru_cache(maxsize=32)
def table_of(peeps_cmh2o: tuple[float, ...], noise: tuple[tuple[float, ...], ...]) -> Table:
    """Work out what does not depend on the readings themselves.

    Args:
        peeps_cmh2o: strictly falling.
        noise: `Noise.variances`: of each size, the variance of each step.

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
    return Table(
        prior=prior,
        noise=np.ascontiguousarray(variances.T),
        inverse=inverse,
        roots=cholesky(_given_readings(inverse, variances)),
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


_JITTER = 1e-9
"""Variance added to the root, so that rounding cannot make it fail."""
