"""Where repeated figures scatter from: variance components of a mixed model, by restricted maximum likelihood.

``y = fixed mean + sum of random effects + rest``. One-way analysis of variance (`precision`) looks at one cylinder at a
time and at one kind of group; this takes all cylinders together, of which those of one crank share what went wrong with
it, and any design, balanced or not. REML after Patterson and Thompson (1971): the likelihood of what the fixed means
leave; for balanced designs its components are those of the analysis of variance, where those are not negative.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.analysis.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from crankfold.analysis.result import Result

MOST_VALUES = 3000  # matrices of that size are inverted a hundred times; a study has some hundred
LOG_SHARES = (-18.0, 14.0)  # of a component over the rest
LEAST_SHARE = 1e-7  # of the residual variance: less is nothing
STARTS = (1.0, 0.05)  # shares of the variance that every component starts from
REST = "rest"
CRANK, GROUP, GROUP_CYLINDER = "crank", "group", "group x cylinder"


@dataclass(frozen=True)
class Components:
    """Standard deviations by where they come from, and the fixed means.

    Parameters
    ----------
    sd
        By name of the random effect, and ``rest``; in the unit of the values.
    mean, mean_error
        Of each fixed level, and the standard error.
    log_likelihood
        Restricted, at the maximum.
    """

    sd: Mapping[str, float]
    mean: Mapping[Hashable, float]
    mean_error: Mapping[Hashable, float]
    log_likelihood: float


def components(values: ArrayLike, fixed: Sequence[Hashable],
               random: Mapping[str, Sequence[Hashable]]) -> Components:
    """Return the variance components of `values`, shape (n,).

    Parameters
    ----------
    fixed
        Level of each value whose mean is to be estimated, such as its cylinder.
    random
        By name: level of each value that shifts it at random, such as its crank or its rig.

    Raises
    ------
    InputError
        The lengths differ, a value is not finite, or nothing is left to see the scatter in.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 1 or not np.isfinite(y).all() or any(len(labels) != len(y) for labels in (fixed, *random.values())):
        raise InputError("values and labels of a mixed model must be finite and equally many; give a label for each")
    levels = list(dict.fromkeys(fixed))
    if len(y) <= len(levels) or len(y) > MOST_VALUES:
        raise InputError(f"{len(y)} values of {len(levels)} levels: give more values than levels, "
                         f"and up to {MOST_VALUES}")
    design = _indicator(fixed)
    kernels = [z @ z.T for z in (_indicator(labels) for labels in random.values())]
    model = _Reml(y, design, kernels)
    shares, best = model.search()
    scale, mean, error = model.means(shares)
    sd = {name: float(np.sqrt(scale * share)) for name, share in zip(random, shares, strict=True)}
    return Components({**sd, REST: float(np.sqrt(scale))}, dict(zip(levels, mean.tolist(), strict=True)),
                      dict(zip(levels, error.tolist(), strict=True)), best)


def _indicator(labels: Sequence[Hashable]) -> NDArray[np.float64]:
    place = {label: k for k, label in enumerate(dict.fromkeys(labels))}
    out = np.zeros((len(labels), len(place)))
    out[np.arange(len(labels)), [place[label] for label in labels]] = 1.0
    return out


class _Reml:
    """The restricted likelihood over the components' shares of the residual variance, which is profiled out."""

    def __init__(self, y: NDArray[np.float64], design: NDArray[np.float64],
                 kernels: Sequence[NDArray[np.float64]]) -> None:
        self._y, self._x, self._kernels = y, design, kernels
        self._degrees = len(y) - design.shape[1]

    def search(self) -> tuple[NDArray[np.float64], float]:
        """Return the shares of the largest likelihood, and that."""
        from scipy.optimize import minimize

        if not self._kernels:
            return np.zeros(0), -self._loss(np.zeros(0))
        limits = [LOG_SHARES] * len(self._kernels)
        found = [minimize(self._loss, np.full(len(self._kernels), np.log(share)), method="L-BFGS-B", bounds=limits,
                          options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 300}) for share in STARTS]
        best = min(found, key=lambda each: float(each.fun))
        shares = np.exp(best.x)
        return np.where(shares < LEAST_SHARE, 0.0, shares), -float(best.fun)

    def _loss(self, log_shares: NDArray[np.float64]) -> float:
        _, low, information, r = self._whitened(np.exp(log_shares))
        total = float(r @ r)
        if total <= 0.0:
            return -np.inf
        half = 0.5 * self._degrees
        return float(half * (np.log(2.0 * np.pi * total / self._degrees) + 1.0) + np.log(np.diag(low)).sum()
                     + 0.5 * np.linalg.slogdet(information)[1])

    def _whitened(self, shares: NDArray[np.float64]) -> tuple[Any, Any, Any, Any]:
        """Return the fixed means, the root of the covariance, and information and residual seen through it."""
        from scipy.linalg import solve_triangular

        covariance = np.eye(len(self._y)) + sum((s * k for s, k in zip(shares, self._kernels, strict=True)),
                                                np.zeros((len(self._y), len(self._y))))
        low = np.linalg.cholesky(covariance)
        x, y = (solve_triangular(low, b, lower=True, check_finite=False) for b in (self._x, self._y))
        information = x.T @ x
        mean = np.linalg.solve(information, x.T @ y)
        return mean, low, information, y - x @ mean

    def means(self, shares: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Return the residual variance, the fixed means and their standard errors."""
        mean, _, information, r = self._whitened(shares)
        scale = float(r @ r) / self._degrees
        return scale, mean, np.sqrt(scale * np.diag(np.linalg.inv(information)))


def study_components(results: Sequence[Result], groups: Sequence[Hashable] | None = None) -> Components:
    """Return where the relative compressions of repeated captures of one engine scatter from, points.

    Each cylinder has its own mean. Random are the crank, which all its cylinders share, and with several groups (rigs,
    operators, days) the group, and how much each cylinder takes to it.

    Raises
    ------
    InputError
        A result has no verdict or no cylinder numbers, or there are too few.
    """
    if any(r.verdict == "none" or any(c.cylinder is None for c in r.cylinders) for r in results):
        raise InputError("a capture has no verdict or its cylinders have no numbers; leave it out of the study")
    rows = [(c.relative_percent, c.cylinder, k, groups[k] if groups is not None else "")
            for k, result in enumerate(results) for c in result.cylinders]
    value, cylinder, crank, group = (list(column) for column in zip(*rows, strict=True))
    random: dict[str, list[Hashable]] = {CRANK: list(crank)}
    if len(set(group)) > 1:
        random[GROUP] = list(group)
        random[GROUP_CYLINDER] = list(zip(group, cylinder, strict=True))
    return components(np.array(value), cylinder, random)
