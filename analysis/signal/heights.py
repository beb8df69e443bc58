"""The second opinion: how high each cylinder's hump stands above the troughs beside it.

It shares nothing with the fitted model but the place of the humps, and is nearly right where the starter is light;
with a heavy one a dead cylinder's neighbours look taller than they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine

TOP_LAG_DEG = 10.0  # tops lie about so far before TDC
MAX_CYCLES = 10_000  # an angle that spans more has run away with a fit that failed; an hour's cranking has fewer


def raw_heights(angle_deg: NDArray[np.float64], current: NDArray[np.float64],
                engine: Engine) -> NDArray[np.float64]:
    """Return each position's hump height above zero, the median over cycles, percent of the tallest.

    Parameters
    ----------
    angle_deg, current : ndarray, shape (m,)
        Unwrapped crank angle, 0 at the compression TDC of the first position, and low-passed current.
    """
    return _percent(_by_slot(angle_deg, current, engine, trough=False))


def trough_heights(angle_deg: NDArray[np.float64], current: NDArray[np.float64],
                   engine: Engine) -> NDArray[np.float64]:
    """Return each position's hump height above its troughs' mean, the median over cycles, percent of the tallest.

    Parameters
    ----------
    angle_deg, current : ndarray, shape (m,)
        As for `raw_heights`.
    """
    return _percent(_by_slot(angle_deg, current, engine, trough=True))


def _percent(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    top = float(heights.max()) if len(heights) else 0.0
    return 100.0 * np.clip(heights, 0.0, None) / top if top > 0 else np.zeros_like(heights)


def _by_slot(angle_deg: NDArray[np.float64], current: NDArray[np.float64], engine: Engine, *,
             trough: bool) -> NDArray[np.float64]:
    fire, cycle, n = engine.firing_deg, engine.cycle_deg, engine.cylinders
    before = np.array([engine.intervals_deg[k - 1] for k in range(n)])
    after = np.array(engine.intervals_deg)
    out = np.zeros(n)
    first, last = int(np.floor(angle_deg[0] / cycle)) - 1, int(np.ceil(angle_deg[-1] / cycle)) + 1
    if last - first > MAX_CYCLES:
        return out
    for c in range(n):
        found = []
        for turn in range(first, last + 1):
            middle = fire[c] + cycle * turn - TOP_LAG_DEG
            left, right = middle - 0.5 * before[c], middle + 0.5 * after[c]
            reach = 0.25 * min(before[c], after[c], 180.0)
            if left - reach < angle_deg[0] or right + reach > angle_deg[-1]:
                continue
            found.append(_height(angle_deg, current, (left, middle, right), reach, trough=trough))
        out[c] = float(np.median(found)) if found else 0.0
    return out


def _height(angle_deg: NDArray[np.float64], current: NDArray[np.float64], at: tuple[float, float, float], reach: float,
            *, trough: bool) -> float:
    left, middle, right = at
    top = _extreme(angle_deg, current, middle, reach, largest=True)
    if not trough:
        return top
    low = [_extreme(angle_deg, current, at, reach, largest=False) for at in (left, right)]
    return top - 0.5 * sum(low)


def _extreme(angle_deg: NDArray[np.float64], current: NDArray[np.float64], at: float, reach: float, *,
             largest: bool) -> float:
    a, b = np.searchsorted(angle_deg, (at - reach, at + reach))
    part = current[a : max(b, a + 1)]
    return float(part.max() if largest else part.min())
