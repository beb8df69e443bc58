"""Lowest and highest of each block of a long channel, in one pass; needles of one sample survive.

Imported only where marks are looked for: the compiler is slow to load.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray


@njit(cache=True)
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
    blocks = (len(signal) + block - 1) // block
    low, high = np.empty(blocks), np.empty(blocks)
    for k in range(blocks):
        least, most = np.inf, -np.inf
        for i in range(k * block, min((k + 1) * block, len(signal))):
            value = signal[i]
            least = value if value < least else least
            most = value if value > most else most
        low[k] = least if least < np.inf else rest
        high[k] = most if most > -np.inf else rest
    return low, high
