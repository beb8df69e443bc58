"""Whether the current came through a probe that passes no steady current, such as a clamp made for mains.

Such a probe is a high-pass: it shows ``y`` with ``y' = x' - k y`` for a current ``x``, so that a steady current fades
with the time constant 1/k and an equal one of the other sign appears when it ends. A starter's current never turns
round, so what goes far below the quiet before the crank tells; and ``x = y + k * integral of y`` must then be a
cranking that is steady and ends at zero, which a charging alternator or a load that is switched off does not give.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.signal.trace import CrankingTrace

QUIET_S = 0.12  # before the onset, for the zero; recordings begin at least a quarter of a second before
QUIET_SHARE = 0.08  # of the range: more than that moving is no quiet
INRUSH_S = 0.3
RISEN = 0.12  # of the range: the crank has begun
SIDE_S = 0.1  # from there the side on which the current lies is read
MEAN_S = 0.04  # shorter dips are noise or sparks
BELOW = 0.28  # of the mean current: 0.05 Hz and 1.2 s of cranking leave so much below zero after it
SLOWEST_PER_S, FASTEST_PER_S = 0.2, 60.0  # k: a corner of 0.03 to 10 Hz
STEADY_RISE = 1.06  # late over early mean of the current put right; it falls or stays as a battery sags
FADE_SHARE = 0.5  # of the fading that k foretells for what follows the crank
FADE_SEEN = 0.25  # of what is left below zero must be foretold to fade before its fading is asked for
LEAST_S = 0.5  # a solenoid's click is shorter
TURNS = 5  # times from clearly above to clearly below zero that no current of a starter makes
TURN_SHARE = 0.12  # of the range, for clearly
TURNED_SHARE = 0.1  # of the cranking clearly below zero; a crank that springs back gives moments
TURNED_MEAN = 0.15  # of the range: the mean of such a current is near zero


@dataclass(frozen=True, eq=False)
class _Seen:
    """The current less its zero before the crank, cranking positive, from the onset on, with its rate in hertz."""

    y: NDArray[np.float64]
    rate_hz: float
    span: float


def ac_probe(trace: CrankingTrace) -> Notice | None:
    """Return the reason that the probe passes no steady current, None if it does or nobody can tell.

    The notice carries the corner frequency, where it is low enough to be read.
    """
    seen = _from_onset(trace.smooth, trace.rate_hz)
    if seen is None:
        return None
    k = _fading(seen)
    if k is not None:
        return Notice("ac-probe", {"corner_hz": k / (2.0 * np.pi)})
    return Notice("ac-probe", {}) if _alternates(seen) else None


def coupled_span(smooth: NDArray[np.float64], rate_hz: float) -> tuple[tuple[int, int], ...]:
    """Return from where to where a current that came through such a probe was a cranking; empty where it did not.

    Through such a probe a cranking has no zero and no level, so that nobody finds it by them.

    Parameters
    ----------
    smooth : ndarray, shape (m,)
        Low-passed current, of either sign.
    """
    seen = _from_onset(smooth, rate_hz)
    if seen is None or (_fading(seen) is None and not _alternates(seen)):
        return ()
    first = len(smooth) - len(seen.y)
    loud = np.flatnonzero(np.abs(seen.y) > RISEN * seen.span)
    lasts = int(loud[-1]) + 1
    return ((first, first + lasts),) if lasts >= LEAST_S * rate_hz else ()


def _from_onset(x: NDArray[np.float64], rate_hz: float) -> _Seen | None:
    good = np.isfinite(x)
    if good.mean() < 0.9:
        return None
    x = np.where(good, x, np.nan_to_num(np.nanmedian(x)))
    quiet = x[: max(4, round(QUIET_S * rate_hz))]
    y = x - float(np.median(quiet))
    span = float(np.ptp(y))
    if span <= 0 or np.ptp(quiet) > QUIET_SHARE * span:
        return None
    onset = int(np.argmax(np.abs(y) > RISEN * span))
    side = float(np.mean(y[onset : onset + max(1, round(SIDE_S * rate_hz))]))
    y = y[onset:] * (1.0 if side > 0 else -1.0)
    return _Seen(y, rate_hz, span) if len(y) > rate_hz else None


def _alternates(seen: _Seen) -> bool:
    """Return whether the current swings round its zero while cranking, the in-rush left out."""
    body = seen.y[round(INRUSH_S * seen.rate_hz) :]
    span = float(np.percentile(body, 98) - np.percentile(body, 2))
    sides = np.sign(body) * (np.abs(body) > TURN_SHARE * span)
    clear = np.flatnonzero(sides)
    turns = clear[:-1][(sides[clear[:-1]] > 0) & (sides[clear[1:]] < 0)]
    if len(turns) < TURNS:
        return False
    until = int(turns[-1]) + 1
    return float(np.mean(sides[:until] < 0)) > TURNED_SHARE and float(body[:until].mean()) < TURNED_MEAN * span


def _fading(seen: _Seen) -> float | None:
    """Return k a second of a probe under which the current fades, None if it is no such probe's."""
    y, rate_hz = seen.y, seen.rate_hz
    width = max(1, round(MEAN_S * rate_hz))
    even = np.convolve(y, np.full(width, 1.0 / width), mode="same")
    even[-width:] = even[-width - 1]
    area = np.cumsum(y) / rate_hz
    skip = round(INRUSH_S * rate_hz)
    lowest = skip + int(np.argmin(even[skip:]))
    below, held = -float(even[lowest]), float(area[lowest])
    if below <= 0 or held <= 0:
        return None
    k = below / held
    put_right = even + k * area
    body = put_right[skip : max(skip + 3, _release(put_right, lowest))]
    third = len(body) // 3
    if third < 1 or not SLOWEST_PER_S <= k <= FASTEST_PER_S or below < BELOW * float(body.mean()):
        return None
    if float(body[-third:].mean()) > STEADY_RISE * float(body[:third].mean()):
        return None
    return k if _fades(even[lowest:], k, rate_hz) else None


def _release(put_right: NDArray[np.float64], lowest: int) -> int:
    """Return where the cranking ends, by the current put right."""
    loud = np.flatnonzero(put_right[: lowest + 1] > 0.3 * float(np.median(put_right[: lowest + 1])))
    return int(loud[-1]) if len(loud) else lowest


def _fades(after: NDArray[np.float64], k: float, rate_hz: float) -> bool:
    """Return whether what is below zero after the crank fades as it should, where there is enough of it to see."""
    foretold = 1.0 - np.exp(-k * len(after) / rate_hz)
    if foretold < FADE_SEEN:
        return True
    seen = 1.0 - float(np.mean(after[-max(1, len(after) // 8) :])) / float(after[0])
    return bool(seen > FADE_SHARE * foretold)
