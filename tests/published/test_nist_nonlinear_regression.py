"""The solver behind the estimate from the crank's speed against certified values.

Source: NIST Statistical Reference Datasets, nonlinear regression: Misra1a (lower difficulty), BoxBOD and MGH09 (higher
difficulty), data, starting values, certified values and standard deviations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from crankfold.analysis.motion.solver import Quadratic, minimise


@dataclass(frozen=True)
class Dataset:
    x: np.ndarray
    y: np.ndarray
    model: Callable[[np.ndarray, np.ndarray], np.ndarray]
    slopes: Callable[[np.ndarray, np.ndarray], np.ndarray]
    starts: tuple[tuple[float, ...], ...]
    certified: tuple[float, ...]
    sd: tuple[float, ...]
    squares: float

    def normal(self, p):
        r, jac = self.model(self.x, p) - self.y, self.slopes(self.x, p)
        return float(r @ r), jac.T @ jac, jac.T @ r


def rational(x, b):
    return b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3])


def rational_slopes(x, b):
    top, bottom = x**2 + x * b[1], x**2 + x * b[2] + b[3]
    return np.column_stack((top / bottom, b[0] * x / bottom, -b[0] * top * x / bottom**2, -b[0] * top / bottom**2))


def rise(x, b):
    return b[0] * (1.0 - np.exp(-b[1] * x))


def rise_slopes(x, b):
    return np.column_stack((1.0 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)))


SETS = {
    "Misra1a": Dataset(
        np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]),
        np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]),
        rise, rise_slopes, ((500.0, 1e-4), (250.0, 5e-4)), (2.3894212918e2, 5.5015643181e-4),
        (2.7070075241, 7.2668688436e-6), 1.2455138894e-1),
    "BoxBOD": Dataset(
        np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0]), np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0]), rise,
        rise_slopes, ((1.0, 1.0), (100.0, 0.75)), (2.1380940889e2, 5.4723748542e-1), (1.2354515176e1, 1.0455993237e-1),
        1.1680088766e3),
    "MGH09": Dataset(
        np.array([4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]),
        np.array([0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246]), rational,
        rational_slopes, ((25.0, 39.0, 41.5, 39.0), (0.25, 0.39, 0.415, 0.39)),
        (1.9280693458e-1, 1.9128232873e-1, 1.2305650693e-1, 1.3606233068e-1),
        (1.1435312227e-2, 1.9633220911e-1, 8.0842031232e-2, 9.0025542308e-2), 3.0750560385e-4),
}


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", SETS)
def test_certified_values_and_standard_deviations(name: str, start: int) -> None:
    """Ten calls, as each ends when a step gains less than its share; the certified digits then hold to 1e-6."""
    data = SETS[name]
    p, n = np.array(data.starts[start]), len(data.certified)
    free, none = np.ones(n, dtype=bool), Quadratic(np.zeros((n, n)), np.zeros(n), 0.0)
    far = np.full(n, 1e6)
    with np.errstate(over="ignore", invalid="ignore"):  # a trial may run away; the solver then takes a shorter step
        for _ in range(10):
            p = minimise(data, p, none, free=free, low=-far, high=far, step=far, steps=400).p
    assert p == pytest.approx(np.array(data.certified), rel=1e-6)
    squares, curvature, _ = data.normal(p)  # what the solver steps by
    assert squares == pytest.approx(data.squares, rel=1e-8)
    variances = squares / (len(data.x) - n) * np.diag(np.linalg.inv(curvature))
    assert np.sqrt(variances) == pytest.approx(np.array(data.sd), rel=1e-5)
