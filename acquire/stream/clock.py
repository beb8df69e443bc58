"""How fast a board really samples, found from when its samples arrive.

Samples may arrive late but never early, so the earliest arrival in each stretch of time lies on the line from index to
time; the median of the slopes between them is the rate, whatever the stalls in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

TOLERANCE = 0.01  # of the nominal rate; ceramic resonators are good to half a percent
STRETCH_S = 0.25
MAX_STRETCHES = 240  # then neighbours are merged: the memory stays the same however long the stream
NEEDED_SPAN_S = 2.0  # a block of a slow port comes some 20 ms late, 1 % of this
NEEDED_STRETCHES = 6


@dataclass(frozen=True)
class FittedRate:
    """The rate found, and how sure.

    Parameters
    ----------
    rate_hz, nominal_hz
        Samples a second: found, and told by the board.
    uncertainty
        Of the found rate, relative, from how far single pairs of arrivals scatter round it.
    span_s
        Over how long it was found.
    """

    rate_hz: float
    nominal_hz: float
    uncertainty: float
    span_s: float

    @property
    def deviation(self) -> float:
        """Relative difference from nominal."""
        return self.rate_hz / self.nominal_hz - 1.0

    def beyond(self, tolerance: float = TOLERANCE) -> bool:
        """Whether it differs from nominal by more than the tolerance and more than it is uncertain."""
        return abs(self.deviation) > max(tolerance, 2.0 * self.uncertainty)


class ClockFit:
    """Takes in arrivals and gives the rate.

    Parameters
    ----------
    nominal_hz
        What the board says, samples a second.
    """

    def __init__(self, nominal_hz: float) -> None:
        self._nominal_hz = nominal_hz
        self._stretch_s = STRETCH_S
        self._begun_s: float | None = None
        self._earliest: dict[int, tuple[float, float, float]] = {}

    def add(self, next_index: int, arrived_s: float) -> None:
        """Take note that the sample before `next_index` had arrived at host time `arrived_s`, seconds."""
        if self._begun_s is None:
            self._begun_s = arrived_s
        since = arrived_s - self._begun_s
        late = since - next_index / self._nominal_hz
        key = int(since / self._stretch_s)
        if key not in self._earliest or late < self._earliest[key][2]:
            self._earliest[key] = (float(next_index), since, late)
            if len(self._earliest) > MAX_STRETCHES:
                self._merge()

    def fitted(self) -> FittedRate | None:
        """Return the rate, or None while there is too little to say."""
        points = np.array(list(self._earliest.values()))
        if len(points) < NEEDED_STRETCHES or points[-1, 1] - points[0, 1] < NEEDED_SPAN_S:
            return None
        index, since = points[:, 0], points[:, 1]
        a, b = np.triu_indices(len(points), 1)
        far = index[b] - index[a] > 0.25 * (index[-1] - index[0])  # near pairs say little and scatter much
        if not far.any():
            return None
        periods = (since[b] - since[a])[far] / (index[b] - index[a])[far]
        period = float(np.median(periods))
        scatter = 1.4826 * float(np.median(np.abs(periods - period)))
        return FittedRate(1.0 / period, self._nominal_hz, scatter / period, float(since[-1] - since[0]))

    def _merge(self) -> None:
        self._stretch_s *= 2.0
        merged: dict[int, tuple[float, float, float]] = {}
        for point in self._earliest.values():
            key = int(point[1] / self._stretch_s)
            if key not in merged or point[2] < merged[key][2]:
                merged[key] = point
        self._earliest = merged
