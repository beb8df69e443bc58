"""The conditioned current of one cranking: what the estimator reads and the picture shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Span:
    """A stretch of time in seconds from the start of the capture."""

    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s


@dataclass(frozen=True, eq=False)
class CrankingTrace:
    """The whole capture's current, pooled, with its zero taken off and cranking positive, and where the cranking is.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        Centres of the pooled samples, seconds from the start of the capture, evenly spaced.
    current : ndarray, shape (m,)
        Pooled current less its zero, positive while cranking, in `unit`. Not low-passed further. NaN in gaps that
        were too long to bridge.
    smooth : ndarray, shape (m,)
        The same after the zero-phase low-pass: hash and hum out, humps untouched.
    rate_hz
        Pooled samples a second.
    source_rate_hz
        Samples a second of the capture.
    unit
        Unit of the current: ``"A"`` or, when no scale is known, the capture's own.
    polarity
        +1, or -1 when the capture's current was upside down.
    zero
        The current's zero in the capture's unit, from the quiet before (or after) the crank.
    noise
        Standard deviation of the quiet stretch, in `unit`; NaN when there is none.
    crank
        From onset to end of the cranking that is judged (the longest).
    others
        The other crankings in the capture.
    steady_from_s
        Where the in-rush is over.
    inrush
        Peak of the in-rush, in `unit`.
    bridged
        Gaps that were small enough to bridge, as spans.
    clipped_humps
        Share of the steady samples that sit at a flat top, 0 to 1.
    clipped_inrush
        Whether the in-rush peak sits at a flat top.
    steady_to_s
        Where the judged stretch ends: before the release, the engine's catching, or a gap too long to bridge.
    fired_at_s
        From when on the engine ran by itself, None if it did not.
    has_onset
        False when the capture begins in the middle of the cranking, so that there is no in-rush in it.
    cut_by_gap
        Whether gaps too long to bridge left only a part of the cranking to be judged.
    ac_sag
        Ratio of the current's mean level late in the cranking to early; far below 1 where a probe cannot hold
        a steady current.
    """

    time_s: NDArray[np.float64]
    current: NDArray[np.float64]
    smooth: NDArray[np.float64]
    rate_hz: float
    source_rate_hz: float
    unit: str
    polarity: int
    zero: float
    noise: float
    crank: Span
    others: tuple[Span, ...]
    steady_from_s: float
    inrush: float
    bridged: tuple[Span, ...]
    clipped_humps: float
    clipped_inrush: bool
    steady_to_s: float = float("inf")
    fired_at_s: float | None = None
    has_onset: bool = True
    cut_by_gap: bool = False
    ac_sag: float = 1.0

    @property
    def steady(self) -> slice:
        """Samples from the end of the in-rush to the end of what is judged."""
        first = int(np.searchsorted(self.time_s, self.steady_from_s))
        return slice(first, max(first, int(np.searchsorted(self.time_s, min(self.steady_to_s, self.crank.end_s)))))
