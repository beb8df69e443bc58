"""The crank slows into each compression, where a leak then has more time: the fit repeated with that speed.

The tables of leaking cylinders know a steady crank. Against them a low cylinder whose crank nearly stands at its TDC
reads a few points too high, since more of its charge is lost late than the hump's early part tells.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.model.acceptance import Fit, Trace, refit
from crankfold.analysis.model.gas import ANGLES_DEG, FIRST_DEG, slowed_torques
from crankfold.analysis.model.starts import polish_stages

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.model.options import FitOptions

SLOWING_POWER = 0.5  # of the slowness a fit sees: on engines whose walls take heat the whole of it reads 1.5 points low
MOST_COST, SAME_COST = 1.03, 1e-4  # times, and over, the steady crank's: what explains the trace worse is not taken
SMOOTH_DEG = 9  # a sample may stand for several degrees


def with_slowing(trace: Trace, fit: Fit, positions: Sequence[int], options: FitOptions) -> Fit:
    """Return the fit solved again for a crank that slows about some positions' TDCs, if it explains about as much."""
    torques = slowed_torques(slowness(fit, positions) ** SLOWING_POWER)
    slowed = refit(replace(trace, torques=torques), fit, fit.problem.families, options,
                   stages=polish_stages(options)[-1:])
    most = MOST_COST * fit.cost + SAME_COST
    return slowed if np.isfinite(slowed.solution.p).all() and slowed.cost < most else fit


def slowness(fit: Fit, positions: Sequence[int]) -> NDArray[np.float64]:
    """Return the time that the crank takes for each degree about some positions' TDCs, over its mean.

    One for each closed degree of the gas tables, above zero, from the speed of the fitted model; ones where that never
    passes them.
    """
    problem, engine = fit.problem, fit.problem.engine
    problem.gain = 0.0
    problem.residuals(fit.solution.p)
    samples, degrees = np.zeros(len(ANGLES_DEG)), np.zeros(len(ANGLES_DEG))
    for angle in np.split(problem.angle, np.cumsum(problem.lengths)[:-1]):
        moved = np.gradient(angle)
        for position in positions:
            own = np.mod(angle - engine.firing_deg[position] - FIRST_DEG, engine.cycle_deg)
            near = own < len(ANGLES_DEG) - 0.5
            at = own[near].round().astype(np.int64)
            samples += np.bincount(at, minlength=len(samples))
            degrees += np.bincount(at, moved[near], minlength=len(degrees))
    out: NDArray[np.float64] = (_smooth(samples) / np.maximum(_smooth(degrees), 1e-9))[1:-1]
    seen = np.flatnonzero(out > 0)
    if not len(seen):
        return np.ones(len(out))
    out = np.interp(np.arange(len(out)), seen, out[seen])  # a fit that runs away passes over some degrees
    return out / float(out.mean())


def _smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
    padded = np.pad(values, SMOOTH_DEG // 2, mode="edge")
    return np.convolve(padded, np.ones(SMOOTH_DEG), "valid")
