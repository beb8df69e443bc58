"""Lowest and highest of each block of a long channel, in one pass; needles of one sample survive."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def block_extremes(signal: NDArray[np.float64], block: int,
                   rest: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the lowest and highest value of each block, both shape (blocks,).

    Parameters
    ----------
    signal : ndarray, shape (n,)
        May be a column of a table; lost samples are NaN and count as `rest`.
    block
        Samples a block; the last one may be shorter.
    rest
        Taken for blocks without any sample.
    """
    if not len(signal):
        return np.empty(0), np.empty(0)
    starts = np.arange(0, len(signal), block)
    low, high = np.fmin.reduceat(signal, starts), np.fmax.reduceat(signal, starts)
    return np.where(np.isnan(low), rest, low), np.where(np.isnan(high), rest, high)
