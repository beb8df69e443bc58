"""What the network sees of a cranking: its cycles laid over each other, an overview of the whole, and some numbers.

The same figures are made in `analysis/training/observe.py` of simulated engines; a change here is a change there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.signal import CrankingTrace, CycleTrack

BINS = 256  # of a cycle: sixteen of a hump of sixteen cylinders
CYCLES = 10  # laid over each other at the most
MOST = 16  # cylinders that there is an input for
SHOWN_S = 4.6  # of a crank, from where the network sees it: no engine of the training was turned for longer
LEAST_CYCLES = 3  # of a slow engine, though it takes longer
OVERVIEW, OVERVIEW_S, BEFORE = 512, 0.01, 10  # samples of the overview, seconds of each, and how many before the onset
FOLD_LIMIT, NUMBER_LIMIT = 12.0, 6.0  # beyond is cut off
OVER_LIMITS = (-1.5, 5.0)
LEAST_LEVEL = 1e-9  # of the current, so that nothing is divided by nothing


@dataclass(frozen=True, eq=False)
class Seen:
    """What the network is given.

    Parameters
    ----------
    fold : ndarray, shape (BINS, 5)
        Mean of the cycles in standard deviations and in shares of its level, logarithm of their spread, late cycles
        less early ones, odd ones less even ones.
    numbers : ndarray, shape (11 + MOST,)
        Speed, cycles, ripple, in-rush, drift, scatter, and the number of cylinders as a row of zeros and a one.
    overview : ndarray, shape (OVERVIEW, 3)
        The whole current over its level less one, whether there is any, and whether it is judged.
    level
        Mean current of the cycles, in the trace's unit.
    edges_s : ndarray, shape (cycles + 1,)
        Where the cycles begin and end, seconds from the start of the capture.
    mean, own : ndarray, shapes (BINS,), (cycles,)
        The mean cycle less its level, and the level of each cycle, in the trace's unit.
    repeats
        Share of the cycles' variance that is the mean cycle's, 0 to 1.
    """

    fold: NDArray[np.float32]
    numbers: NDArray[np.float32]
    overview: NDArray[np.float32]
    level: float
    edges_s: NDArray[np.float64]
    mean: NDArray[np.float64]
    own: NDArray[np.float64]
    repeats: float


def look(trace: CrankingTrace, track: CycleTrack, engine: Engine, *, onset: bool = False) -> Seen | None:
    """Return what the network is given of a trace under one count of its cycles, None where there is no whole cycle.

    Parameters
    ----------
    track
        Cycles against seconds from the start of the capture.
    onset
        Whether it is shown in-rush and run-up, too. Cylinders are judged without: measured cranks run up unlike those
        of the training, and it took their in-rush for signs of firing or of no compression.
    """
    steady = trace.steady
    time, y = trace.time_s[steady], trace.smooth[steady]
    good = np.isfinite(y)
    if good.sum() < 16:
        return None
    if not onset:
        trace = replace(trace, has_onset=False, inrush=float("nan"))
    shown = time < _begin_s(trace) + SHOWN_S
    count = np.maximum.accumulate(track.at(time) + 1e-9 * (time - time[0]))
    cycles = int(min(CYCLES, max(count[shown][-1] - count[0], min(LEAST_CYCLES, count[-1] - count[0]))))
    if cycles < 1:
        return None
    edges = np.interp(count[0] + np.arange(cycles + 1), count, time)
    share = (np.arange(BINS) + 0.5) / BINS
    folds = np.interp(edges[:-1, None] + np.diff(edges)[:, None] * share, time[good], y[good])
    fold, numbers, level = _features(folds, edges, trace, engine)
    own = folds.mean(axis=1)
    mean = (folds - own[:, None]).mean(axis=0)
    off = folds - own[:, None] - mean
    repeats = 1.0 - float((off**2).mean()) / max(float((mean**2).mean() + (off**2).mean()), 1e-30)
    return Seen(fold.astype(np.float32), numbers.astype(np.float32), _overview(trace, level).astype(np.float32), level,
                edges, mean, own, repeats)


def _begin_s(trace: CrankingTrace) -> float:
    return trace.crank.start_s if trace.has_onset else trace.steady_from_s


def _features(folds: NDArray[np.float64], edges: NDArray[np.float64], trace: CrankingTrace, engine: Engine,
              ) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    k = len(folds)
    own = folds.mean(axis=1)
    level = max(float(own.mean()), LEAST_LEVEL)
    ripples = folds - own[:, None]
    mean = ripples.mean(axis=0)
    off = ripples - mean
    spread = np.sqrt((off**2).sum(axis=0) / max(k - 1, 1))
    sd = max(float(mean.std(ddof=1)), 1e-4 * level)
    at = np.arange(k)
    late, odd = 2 * at >= k, at % 2 == 1
    fold = np.stack([mean / sd, mean / level * 2, np.log(0.02 + spread / sd) + 2.5,
                     2 * _difference(ripples, late) / sd, 2 * _difference(ripples, odd) / sd], axis=1)
    numbers = np.concatenate((_numbers(own / level, np.diff(edges), sd / level, off / sd, trace.inrush / level, engine),
                              np.eye(MOST)[engine.cylinders - 1]))
    return np.clip(fold, -FOLD_LIMIT, FOLD_LIMIT), numbers, level


def _difference(ripples: NDArray[np.float64], part: NDArray[np.bool_]) -> NDArray[np.float64]:
    if len(ripples) < 2:
        return np.zeros(ripples.shape[1])
    out: NDArray[np.float64] = ripples[part].mean(axis=0) - ripples[~part].mean(axis=0)
    return out


def _numbers(own: NDArray[np.float64], widths: NDArray[np.float64], ripple: float, off: NDArray[np.float64],
             inrush: float, engine: Engine) -> NDArray[np.float64]:
    k = len(own)
    period = float(widths.mean())
    c = np.arange(k) - (k - 1) / 2
    square = max(float((c**2).sum()), 0.5)
    drift = float((own * c).sum()) / square
    slowing = float((widths / period * c).sum()) / square
    uneven = float(np.sqrt(np.mean((widths / period - 1 - slowing * c) ** 2)))
    scatter = float(np.sqrt((off**2).sum() / max(k - 1, 1) / BINS))
    known = float(np.isfinite(inrush))
    after = np.diff(np.append(engine.firing_deg, engine.cycle_deg)) / engine.cycle_deg * engine.cylinders
    out: NDArray[np.float64] = np.clip(np.array([
        2 * np.log(60 * engine.cycle_deg / 360 / period / 200), np.log2(k) - 1, np.log(ripple) + 1.3,
        known * (np.log(np.clip(inrush if known else 1.0, 0.5, 12)) - 1), known, 15 * np.clip(drift, -0.2, 0.2),
        float(engine.strokes == 2), 2 * float(np.mean(np.abs(after - 1))), 30 * np.clip(slowing, -0.1, 0.1),
        np.log(0.002 + uneven) + 4.5, np.log(0.01 + scatter) + 2]), -NUMBER_LIMIT, NUMBER_LIMIT)
    return out


def _overview(trace: CrankingTrace, level: float) -> NDArray[np.float64]:
    begin = _begin_s(trace)
    block = max(1, round(OVERVIEW_S * trace.rate_hz))
    first = int(np.searchsorted(trace.time_s, begin))
    last = int(np.searchsorted(trace.time_s, min(trace.crank.end_s, begin + SHOWN_S)))
    many = min((last - first) // block, OVERVIEW - BEFORE)
    out = np.zeros((OVERVIEW, 3))
    if many < 1:
        return out
    means = np.nan_to_num(trace.smooth[first : first + many * block]).reshape(many, block).mean(axis=1)
    seconds = trace.time_s[first : first + many * block : block]
    inside = slice(BEFORE, BEFORE + many)
    out[inside, 0] = np.clip(means / level - 1, *OVER_LIMITS)
    out[inside, 1] = 1.0
    out[inside, 2] = (seconds >= trace.steady_from_s) & (seconds < trace.steady_to_s)
    return out
