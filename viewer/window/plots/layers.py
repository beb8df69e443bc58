"""All samples of a capture as layers of a strip: the current under its smooth line, the second channel at its foot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis import CURRENT
from crankfold.viewer.picture import Path, look
from crankfold.viewer.window.plots.pyramid import Pyramid

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Capture, Result
    from crankfold.viewer.picture import StripScales

COLUMNS_A_UNIT = 1.5  # of a scene unit: about one for each pixel of a large screen
MOST_COLUMNS = 4000


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
