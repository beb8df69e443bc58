"""All samples of a capture as layers of a strip: the current under its smooth line, the second channel at its foot.

Lowest and highest value of ever longer stretches are kept, so that any part is drawn in the same time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis import CURRENT
from crankfold.viewer.picture import Path, look

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Capture, Result
    from crankfold.viewer.picture import StripScales

HALVINGS = 4  # from one level to the next: 16 values become one
LEAST_BINS = 4  # a column of the picture, so that its edge is at most a quarter of it from where it should be
SMALLEST_LEVEL = 256  # values; a shorter level would save nothing
COLUMNS_A_UNIT = 1.5  # of a scene unit: about one for each pixel of a large screen
MOST_COLUMNS = 4000


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


@dataclass(frozen=True, eq=False)
class Layer:
    """One channel's samples.

    Parameters
    ----------
    pyramid
        Its values, in `unit`.
    rate_hz
        Samples a second; the first is at 0 s.
    name, unit
        Of the channel.
    """

    pyramid: Pyramid
    rate_hz: float
    name: str
    unit: str

    def range_in(self, window_s: tuple[float, float]) -> tuple[float, float] | None:
        """Return lowest and highest of the samples in a stretch of time."""
        return self.pyramid.span(*self._samples(window_s))

    def at(self, time_s: float) -> float | None:
        """Return the sample nearest to an instant, None where there is none."""
        k = round(time_s * self.rate_hz)
        value = float(self.pyramid.value[k]) if 0 <= k < len(self.pyramid) else float("nan")
        return value if np.isfinite(value) else None

    def path(self, scales: StripScales, stroke: str) -> Path:
        """Return all samples in the window as a line that touches the lowest and highest of each column."""
        columns = min(MOST_COLUMNS, int(scales.plot.width * COLUMNS_A_UNIT))
        a, b = self._samples(scales.window_s)
        first, low, high = self.pyramid.envelope(a, b, columns)
        start, end = scales.window_s
        half = (b - a) / columns / 2.0 / self.rate_hz if b - a > columns else 0.0
        when, what = _touching(first / self.rate_hz, low, high, half)
        x = scales.plot.left + (when - start) / (end - start) * scales.plot.width
        y = scales.plot.bottom - (what - scales.bottom) / (scales.top - scales.bottom) * scales.plot.height
        inside = np.clip(x, scales.plot.left, scales.plot.right)
        return Path(np.column_stack([inside, np.clip(y, scales.plot.top, scales.plot.bottom)]), stroke=stroke,
                    width=look.HAIR)

    def _samples(self, window_s: tuple[float, float]) -> tuple[int, int]:
        """Return the first sample of a stretch of time and the one after its last, one more on either side."""
        return int(np.floor(window_s[0] * self.rate_hz)), int(np.ceil(window_s[1] * self.rate_hz)) + 1


def _touching(time_s: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64],
              half: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a line through the lowest and highest of each column; through bare samples where both are the same."""
    if not half:
        return time_s, low
    rising = np.diff(high, append=high[-1:]) >= 0
    pairs = np.where(rising[:, None], np.column_stack([low, high]), np.column_stack([high, low]))
    return np.column_stack([time_s, time_s + half]).ravel(), pairs.ravel()


def current_layer(capture: Capture, result: Result) -> Layer | None:
    """Return every sample of the current, its zero taken off and cranking positive as in the result's line."""
    index = capture.index_of(CURRENT)
    if index is None:
        return None
    value = np.asarray(capture.samples[:, index], dtype=np.float64)
    if result.trace is not None:
        value = (value - result.trace.zero) * result.trace.polarity
    return Layer(Pyramid(value), capture.rate_hz, CURRENT, capture.channels[index].unit)


def second_layer(capture: Capture) -> Layer | None:
    """Return the first channel beside the current, None where there is none."""
    current = capture.index_of(CURRENT) or 0
    for index, channel in enumerate(capture.channels):
        if index != current:
            value = np.asarray(capture.samples[:, index], dtype=np.float64)
            return Layer(Pyramid(value), capture.rate_hz, channel.name, channel.unit)
    return None
