"""Lowest and highest value of ever longer stretches of a channel: any part of it is drawn in the same time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

HALVINGS = 4  # from one level to the next: 16 values become one
LEAST_BINS = 4  # a column of the picture, so that its edge is at most a quarter of it from where it should be
SMALLEST_LEVEL = 256  # values; a shorter level would save nothing


class Pyramid:
    """A channel with its minima and maxima.

    Parameters
    ----------
    value : ndarray, shape (n,)
        The samples; NaN where there are none.
    """

    def __init__(self, value: NDArray[np.float64]) -> None:
        self.value = np.ascontiguousarray(value)
        self._levels = [(self.value, self.value)]
        while len(self._levels[-1][0]) >> HALVINGS >= SMALLEST_LEVEL:
            low, high = self._levels[-1]
            for _ in range(HALVINGS):
                low, high = _halved(low, np.fmin), _halved(high, np.fmax)
            self._levels.append((low, high))

    def __len__(self) -> int:
        return len(self.value)

    def envelope(self, start: int, stop: int, columns: int) -> tuple[NDArray[np.float64], NDArray[np.float64],
                                                                      NDArray[np.float64]]:
        """Return where columns begin, in samples, and their lowest and highest values, all shape (m,), m <= columns.

        Every sample from `start` to before `stop` is in one of them; with fewer samples than columns each is its own.
        """
        start, stop = max(start, 0), min(stop, len(self.value))
        if stop <= start or columns < 1:
            nothing = np.empty(0)
            return nothing, nothing, nothing
        level = self._level(stop - start, columns)
        step = 1 << (HALVINGS * level)
        first, last = start // step, -(-stop // step)
        low, high = (part[first:last] for part in self._levels[level])
        if last - first <= columns:
            return np.arange(first, last, dtype=np.float64) * step, low, high
        edges = np.linspace(0, last - first, columns + 1).astype(np.int64)[:-1]
        places = (edges + first).astype(np.float64) * step
        return places, np.fmin.reduceat(low, edges), np.fmax.reduceat(high, edges)

    def span(self, start: int, stop: int) -> tuple[float, float] | None:
        """Return lowest and highest of the samples from `start` to before `stop`, None where there are none."""
        _, low, high = self.envelope(start, stop, LEAST_BINS)
        low, high = low[np.isfinite(low)], high[np.isfinite(high)]
        return (float(low.min()), float(high.max())) if len(low) else None

    def _level(self, count: int, columns: int) -> int:
        level = 0
        while level + 1 < len(self._levels) and count >> (HALVINGS * (level + 1)) >= LEAST_BINS * columns:
            level += 1
        return level


def _halved(value: NDArray[np.float64], least: np.ufunc) -> NDArray[np.float64]:
    """Return pairs of values as one; an odd last one stays alone."""
    even = len(value) // 2 * 2
    halved: NDArray[np.float64] = least(value[0:even:2], value[1:even:2])
    return halved if even == len(value) else np.append(halved, value[-1])
