"""What of a cranking may be judged: where the engine catches, flat tops, stretches without a long gap.

Works on a pooled current whose zero is taken off and whose cranking is positive.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.humps import find_humps, hump_period_s
from crankfold.analysis.signal.trace import Span

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.signal.detector import Passed
    from crankfold.analysis.signal.hum import Hum

INRUSH_S = 0.5  # stall current, then the first humps, taken while accelerating
RELEASE_S = 0.06  # the end's edge and what the low-pass smears of it
CATCH_LEVEL = 0.4  # of the hump tops: an engine running by itself leaves the starter idling below this
IDLE_SHARE = 0.75  # of the humps' mean level: an idling starter that draws more turns something
HUMP_SHARE = 0.3  # of the usual hump: smaller ones are an idling starter's ripple
FEWEST_HUMPS = 3  # to know what is usual: the third tallest, as idling adds many small ones
USUAL_HUMP_S = 0.15
CATCH_HUMPS = 2.5  # idling for longer than this many humps is no gap between two humps
CATCH_MIN_S = 0.3
CATCH_BACK_HUMPS = 1.5  # the firing began before the current stayed low
FLAT_TOP = 0.02  # of the range: samples this near to the top of a clipped trace
FLAT_RUN_S = 0.012  # a flat top lasts; a natural crest is within 2 % of the top only where humps are equal


class NoCrankingError(Exception):
    """Nothing in the capture is a cranking; `facts` says what was seen (see `facts_of`)."""

    def __init__(self, facts: Mapping[str, float]) -> None:
        super().__init__("no cranking in this capture")
        self.facts = dict(facts)


NoCranking = NoCrankingError


def facts_of(smooth: NDArray[np.float64], rate_hz: float, noise: float, loads: Sequence[Passed],
             hum: Hum | None = None) -> dict[str, float]:
    """Return what there is in a current that holds no cranking: its peak, its noise, its hum, and the longest load."""
    longest = max(loads, key=lambda load: load.end - load.index, default=None)
    facts = {"peak": float(smooth.max()), "noise": noise, "longest_s": 0.0}
    if longest is not None:
        facts |= {"longest_s": (longest.end - longest.index) / rate_hz, "load_mean": longest.mean,
                  "load_peak": longest.peak}
    if hum is not None:
        facts |= {"hum": hum.amplitude, "hum_hz": hum.frequency_hz}
    return facts


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and past-the-end index of every run of True in `flags`, shape (m,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def caught_at(smooth: NDArray[np.float64], first: int, stop: int, rate_hz: float) -> int | None:
    """Return the sample from which the engine ran by itself, None if it did not.

    It did when the humps are over and the current stays below what they were on until the key is let go: the starter
    idles. The sample returned lies before the last hump by `CATCH_BACK_HUMPS`, since the first firing spoils the humps
    before it.
    """
    after = first + round(0.1 * rate_hz)
    body = np.nan_to_num(smooth[after:stop])
    if len(body) < CATCH_MIN_S * rate_hz:
        return None
    skip = round(0.15 * rate_hz)
    tops = float(np.percentile(body[skip:] if len(body) > 2 * skip else body, 95))
    found = []
    for last in (_last_loud(body, tops), _last_hump(body, rate_hz)):
        if last is None:
            continue
        hump_s = hump_period_s(body[min(skip, last // 2) : last + 1], rate_hz)
        hump_s = USUAL_HUMP_S if np.isnan(hump_s) else hump_s
        if (len(body) - 1 - last) / rate_hz >= max(CATCH_HUMPS * hump_s, CATCH_MIN_S):
            found.append(max(first, after + last - round(CATCH_BACK_HUMPS * hump_s * rate_hz)))
    return min(found, default=None)


def _last_loud(body: NDArray[np.float64], tops: float) -> int | None:
    """Return the last sample as high as an idling starter's current never is."""
    loud = np.flatnonzero(body > CATCH_LEVEL * tops)
    return int(loud[-1]) if len(loud) else None


def _last_hump(body: NDArray[np.float64], rate_hz: float) -> int | None:
    """Return where the last hump ends, if what follows is flat and well below what the humps are on; else None."""
    humps = find_humps(body, np.arange(len(body)) / rate_hz, 0.0)
    if humps.count < FEWEST_HUMPS:
        return None
    usual = float(np.sort(humps.swing)[-FEWEST_HUMPS])
    tall = np.flatnonzero(humps.swing >= HUMP_SHARE * usual)
    last = int((humps.time_s[tall[-1]] + 0.5 * float(np.median(humps.length_s[tall]))) * rate_hz)
    rest = body[last:]
    lower = len(rest) > 0 and float(rest.mean()) < IDLE_SHARE * float(np.median(humps.level[tall]))
    return last if lower else None


def flat_tops(raw: NDArray[np.float64], rate_hz: float, ceiling: float | None = None) -> NDArray[np.bool_]:
    """Return which samples sit at a flat top, shape (m,).

    Parameters
    ----------
    raw : ndarray, shape (m,)
        Current before any filter, over the steady cranking; NaN where samples are lost.
    ceiling
        The highest value the converter or probe can give, when known.
    """
    out = np.zeros(len(raw), dtype=np.bool_)
    good = np.isfinite(raw)
    x = raw[good]
    if len(x) < 8:
        return out
    top, low = float(x.max()), float(np.percentile(x, 1))
    near = x >= top - FLAT_TOP * (top - low)
    if ceiling is not None and top >= ceiling:
        near |= x >= ceiling
    least = max(2, round(FLAT_RUN_S * rate_hz))
    flat = np.zeros(len(x), dtype=np.bool_)
    for a, b in runs(near):
        flat[a:b] = b - a >= least
    out[good] = flat
    return out


def longest_whole(good: NDArray[np.bool_], first: int, stop: int) -> tuple[int, int]:
    """Return the longest run of good samples within first..stop; an empty run when there is none."""
    found = [(first + a, first + b) for a, b in runs(good[first:stop])]
    return max(found, key=lambda s: s[1] - s[0], default=(first, first))


def as_span(bounds: tuple[int, int], time_s: NDArray[np.float64], rate_hz: float) -> Span:
    """Return sample bounds as a span of time."""
    return Span(float(time_s[bounds[0]]), float(time_s[bounds[1] - 1] + 1.0 / rate_hz))
