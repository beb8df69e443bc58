"""Levenberg-Marquardt with priors, bounds by projection and step limits: normal equations, nothing about engines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

DAMPING_UP, DAMPING_DOWN = 6.0, 4.0
FIRST_DAMPING = 1e-3
DAMPING_RANGE = (1e-9, 1e9)
SETTLED = 1e-4  # relative fall of the cost below which a step no longer counts


class LeastSquares(Protocol):
    """What is minimised: a sum of squares that gives its own normal equations."""

    def normal(self, p: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Return ``r @ r``, ``jac.T @ jac`` and ``jac.T @ r`` at `p`, over all parameters."""
        ...


@dataclass(frozen=True, eq=False)
class Quadratic:
    """Terms added to the cost: ``|weight * (p - centre)|**2 + (p - p_mean).T @ ridge @ (p - p_mean)`` as one form.

    ``matrix`` is symmetric and the terms are ``p @ matrix @ p - 2 * vector @ p + constant``.
    """

    matrix: NDArray[np.float64]
    vector: NDArray[np.float64]
    constant: float

    def cost(self, p: NDArray[np.float64]) -> float:
        """Return the terms' value."""
        return float(p @ (self.matrix @ p) - 2.0 * self.vector @ p) + self.constant

    def half_gradient(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return half the gradient."""
        out: NDArray[np.float64] = self.matrix @ p - self.vector
        return out


@dataclass(frozen=True, eq=False)
class Solution:
    """Where the search ended.

    Parameters
    ----------
    p : ndarray, shape (parameters,)
        The unknowns.
    cost
        Sum of squared residuals plus the quadratic terms.
    data_cost
        The residuals' part.
    steps
        Steps tried.
    """

    p: NDArray[np.float64]
    cost: float
    data_cost: float
    steps: int


def minimise(squares: LeastSquares, start: NDArray[np.float64], extra: Quadratic, *, free: NDArray[np.bool_],
             low: NDArray[np.float64], high: NDArray[np.float64], step: NDArray[np.float64], steps: int) -> Solution:
    """Return the best point found from `start` in at most `steps` steps.

    Parameters
    ----------
    start : ndarray, shape (parameters,)
        Also the values of the parameters that are not free.
    free : ndarray of bool, shape (parameters,)
        Which parameters may move.
    low, high, step : ndarray, shape (parameters,)
        Bounds, and the largest change in one step; a longer step is shortened as a whole.
    """
    p = np.clip(start, low, high)
    index = np.flatnonzero(free)
    data, curvature, slope = squares.normal(p)
    cost = data + extra.cost(p)
    damping, used = FIRST_DAMPING, 0
    if not np.isfinite(cost):
        return Solution(p, float("inf"), float("inf"), 0)
    matrix = extra.matrix[np.ix_(index, index)]
    while used < steps:
        normal = curvature[np.ix_(index, index)] + matrix
        gradient = (slope + extra.half_gradient(p))[index]
        diagonal = np.maximum(np.diag(normal), 1e-14)
        gain = 0.0
        while used < steps:
            used += 1
            move = _damped(normal, diagonal * damping, gradient, p[index], low[index], high[index])
            over = float(np.max(np.abs(move) / step[index])) if len(move) else 0.0
            trial = p.copy()
            trial[index] = np.clip(p[index] + move / max(over, 1.0), low[index], high[index])
            data_new, curvature_new, slope_new = squares.normal(trial)
            cost_new = data_new + extra.cost(trial)
            if np.isfinite(cost_new) and cost_new < cost and np.isfinite(curvature_new).all():
                gain = cost - cost_new
                p, curvature, slope, data, cost = trial, curvature_new, slope_new, data_new, cost_new
                damping = max(damping / DAMPING_DOWN, DAMPING_RANGE[0])
                break
            damping *= DAMPING_UP
            if damping > DAMPING_RANGE[1]:
                return Solution(p, cost, data, used)
        if gain < SETTLED * cost:
            break
    return Solution(p, cost, data, used)


def _damped(normal: NDArray[np.float64], damping: NDArray[np.float64], gradient: NDArray[np.float64],
            p: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the damped Gauss-Newton step; parameters pushed against a bound they sit on stay there."""
    move = np.zeros_like(p)
    active = np.ones(len(p), dtype=np.bool_)
    for _ in range(2):
        k = np.flatnonzero(active)
        if not len(k):
            break
        system = normal[np.ix_(k, k)]
        system[np.diag_indices(len(k))] += damping[k]
        try:
            part = -np.linalg.solve(system, gradient[k])
        except np.linalg.LinAlgError:
            part = -gradient[k] / np.diag(system)
        move[:] = 0.0
        move[k] = part
        stuck = active & (((p <= low) & (move < 0)) | ((p >= high) & (move > 0)))
        if not stuck.any():
            break
        active &= ~stuck
        move[stuck] = 0.0
    return move
