"""A line of more points than a screen has columns, as one upright bar in each column of pixels.

Bars cost by the columns they fill, not by the length of the line: a noisy stream is drawn as fast as a quiet one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Bars:
    """Which pixels are inked.

    Parameters
    ----------
    left, top
        Pixel of the upper left corner.
    inked : ndarray of bool, shape (rows, columns)
        Whether each pixel is.
    """

    left: int
    top: int
    inked: NDArray[np.bool_]


def bars_of(points: NDArray[np.float64], thick: float, tall: int) -> Bars | None:
    """Return the bars of a line, None where it has too few points for them, runs back or has holes.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        In pixels.
    thick
        Thickness of the line in pixels.
    tall
        Height of what is drawn on in pixels; bars end there.
    """
    if not np.isfinite(points).all():
        return None
    column = np.floor(points[:, 0]).astype(np.int64)
    steps = np.diff(column, prepend=column[0] - 1)
    starts = np.flatnonzero(steps)
    if steps.min() < 0 or len(points) < 2 * len(starts):
        return None
    high, low = np.minimum.reduceat(points[:, 1], starts), np.maximum.reduceat(points[:, 1], starts)
    upper, lower = high.copy(), low.copy()  # each bar reaches the one before it, so that the line does not break
    np.minimum(high[1:], low[:-1], out=upper[1:])
    np.maximum(low[1:], high[:-1], out=lower[1:])
    runs = np.diff(np.append(column[starts], column[-1] + 1))
    top = np.clip(np.floor(upper - thick / 2.0 + 0.5), 0, tall).astype(np.int32).repeat(runs)
    end = np.clip(np.floor(lower + thick / 2.0 + 0.5), 0, tall).astype(np.int32).repeat(runs)
    for _ in range(1, round(thick)):  # as thick along as across
        np.minimum(top[1:], top[:-1].copy(), out=top[1:])
        np.maximum(end[1:], end[:-1].copy(), out=end[1:])
    first = int(top.min())
    rows = np.arange(first, int(end.max()), dtype=np.int32)[:, None]
    return Bars(int(column[0]), first, (rows >= top) & (rows < end))
