"""The arithmetic of the fold: all engine cycles against crank angle, their middle, what was judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Engine, Result

POINTS = 360  # along one cycle: finer than a screen shows
BEFORE_TDC = 0.62  # share of a firing interval that belongs to the hump of the TDC at its end: humps lean before TDC
SPREAD_PERCENT = (10.0, 90.0)  # of the cycles: the band; a wild cycle does not widen it
BEFORE_END_S = 0.08  # the current falls when the key is let go, before the end that is found
MIN_FOR_SPREAD = 4  # cycles; fewer show no spread worth drawing


@dataclass(frozen=True)
class Lane:
    """The stretch of crank angle that one cylinder's hump occupies, degrees, and its TDC; 0-based position."""

    position: int
    start_deg: float
    end_deg: float
    tdc_deg: float


@dataclass(frozen=True, eq=False)
class FoldData:
    """What the fold shows.

    Parameters
    ----------
    angle_deg : ndarray, shape (points,)
        Crank angle from the start of position 1's lane.
    cycles : ndarray, shape (cycles, points)
        The current of each engine cycle, NaN where it was not steady cranking.
    middle : ndarray, shape (points,)
        Their median.
    band : ndarray, shape (2, points), or None
        Where the middle eight tenths of the cycles lie; None with too few cycles.
    model : ndarray, shape (points,)
        What the posterior was shown: the mean of the judged cycles, NaN outside them.
    lanes
        One a cylinder, in firing order.
    top, bottom
        Current range to show.
    """

    angle_deg: NDArray[np.float64]
    cycles: NDArray[np.float64]
    middle: NDArray[np.float64]
    band: NDArray[np.float64] | None
    model: NDArray[np.float64]
    lanes: tuple[Lane, ...]
    top: float
    bottom: float


def lanes_of(engine: Engine) -> tuple[Lane, ...]:
    """Return the lanes of an engine: they cover one cycle without overlap, the first may begin below 0 degrees."""
    firing, intervals = engine.firing_deg, engine.intervals_deg
    starts = [float(firing[k]) - BEFORE_TDC * intervals[k - 1] for k in range(engine.cylinders)]
    ends = [*starts[1:], starts[0] + engine.cycle_deg]
    return tuple(Lane(k, a, b, float(firing[k])) for k, (a, b) in enumerate(zip(starts, ends, strict=True)))


def fold_of(result: Result, points: int = POINTS) -> FoldData | None:
    """Return the fold of a result, None when nothing was estimated or no cycle is whole enough to show."""
    trace, estimate, engine = result.trace, result.estimate, result.engine
    if trace is None or estimate is None or len(estimate.angle_deg) < 2:
        return None
    lanes = lanes_of(engine)
    angle = np.linspace(lanes[0].start_deg, lanes[0].start_deg + engine.cycle_deg, points)
    judged_to_s = min(trace.steady_to_s, trace.crank.end_s - BEFORE_END_S)
    used = np.where((trace.time_s >= trace.steady_from_s) & (trace.time_s <= judged_to_s), trace.smooth, np.nan)
    cycles, model = _cut(angle, engine.cycle_deg, (estimate.angle_deg, estimate.time_s, estimate.model),
                         (trace.time_s, used))
    if not np.isfinite(cycles).any():
        return None
    middle, drawn = _over_cycles(cycles, 50.0), cycles[np.isfinite(cycles).any(axis=1)]
    band = None
    if len(drawn) >= MIN_FOR_SPREAD:
        band = np.stack([_over_cycles(drawn, percent) for percent in SPREAD_PERCENT])
    low, high = float(np.nanmin(cycles)), float(np.nanmax(cycles))
    room = 0.06 * max(high - low, 1e-9)
    return FoldData(angle, drawn, middle, band, _over_cycles(model, 50.0), lanes, high + room, low - room)


def _cut(angle: NDArray[np.float64], cycle_deg: float,
         track: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
         current: tuple[NDArray[np.float64], NDArray[np.float64]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return current and model of each cycle, shape (cycles, points)."""
    at_deg, at_s, model = track
    first = int(np.floor((at_deg[0] - angle[-1]) / cycle_deg)) + 1
    last = int(np.floor((at_deg[-1] - angle[0]) / cycle_deg))
    turns = cycle_deg * np.arange(first, last + 1)
    wanted = turns[:, None] + angle[None, :]
    when = np.interp(wanted, at_deg, at_s, left=np.nan, right=np.nan)
    measured = np.full(wanted.shape, np.nan)
    inside = np.isfinite(when)
    measured[inside] = np.interp(when[inside], *current, left=np.nan, right=np.nan)
    return measured, np.interp(wanted, at_deg, model, left=np.nan, right=np.nan)


def _over_cycles(values: NDArray[np.float64], percent: float) -> NDArray[np.float64]:
    """Return a percentile over the cycles, linear between values, NaN where no cycle has a value.

    numpy's own, with NaNs, goes point by point and takes ten times as long as everything else in a picture.
    """
    ordered = np.sort(values, axis=0)  # NaNs come last
    count = np.isfinite(values).sum(axis=0)
    place = percent / 100.0 * np.maximum(count - 1, 0)
    below = np.floor(place).astype(np.int64)
    above = np.minimum(below + 1, np.maximum(count - 1, 0))
    column = np.arange(values.shape[1])
    share = place - below
    out: NDArray[np.float64] = ordered[below, column] * (1.0 - share) + ordered[above, column] * share
    return out
