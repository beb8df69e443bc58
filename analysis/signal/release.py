"""What follows the end of a cranking: a rest, a load that stays on the cable, or a starter idling beside its engine.

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

SETTLES_S = 0.04  # after the end: the edge itself and what the low-pass smears of it
LEVEL_S = 0.05  # means over so long tell one level from another
FALLS_TO = 0.5  # of the level: a second fall, below which nothing but zero is left
SEEN_NOISES = 4.0  # standard deviations: a level that is seen at all
IDLES_S = 0.65  # a level that falls away after longer than this was a starter idling
SOON_S, SOON_SHARE = 0.12, 0.12  # s, and of the mean while cranking: one that falls sooner must be as high as an idling
HIGH_SHARE = 0.25  # of the mean while cranking: so high for so long is a starter's even if nobody saw it fall
LEAST_REST_S = 0.03  # after the second fall


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
