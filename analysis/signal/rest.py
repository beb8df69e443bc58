"""The current at rest: its zero, noise and polarity in the quiet beside a crank, and what follows the crank's end.

Pump, ignition and a clamp's remanence leave a level that stays. A starter that is held on after its engine runs by
itself draws 50 to 90 A, a small one a tenth of that, until the key is let go: then it falls once more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.pool import moving_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

QUIET_S = 0.1  # enough for a median; captures begin at least this long before the onset
QUIET_SHARE = 0.12  # of the whole range: a stretch whose short means vary less is quiet
QUIET_MEAN_S = 0.02  # one turn of 50 Hz hum, so that hum and hash do not count
SAME_ZERO = 0.1  # of the range: the quiet before and after differ less
MAD_TO_SD = 1.4826
SETTLES_S = 0.04  # after the end: the edge itself and what the low-pass smears of it
LEVEL_S = 0.05  # means over so long tell one level from another
FALLS_TO = 0.5  # of the level: a second fall, below which nothing but zero is left
SEEN_NOISES = 4.0  # standard deviations: a level that is seen at all
IDLES_S = 0.65  # a level that falls away after longer than this was a starter idling
SOON_S, SOON_SHARE = 0.12, 0.12  # s, and of the mean while cranking: one that falls sooner must be as high as an idling
HIGH_SHARE = 0.25  # of the mean while cranking: so high for so long is a starter's even if nobody saw it fall
LEAST_REST_S = 0.03  # after the second fall


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


@dataclass(frozen=True)
class After:
    """What follows a cranking.

    Parameters
    ----------
    idles_to
        Sample at which a starter that idled was let go, None if none did.
    left
        Level that stays after all of it, in the current's unit; NaN when too little follows.
    """

    idles_to: int | None
    left: float


def after_release(smooth: NDArray[np.float64], stop: int, until: int, rate_hz: float, mean: float,
                  noise: float) -> After:
    """Return what follows a cranking.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current, zero off, finite.
    stop, until
        End of the cranking, and where the next one begins or the capture ends, in samples.
    mean
        Of the current while cranking.
    noise
        Standard deviation of the quiet in `smooth`.
    """
    tail = smooth[stop + round(SETTLES_S * rate_hz) : until]
    width = max(1, round(LEVEL_S * rate_hz))
    if len(tail) < width:
        return After(None, float("nan"))
    levels = moving_mean(tail, width)
    level = float(np.median(levels[: 2 * width]))
    left = float(np.median(tail[-3 * width :]))
    if level <= SEEN_NOISES * noise:
        return After(None, left)
    high = levels > FALLS_TO * level
    falls = int(np.flatnonzero(high)[-1]) + 1 if high.any() else 0
    lasts_s = falls / rate_hz + SETTLES_S
    fell = (len(tail) - falls) / rate_hz >= LEAST_REST_S and left < FALLS_TO * level
    idles = (fell and (lasts_s > IDLES_S or (lasts_s > SOON_S and level > SOON_SHARE * mean))) or (
        not fell and lasts_s > IDLES_S and level > HIGH_SHARE * mean)
    return After(min(until, stop + round(SETTLES_S * rate_hz) + falls) if idles else None, left)
