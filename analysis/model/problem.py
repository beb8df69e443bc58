"""One fit of the model to a trace: the scaled data, the windows, and residuals for the solver."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.model.gas import ANGLES_DEG, FAMILIES, PEAKS, RATIOS, all_torques
from crankfold.analysis.model.parameters import GLOBALS, RATIO
from crankfold.analysis.model.simulation import cylinder_curves, normal_equations, simulate
from crankfold.analysis.model.solver import Quadratic

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model.gas import Family


FLOOR_PERCENTILE = 40.0  # of the current: below it the clutch may be open and the armature race


@dataclass(frozen=True, eq=False)
class Data:
    """The judged stretch on an even grid.

    Parameters
    ----------
    y : ndarray, shape (m,)
        Low-passed current, model amperes.
    step_s
        Grid spacing.
    begin_s
        Time of the first sample, seconds from the start of the capture.
    variance
        Of `y`.
    weight : ndarray, shape (m,)
        How much each sample counts, 0 to 1; empty: all count alike.
    """

    y: NDArray[np.float64]
    step_s: float
    begin_s: float
    variance: float
    weight: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    @property
    def tau(self) -> NDArray[np.float64]:
        """Time from the middle over the length, shape (m,)."""
        return np.linspace(-0.5, 0.5, len(self.y))


@dataclass(eq=False)
class Problem:
    """Residuals of the model in some windows of the data.

    Parameters
    ----------
    starts, lengths : ndarray of int, shape (windows,)
        In samples of the data's grid.
    deg_per_s
        Mean crank speed, from the cycle rate.
    families
        What ails each position, should it be low: which of the gas tables it reads. Empty: all leak.
    scaled_torque
        Use the shape at peak 1, scaled, for every cylinder: what the leak table replaces.
    torques
        Gas torques to use, as from `all_torques`; None: those of a steady crank.
    """

    data: Data
    engine: Engine
    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    deg_per_s: float
    series: bool
    families: tuple[Family, ...] = ()
    scaled_torque: bool = False
    torques: NDArray[np.float64] | None = None
    floor_percentile: float = FLOOR_PERCENTILE
    gain: float = 0.0
    free: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def __post_init__(self) -> None:
        n, steps = self.engine.cylinders, int(self.lengths.sum())
        tables = all_torques() if self.torques is None else self.torques
        self._tables = _scaled(tables) if self.scaled_torque else tables
        if not self.families:
            self.families = (FAMILIES[0],) * n
        self._which = np.array([FAMILIES.index(f) for f in self.families], dtype=np.int64)
        self.parameters = GLOBALS + n + len(self.starts)
        self._index = np.concatenate([s + np.arange(k) for s, k in zip(self.starts, self.lengths, strict=True)])
        self._measured = self.data.y[self._index]
        share = self.data.weight[self._index] if len(self.data.weight) else np.ones(steps)
        self._share = np.sqrt(share)
        self._weight = 1.0 / np.sqrt(max(float(share.sum()), 1.0) * self.data.variance)
        self._tau = self.data.tau
        self._fire = np.ascontiguousarray(self.engine.firing_deg)
        self._curves = np.empty((n, 3, self._tables.shape[3]))
        self._jac = np.zeros((steps, self.parameters))
        self.model = np.empty(steps)
        self.angle = np.empty(steps)
        self._floor = float(np.percentile(self.data.y, self.floor_percentile))
        self.work = 0
        """Samples simulated so far with derivatives, times unknowns: what a fit costs, the same on every machine."""
        self._all = np.ones(self.parameters, dtype=np.bool_)

    def residuals(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return residuals at `p` whose squares add up to the share of the variance that is not explained."""
        self._simulate(p, self._jac[:0])
        out: NDArray[np.float64] = (self.model - self._measured) * self._share * self._weight
        return out

    def jacobian(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the residuals' derivatives at `p`, shape (residuals, parameters); 0 for those not free."""
        jac = np.zeros_like(self._jac)
        self._simulate(p, jac)
        jac *= self._share[:, None] * self._weight
        return jac

    def normal(self, p: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Return the residuals' sum of squares and its normal equations at `p`, over all parameters."""
        self._jac[:] = 0.0
        self.work += self._jac.size
        self._simulate(p, self._jac)
        matrix, vector = np.zeros((self.parameters, self.parameters)), np.zeros(self.parameters)
        if len(self.data.weight):
            self._jac *= self._share[:, None]
        square = normal_equations(self._jac, self.model * self._share, self._measured * self._share, matrix, vector)
        scale = self._weight**2
        return square * scale, matrix * scale, vector * scale

    def _simulate(self, p: NDArray[np.float64], jac: NDArray[np.float64]) -> None:
        n = self.engine.cylinders
        a = p[GLOBALS : GLOBALS + n]
        reference = max(smooth_maximum(a), 1e-9)
        cylinder_curves(self._tables, self._which, RATIOS, PEAKS, float(p[RATIO]), a / reference, self._curves)
        simulate(p, self.data.y, self._tau, self.data.step_s, self.starts, self.lengths, self._fire,
                 self.engine.cycle_deg, self.deg_per_s, self._floor, self._curves, float(ANGLES_DEG[0]),
                 self.series, self.gain, self.model, self.angle, self.free if len(self.free) else self._all, jac)

    @property
    def sample_index(self) -> NDArray[np.int64]:
        """Samples of the data that the windows cover, in the order of the residuals."""
        return self._index


def _scaled(tables: NDArray[np.float64]) -> NDArray[np.float64]:
    unit = int(np.flatnonzero(PEAKS == 1.0)[0])
    return np.ascontiguousarray(tables[:, :, unit : unit + 1, :] * PEAKS[:, None])


def smooth_maximum(a: NDArray[np.float64]) -> float:
    """Return a maximum of amplitudes that is smooth in each of them; 0 when all are 0."""
    top = float(a.max())
    if top <= 0:
        return 0.0
    x = a / top
    return top * float((x**6).sum() / (x**5).sum())


def prior_terms(prior: NDArray[np.float64], weight: NDArray[np.float64], cylinders: int, ridge: float,
                amplitude: float) -> Quadratic:
    """Return priors about `prior` and a ridge that pulls the cylinders' amplitudes to their mean.

    Parameters
    ----------
    weight : ndarray, shape (parameters,)
        Inverse spread times the prior's scale.
    ridge
        Weight of a cylinder one `amplitude` off the mean.
    """
    matrix = np.diag(weight**2)
    vector = weight**2 * prior
    span = slice(GLOBALS, GLOBALS + cylinders)
    matrix[span, span] += (ridge / amplitude) ** 2 * (np.eye(cylinders) - 1.0 / cylinders)
    return Quadratic(matrix, vector, float(prior @ (weight**2 * prior)))
