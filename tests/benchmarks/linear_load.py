"""The linear load model: a baseline for the table of ways that solves one least-squares problem per guess.

Where the starter is engaged, torque balance is linear in the amplitudes once the stall current, the knee of a series
starter and the phase are given: ``flux * i = friction + sum(a_c * g(angle - firing_c)) + lag * dw/dt``, with the speed
``w = (stall - i) / flux`` read from the current, and the angle its integral. Guesses are tried on a grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.gas import gas_table
from crankfold.analysis.posterior import find_rates
from crankfold.analysis.signal import track_cycles

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import CrankingTrace, Engine
    from crankfold.analysis.signal import CycleTrack

GRID_HZ = 500.0
JUDGED_S = 4.0
STALL_OVER_INRUSH = (1.0, 1.15, 1.35, 1.6, 2.0)
KNEE_OVER_LEVEL = (np.inf, 0.4, 0.8, 1.5)  # infinite: a permanent magnet
PHASE_STEP_DEG = 6.0
RATIO = 9.5


@dataclass(frozen=True, eq=False)
class _Grid:
    time_s: NDArray[np.float64]
    current: NDArray[np.float64]
    track: CycleTrack


def linear_load(trace: CrankingTrace, engine: Engine) -> NDArray[np.float64] | None:
    """Return each position's relative compression, percent, by the best guess of the grid; None where nothing repeats.

    Peak torque is taken for peak pressure: the model has one hump shape, scaled.
    """
    rates = find_rates(trace, engine)
    if not rates:
        return None
    y, t = trace.smooth[trace.steady], trace.time_s[trace.steady]
    time_s = np.arange(0.0, min(JUDGED_S, float(t[-1] - t[0])), 1.0 / GRID_HZ)
    current = np.interp(time_s, t - t[0], y)
    grid = _Grid(time_s, current, track_cycles(current, GRID_HZ, rates[0].rate_hz, engine.cylinders))
    level = float(np.percentile(current, 95))
    inrush = max(trace.inrush, 1.2 * level) if np.isfinite(trace.inrush) else 2.2 * level
    pattern = engine.cycle_deg * engine.pattern_length / engine.cylinders
    found = [_solve(grid, engine, stall * inrush, knee * level, phase) for stall, knee, phase in product(
        STALL_OVER_INRUSH, KNEE_OVER_LEVEL, np.arange(0.0, pattern, PHASE_STEP_DEG))]
    amplitudes = np.maximum(min(found, key=lambda each: each[0])[1], 0.0)
    return 100.0 * amplitudes / max(float(amplitudes.max()), 1e-9)


def _solve(grid: _Grid, engine: Engine, stall: float, knee: float,
           phase_deg: float) -> tuple[float, NDArray[np.float64]]:
    """Return what one guess leaves unexplained of the current's variance, and the cylinders' amplitudes."""
    i = np.maximum(grid.current, 0.02 * stall)
    flux = np.tanh(i / knee) if np.isfinite(knee) else np.ones_like(i)
    speed = np.maximum((stall - i) / flux, 0.02 * stall)
    angle = engine.cycle_deg * _cycles(grid, speed) + phase_deg
    columns = [np.ones_like(i), np.gradient(speed, grid.time_s)]
    table = gas_table()
    shape = table.torque[int(np.argmin(np.abs(table.ratios - RATIO))), int(np.argmin(np.abs(table.peaks - 1.0)))]
    half = 0.5 * engine.cycle_deg
    columns += [np.interp((angle - fire + half) % engine.cycle_deg - half, table.angles_deg, shape, 0.0, 0.0)
                for fire in engine.firing_deg]
    matrix = np.column_stack(columns)
    normal = matrix.T @ matrix
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
    torque = flux * i
    solved = scale * np.linalg.lstsq(normal * scale * scale[:, None], scale * (matrix.T @ torque), rcond=1e-9)[0]
    slope = flux + (i / knee * (1.0 - flux**2) if np.isfinite(knee) else 0.0)
    return float(np.mean(((torque - matrix @ solved) / slope) ** 2)), solved[2:]


def _cycles(grid: _Grid, speed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cycle count through time, its course inside each tracked cycle that of the speed."""
    turned = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) / GRID_HZ
    turned *= (grid.track.cycle[-1] - grid.track.cycle[0]) / max(
        float(np.ptp(np.interp(grid.track.time_s, grid.time_s, turned))), 1e-9)
    marks = np.concatenate((grid.time_s[:1], grid.track.time_s, grid.time_s[-1:]))
    off = grid.track.at(marks) - np.interp(marks, grid.time_s, turned)
    off[0], off[-1] = off[1], off[-2]
    return turned + np.interp(grid.time_s, marks, off)
