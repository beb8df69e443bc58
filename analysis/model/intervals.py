"""How far an estimate may be off: from the fit's curvature, plus what the model does not know.

The curvature alone covers two thirds of what 95 % should: the error is mostly the model's, the same in every cycle,
so that no resampling of cycles can see it. A floor in quadrature and a term for cylinders between dead and healthy
make up for it; their sizes are calibrated on simulated engines.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

CURVATURE_TIMES = 2.5  # the fit's own sigma is too small by about this
FLOOR_PERCENT = 0.8  # what the model leaves even where the fit is sure
MIDDLE_SHARE = 0.04  # of the distance to 0 or 100: how a leak shapes a hump is not known exactly
MISFIT_PERCENT = 38.0  # for each unit of the root of the unexplained share: an engine unlike the model
RIVAL_COST = 1.0  # a rival kind of fault that costs so much more counts for a third
CORRELATED_HUMP = 1.0 / 8.0  # residuals are alike over about this share of a hump
NORMAL_95 = 1.96
HEALTHY_PERCENT = 85.0  # of the largest estimate: cylinders that may be the strongest
HEALTHY_SPREAD = 2.0  # percent: how far healthy cylinders of one engine differ in truth
EXPECTED_MAXIMUM = (0.0, 0.0, 0.564, 0.846, 1.029, 1.163, 1.267, 1.352, 1.424, 1.485, 1.539, 1.586, 1.629)
"""Expected largest of that many normal numbers, in standard deviations."""


def covariance(jac: NDArray[np.float64], weight: NDArray[np.float64], data_cost: float,
               correlated: float) -> NDArray[np.float64]:
    """Return the covariance of the free parameters.

    Parameters
    ----------
    jac : ndarray, shape (residuals, parameters)
        Derivatives of the residuals, both in shares of the root of the total variance.
    weight : ndarray, shape (parameters,)
        Prior weights in the same units.
    data_cost
        Sum of squared residuals.
    correlated
        Samples over which residuals are alike.
    """
    normal = jac.T @ jac + np.diag(weight**2)
    if not np.isfinite(normal).all():
        return np.full_like(normal, np.inf)  # of a fit that ran away
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
    inverse = np.linalg.pinv(normal * scale[:, None] * scale[None, :], rcond=1e-12, hermitian=True)
    out: NDArray[np.float64] = inverse * scale[:, None] * scale[None, :] * (data_cost * max(correlated, 1.0) / len(jac))
    return out


def relative_sigma(amplitudes: NDArray[np.float64], cov: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the standard deviation, percent, of each amplitude as a share of the strongest.

    Parameters
    ----------
    amplitudes : ndarray, shape (n,)
        Fitted.
    cov : ndarray, shape (n, n)
        Their covariance.
    """
    k = int(np.argmax(amplitudes))
    top = float(amplitudes[k])
    slope = np.eye(len(amplitudes)) / top
    slope[:, k] -= amplitudes / top**2
    variance = np.einsum("ij,jk,ik->i", slope, cov, slope)
    out: NDArray[np.float64] = 100.0 * np.sqrt(np.maximum(variance, 0.0))
    return out


def maximum_bias(percent: NDArray[np.float64], sigma: NDArray[np.float64]) -> float:
    """Return by how many percent the largest estimate is too large for being the largest.

    Parameters
    ----------
    percent, sigma : ndarray, shape (n,)
        Estimates, the largest 100, and the curvature's standard deviations.
    """
    healthy = percent >= HEALTHY_PERCENT
    count = min(int(healthy.sum()), len(EXPECTED_MAXIMUM) - 1)
    if count < 2:
        return 0.0
    noise = float(np.median(np.sort(sigma[healthy])[1:]))
    excess = float(np.hypot(HEALTHY_SPREAD, noise)) - HEALTHY_SPREAD
    return min(EXPECTED_MAXIMUM[count] * excess, 100.0 - HEALTHY_PERCENT)


def fault_sigma(costs: NDArray[np.float64], shifts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far other kinds of fault, that explain the trace nearly as well, would move each estimate, percent.

    Parameters
    ----------
    costs : ndarray, shape (rivals,)
        Of the rivals, over that of the best.
    shifts : ndarray, shape (rivals, n)
        Their estimates less the best's, as shares of the strongest.
    """
    weight = np.exp(-(np.maximum(costs, 1.0) - 1.0) / RIVAL_COST)
    out: NDArray[np.float64] = 100.0 * np.max(weight[:, None] * np.abs(shifts), axis=0, initial=0.0)
    return out


def total_sigma(percent: NDArray[np.float64], sigma: NDArray[np.float64], unexplained: float,
                fault: NDArray[np.float64] | float = 0.0) -> NDArray[np.float64]:
    """Return the standard deviation in all, percent.

    Parameters
    ----------
    percent, sigma : ndarray, shape (n,)
        Estimates and the curvature's standard deviations.
    unexplained
        Share of the variance that the model does not explain, 0 to 1.
    fault : ndarray, shape (n,)
        From `fault_sigma`.
    """
    middle = np.clip(np.minimum(percent, 100.0 - percent), 0.0, 50.0)
    everywhere = FLOOR_PERCENT**2 + MISFIT_PERCENT**2 * unexplained
    out: NDArray[np.float64] = np.sqrt((CURVATURE_TIMES * sigma) ** 2 + (MIDDLE_SHARE * middle) ** 2 + everywhere
                                      + fault**2)
    return out


def interval(percent: NDArray[np.float64], sigma: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 95 % intervals, shape (n, 2), percent, at least 0; the upper end never below the estimate."""
    half = NORMAL_95 * sigma
    low = np.clip(percent - half, 0.0, None)
    high = np.maximum(np.minimum(percent + half, 100.0), percent)
    return np.column_stack((np.minimum(low, percent), high))
