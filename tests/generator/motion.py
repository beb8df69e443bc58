"""What a tooth wheel and a clamp would tell of a virtual crank: run-up, ripple, scatter, what the current becomes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.plugins.virtual.engine import VirtualRun

FIRST_TOOTH_DEG = 5.0  # the motion is seen from here on
HUMPS = 4  # of the run-up that are compared
AFTER_ONSET_S = 0.25


@dataclass(frozen=True)
class Motion:
    """Figures of one cranking.

    Parameters
    ----------
    hump_speed : ndarray, shape (4,)
        Mean speed over the first firing intervals that the crank turns from standing, over the steady one.
    ripple
        Least over most speed within a steady hump.
    scatter
        Standard deviation of the times of whole cycles from each other, as a share.
    beginning
        Mean current of one cycle from 0.25 s after the onset, over that of the last cycles.
    tops_a, left_a
        Height of the steady humps, and what is left at the end of the recording.
    """

    hump_speed: NDArray[np.float64]
    ripple: float
    scatter: float
    beginning: float
    tops_a: float
    left_a: float


def motion(run: VirtualRun) -> Motion:
    """Return the figures of a cranking of at least eight humps and two cycles."""
    engine, key = run.bench.engine, run.bench.key
    n = len(engine.firing_order)
    hump = engine.cycle_deg / n
    reached = np.maximum.accumulate(run.angle_deg)
    seen = (reached > reached[0] + FIRST_TOOTH_DEG) & (run.time_s < key.off_s)
    times, turned = run.time_s[seen], reached[seen] - reached[seen][0]
    edges = np.interp(np.arange(int(turned[-1] // hump) + 1) * hump, turned, times)
    speed = hump / np.diff(edges)
    late = len(speed) // 2
    ripples = []
    for begin, end in zip(edges[late:-1], edges[late + 1 :], strict=True):
        inside = run.crank_rad_s[(run.time_s >= begin) & (run.time_s < end)]
        ripples.append(inside.min() / inside.max())
    cycles = edges[late + n :] - edges[late:-n]  # one from each hump on; they overlap
    steady = (run.time_s >= edges[late]) & (run.time_s < edges[-1])
    onset = int(np.searchsorted(run.time_s, key.on_s + run.bench.starter.pull_in_s + AFTER_ONSET_S))
    beginning = run.current_a[onset : int(np.searchsorted(reached, reached[onset] + engine.cycle_deg))].mean()
    return Motion(speed[:HUMPS] / speed[late:].mean(), float(np.mean(ripples)),
                  float(np.std(cycles) / cycles.mean()) if len(cycles) > 2 else float("nan"),
                  float(beginning / run.current_a[steady].mean()), float(np.quantile(run.current_a[steady], 0.97)),
                  float(run.current_a[-1]))
