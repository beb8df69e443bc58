"""The cranking detector over a whole recording: every cranking in it, and the loads that are none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.capture import CURRENT, Channel
from crankfold.analysis.signal.detector import CrankingDetector, Onset

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.signal.detector import Passed

REST_FRAMES = 32  # of the detector's, enough for a median and a spread
REST_STEP_S = 0.004
LEAST_NOISE_SHARE = 0.002  # of the tall samples: a rest without any noise must not make a load of a rounding error
LONGEST_S = 1e6  # a recording is judged however long it was cranked


@dataclass(frozen=True)
class Found:
    """First and past-the-end sample of each cranking, in order, and the loads that are no cranking."""

    cranks: tuple[tuple[int, int], ...]
    loads: tuple[Passed, ...]


def find_crankings(current: NDArray[np.float64], rate_hz: float, rest: NDArray[np.float64], *,
                   amperes: bool) -> Found:
    """Return what the detector finds in a current whose zero is taken off and whose cranking is positive.

    Parameters
    ----------
    current : ndarray, shape (m,)
        Finite samples, hum off.
    rate_hz
        Samples a second.
    rest : ndarray, shape (k,)
        A quiet stretch of it; empty where there is none.
    amperes
        Whether the unit is amperes, so that absolute limits apply.
    """
    tall = float(np.percentile(np.abs(current), 99)) if len(current) else 0.0
    detector = CrankingDetector(rate_hz, Channel(CURRENT, "A" if amperes else "V"), max_crank_s=LONGEST_S,
                                quiet=_frames(rest, rate_hz), least_noise=LEAST_NOISE_SHARE * tall)
    cranks, onset = [], None
    for event in [*detector.feed(0, current), *detector.finish()]:
        if isinstance(event, Onset):
            onset = event
        elif onset is not None:
            stop = min(event.index, len(current))
            if onset.polarity > 0 and stop > onset.index:
                cranks.append((onset.index, stop))
            onset = None
    return Found(tuple(cranks), tuple(detector.passed))


def _frames(rest: NDArray[np.float64], rate_hz: float) -> list[float]:
    """Return frame means of a rest as the detector takes them, the same again and again where it is short."""
    size = max(1, round(REST_STEP_S * rate_hz))
    count = len(rest) // size
    if count == 0:
        return [0.0] * REST_FRAMES
    means = rest[: count * size].reshape(count, size).mean(axis=1)
    return [float(mean) for mean in np.resize(means, max(count, REST_FRAMES))]
