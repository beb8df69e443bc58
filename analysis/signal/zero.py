"""The current's zero, its noise and its polarity, from the quiet before a crank or after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

QUIET_S = 0.1  # enough for a median; captures begin at least this long before the onset
QUIET_SHARE = 0.12  # of the whole range: a stretch whose short means vary less is quiet
QUIET_MEAN_S = 0.02  # one turn of 50 Hz hum, so that hum and hash do not count
SAME_ZERO = 0.1  # of the range: the quiet before and after differ less
MAD_TO_SD = 1.4826


@dataclass(frozen=True, eq=False)
class Zero:
    """Zero and noise in the capture's unit, polarity, and a quiet stretch.

    Parameters
    ----------
    value
        Median of the quiet before the cranking, or after it, the one further out; 0 where neither is quiet.
    noise
        Standard deviation there; NaN where neither is quiet (0 is that of a rest within one code of the converter).
    polarity
        1, or -1 where cranking current reads negative.
    rest
        Samples of a quiet stretch, that before the cranking if there is one; empty where neither is quiet.
    """

    value: float
    noise: float
    polarity: int
    rest: slice


def find_zero(x: NDArray[np.float64], rate_hz: float) -> Zero:
    """Return zero, noise and polarity of a current, shape (m,), finite, hum off."""
    width = max(4, round(QUIET_S * rate_hz))
    short = max(1, round(QUIET_MEAN_S * rate_hz))
    means = np.convolve(x, np.full(short, 1.0 / short), mode="valid")
    spread = float(np.percentile(means, 99) - np.percentile(means, 1))
    ends = (slice(0, width), slice(max(0, len(x) - width), len(x)))
    calm = [float(np.ptp(part)) <= max(QUIET_SHARE * spread, 1e-12)
            for part in (means[: max(1, width - short + 1)], means[-max(1, width - short + 1) :])]
    quiet = [end for end, still in zip(ends, calm, strict=True) if still]
    if not quiet:
        return Zero(0.0, float("nan"), _polarity(x), slice(0, 0))
    medians = [float(np.median(x[end])) for end in quiet]
    middle = float(np.median(x))
    same = len(quiet) == 1 or abs(medians[0] - medians[1]) < SAME_ZERO * spread
    chosen = 0 if same else int(np.argmax([abs(m - middle) for m in medians]))
    value = medians[chosen]
    noise = MAD_TO_SD * float(np.median(np.abs(x[quiet[chosen]] - value)))
    return Zero(value, noise, _polarity(x - value), quiet[0])


def _polarity(off: NDArray[np.float64]) -> int:
    far = off[np.abs(off) > 0.3 * np.percentile(np.abs(off), 99)]
    return -1 if len(far) and far.mean() < 0 else 1
