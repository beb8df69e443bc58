"""What a gauge says, as percent of the strongest: the bias of taking the largest reading out, and its own uncertainty.

A gauge's scale error is common to all cylinders and cancels in the ratio; what is left is how well it repeats. The
largest of several readings is more likely one that came out high, so that percents of it come out low. So the strongest
is not the largest reading but the expected largest of what the healthy cylinders truly have: their readings drawn
toward their mean as far as they scatter no more than the gauge does (empirical Bayes).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.many.precision import Z_95

if TYPE_CHECKING:
    from numpy.typing import NDArray

REPEATS = 0.02  # standard deviation of a reading, as a share of it: 4 %, 95 %; common practice, no source
LEAST_DEGREES = 3  # of freedom of repeated readings, from which on their own scatter is taken in place of `REPEATS`
HEALTHY_SHARE = 0.85  # of the largest reading: cylinders that may be the strongest
HEALTHY_SPREAD, SPREAD_WEIGHT = 0.02, 2.0  # how far healthy cylinders differ; it counts as so many degrees of freedom
GRID = 400  # steps of the integral over the largest reading
WIDE = 6.0  # standard deviations beyond the readings, where the integral begins and ends


@dataclass(frozen=True, eq=False)
class Reference:
    """Gauge readings of one engine, relative.

    Parameters
    ----------
    percent : ndarray, shape (cylinders,)
        Of the strongest, the bias of the largest reading taken out; at most 100.
    half_percent : ndarray, shape (cylinders,)
        Half of each 95 % interval.
    repeats_share
        The standard deviation of one reading that was used, as a share of it.
    """

    percent: NDArray[np.float64]
    half_percent: NDArray[np.float64]
    repeats_share: float


def reference(readings_bar: Sequence[Sequence[float]]) -> Reference:
    """Return the readings of an engine's cylinders as percent of its strongest.

    Parameters
    ----------
    readings_bar
        For each cylinder one or more gauge pressures, bar; 0 is a cylinder that moves no needle.

    Raises
    ------
    InputError
        There are fewer than two cylinders, one has no reading, or none is above zero.

    >>> found = reference([[12.0], [11.8], [6.0], [12.1]])
    >>> found.percent.round(1).tolist()
    [99.6, 97.9, 49.8, 100.0]
    """
    if len(readings_bar) < 2 or any(not len(r) for r in readings_bar):
        raise InputError("gauge readings of every cylinder are needed, of two or more; read those that are missing")
    every = [np.asarray(r, dtype=np.float64) for r in readings_bar]
    mean = np.array([float(r.mean()) for r in every])
    if not np.isfinite(mean).all() or min(float(r.min()) for r in every) < 0.0 or mean.max() <= 0.0:
        raise InputError("a gauge reading is below zero or missing, or all are zero; read again")
    share = _scatter(every, mean)
    count = np.array([len(r) for r in every], dtype=np.float64)
    top = float(mean.max())
    sigma = share * np.maximum(mean, 0.05 * top) / np.sqrt(count)  # a needle is read to a twentieth of the top at best
    healthy = mean >= HEALTHY_SHARE * top
    strongest = _strongest(mean[healthy], sigma[healthy])
    percent = np.minimum(100.0, 100.0 * mean / strongest)
    at = int(np.argmax(mean))
    half = 100.0 * Z_95 * np.hypot(sigma, percent / 100.0 * sigma[at]) / strongest
    half[at] = 100.0 * Z_95 * sigma[at] / strongest
    return Reference(percent, half, share)


def _scatter(every: Sequence[NDArray[np.float64]], mean: NDArray[np.float64]) -> float:
    """Return the relative standard deviation of one reading: from repeats, where there are enough."""
    degrees = sum(len(r) - 1 for r, m in zip(every, mean, strict=True) if m > 0.0)
    if degrees < LEAST_DEGREES:
        return REPEATS
    total = sum(float(np.sum((r / m - 1.0) ** 2)) for r, m in zip(every, mean, strict=True) if m > 0.0)
    return math.sqrt(total / degrees)


def _strongest(mean: NDArray[np.float64], sigma: NDArray[np.float64]) -> float:
    """Return what the strongest of healthy cylinders is expected to have."""
    if len(mean) < 2:
        return float(mean[0])
    centre, noise = float(mean.mean()), float(np.mean(sigma**2))
    degrees = len(mean) - 1
    own = degrees * (float(mean.var(ddof=1)) - noise) + SPREAD_WEIGHT * (HEALTHY_SPREAD * centre) ** 2
    spread = max(0.0, own / (degrees + SPREAD_WEIGHT))
    if spread <= 0.0:
        return centre
    trust = spread / (spread + sigma**2)
    return _expected_largest(centre + trust * (mean - centre), np.sqrt(trust) * sigma)


def _expected_largest(mean: NDArray[np.float64], sigma: NDArray[np.float64]) -> float:
    """Return the expected largest of independent normal numbers."""
    from scipy.special import ndtr

    spread = float(sigma.max())
    if spread <= 0.0:
        return float(mean.max())
    x = np.linspace(float(mean.max()) - WIDE * spread, float(mean.max()) + WIDE * spread, GRID)
    below = np.prod(ndtr((x[:, None] - mean) / np.maximum(sigma, 1e-12)), axis=1)
    area = float(np.sum(below[1:] + below[:-1])) * float(x[1] - x[0]) / 2.0  # by trapezia: NumPy 1 has no such function
    return float(x[-1]) - area
