"""The conditioned current of one cranking: what the estimator reads and the picture shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.humps import Humps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.signal.hum import Hum
    from crankfold.analysis.signal.run_up import RunUp


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

    All times are seconds from the start of the capture. In order, one crank is::

        crank.start_s   the onset: the first sample that leaves the rest
                        in-rush (`inrush` is its peak)
        run_up.end_s    the mean over one hump is within a tenth of its late median: the run-up is over
        steady_from_s   where the judged stretch begins; the end of the run-up wherever enough is left after it
        steady_to_s     where the judged stretch ends: before the release, the engine's catching, or a long gap
        fired_at_s      from when on the engine ran by itself, if it did
        crank.end_s     the release: the current has gone, or has fallen at once to what stays on the cable

    Run-up, release and what lies between are all in `current`: nothing is cut away, only described.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        Centres of the pooled samples, evenly spaced by ``1 / rate_hz``.
    current : ndarray, shape (m,)
        Pooled current less its zero and its hum, positive while cranking, in `unit`. Not low-passed further. Straight
        lines where `weight` is 0; NaN in gaps too long for that.
    smooth : ndarray, shape (m,)
        The same after the zero-phase low-pass (60 Hz): hash out, humps untouched.
    weight : ndarray, shape (m,)
        How much each pooled sample may count, 0 to 1: the share of good samples in it; 0 where they were lost, late,
        clipped or disturbed by a spike.
    rate_hz
        Pooled samples a second, about 2,000 or the capture's own rate if that is lower.
    source_rate_hz
        Samples a second of the capture.
    unit
        Unit of the current: ``"A"`` or, when no scale is known, the capture's own.
    polarity
        +1, or -1 when the capture's current was upside down.
    zero
        The current's zero in the capture's unit, from the quiet before (or after) the crank.
    noise
        Standard deviation of `current` in the quiet stretch, hum off, in `unit`; NaN when there is no quiet.
    smooth_noise
        Likewise of `smooth`: what no model can explain, and no misfit; 0 when there is no quiet.
    crank
        From onset to release of the cranking that is judged (the longest). A starter left idling beside a running
        engine is still part of it.
    others
        The other crankings in the capture.
    steady_from_s, steady_to_s
        The judged stretch.
    inrush
        Peak of the in-rush, in `unit`; NaN where the capture begins later.
    bridged
        Gaps in the cranking that were short enough to leave out, as spans.
    clipped_humps
        Share of the judged samples that sit at a flat top, 0 to 1.
    clipped_inrush
        Whether the in-rush peak sits at a flat top.
    fired_at_s
        From when on the engine ran by itself or fired while it was cranked, None if it did not.
    has_onset
        False when the capture begins in the middle of the cranking, so that there is no in-rush in it.
    cut_by_gap
        Whether gaps too long to leave out left only a part of the cranking to be judged.
    ac_sag
        Ratio of the current's mean level late in the cranking to early; far below 1 where a probe cannot hold
        a steady current.
    zero_after
        What stays on the cable after the release (pump, ignition, a clamp's remanence), in `unit`, measured; NaN when
        nothing quiet was recorded there.
    run_up
        How the crank came up to speed; None without an onset.
    hump_s
        Spacing of the humps in the judged stretch, the first strong peak of its autocorrelation: with unequal humps it
        may be a whole multiple of the true spacing, never less. NaN when nothing repeats.
    humps
        Every hump from onset to release as it is seen, run-up included: when, how long, how high, at what level.
    hum
        Mains hum that was taken off, None: there was none.
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
    weight: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    smooth_noise: float = 0.0
    zero_after: float = float("nan")
    run_up: RunUp | None = None
    hump_s: float = float("nan")
    humps: Humps = field(default_factory=Humps)
    hum: Hum | None = None

    def __post_init__(self) -> None:
        if len(self.weight) != len(self.time_s):
            object.__setattr__(self, "weight", np.isfinite(self.current).astype(np.float64))

    @property
    def steady(self) -> slice:
        """Samples of the judged stretch."""
        return self.between(self.steady_from_s, min(self.steady_to_s, self.crank.end_s))

    def between(self, start_s: float, end_s: float) -> slice:
        """Return the samples from one time to another; empty where the second is earlier."""
        first = int(np.searchsorted(self.time_s, start_s))
        return slice(first, max(first, int(np.searchsorted(self.time_s, end_s))))
