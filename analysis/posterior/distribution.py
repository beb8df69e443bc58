"""Distributions over whole percents: 0, 1, .. 100 of the strongest cylinder, the last of them the strongest itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

TOP = 100  # percent; a mass, not a stretch: one cylinder is always the strongest
PERCENT = np.arange(TOP + 1)
EDGES = np.clip(np.arange(TOP + 2) - 0.5, 0.0, TOP)  # each percent stands for half a percent either side


def below(shares: NDArray[np.float64], limit_percent: float) -> NDArray[np.float64]:
    """Return the probability below a limit, shape of `shares` without its last axis.

    Parameters
    ----------
    shares : ndarray, shape (.., 101)
        Probabilities of the percents.
    """
    part = np.clip(limit_percent - (PERCENT - 0.5), 0.0, 1.0)
    out: NDArray[np.float64] = np.clip(shares @ part, 0.0, 1.0)
    return out


def quantiles(shares: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return quantiles of each distribution, shape (n, len(at)), percent; 100 wherever the strongest is within.

    Parameters
    ----------
    shares : ndarray, shape (n, 101)
        Probabilities of the percents.
    at : ndarray, shape (m,)
        Probabilities, rising.
    """
    out = np.empty((len(shares), len(at)))
    for k, row in enumerate(shares):
        reached = np.concatenate(([0.0], np.cumsum(row)))
        out[k] = np.interp(at, reached / reached[-1], EDGES)
        out[k, at * reached[-1] > reached[-2]] = TOP
    return out
