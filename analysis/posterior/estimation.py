"""From a conditioned trace to an estimate: every cycle rate looked at alike, and the likeliest explained."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.posterior.distribution import PERCENT, quantiles
from crankfold.analysis.posterior.folds import BINS, MOST, look
from crankfold.analysis.posterior.network import heads
from crankfold.analysis.posterior.rates import count_cycles, find_rates
from crankfold.analysis.signal import trough_heights

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.posterior.folds import Seen
    from crankfold.analysis.posterior.network import Heads, Placed
    from crankfold.analysis.signal import CrankingTrace, CycleTrack, RateCandidate

AT = np.array([0.025, 0.5, 0.975])  # a 95 % range and its middle
STEP_S = 0.001  # of the track of crank angle
NOTHING_ODDS = 0.2  # that none of the rates is right, against one that is as likely right as wrong
USUAL_LAG_S, SAG_TOLD = 0.03, 20.0  # in what the network tells lag and sag


@dataclass(frozen=True)
class Rival:
    """A cycle rate that was looked at: crank speed, its share of the probability, and the lowest cylinder there."""

    rpm: float
    share: float
    lowest_percent: float


@dataclass(frozen=True, eq=False)
class Estimate:
    """What a trace says of the cylinders, at the likeliest cycle rate.

    Arrays over cylinders are by **position**: index 0 is the first of the firing order *as this estimate places it*.
    With even firing and no mark the placement is arbitrary up to a rotation (index 0 is then the first whole hump of
    the judged stretch); with uneven firing the pattern places it.

    Parameters
    ----------
    relative_percent : ndarray, shape (cylinders,)
        Median of peak gauge compression pressure as percent of the strongest cylinder, 0 to 100.
    interval_percent : ndarray, shape (cylinders, 2)
        95 % range of each.
    chances : ndarray, shape (cylinders, 101)
        Distribution of each over 0, 1 .. 100 percent.
    lowest : ndarray, shape (101,)
        Distribution of the lowest cylinder.
    right, fires, compresses
        Probability that cycle rate and engine card are right; that something burns in the judged stretch; that
        anything compresses at all.
    placed
        Probability of this placement of the firing order in the cycle.
    time_s : ndarray, shape (m,)
        Times of the track below, seconds from the start of the capture, increasing.
    angle_deg : ndarray, shape (m,)
        Crank angle at those times, unwrapped; 0 (modulo the cycle) is the compression TDC of index 0.
    model : ndarray, shape (m,)
        The mean cycle laid over each cycle, in the trace's unit; NaN outside the cycles that were judged.
    cycles
        Engine cycles in the judged stretch.
    rpm
        Mean crank speed over it.
    explained
        Share of the cycles' variance that repeats from cycle to cycle, 0 to 1.
    heights_percent : ndarray, shape (cylinders,)
        Trough-referred hump heights, percent of the tallest: a second opinion.
    others
        The same with the firing order placed otherwise, where that is likely too: with uneven firing only.
    rivals
        Every cycle rate that was looked at, the likeliest first.
    details
        ``stall_current`` (trace's unit), ``lag_s``, ``drift_percent`` (of the stall current, through what is judged).
    """

    relative_percent: NDArray[np.float64]
    interval_percent: NDArray[np.float64]
    chances: NDArray[np.float64]
    lowest: NDArray[np.float64]
    right: float
    fires: float
    compresses: float
    placed: float
    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    model: NDArray[np.float64]
    cycles: float
    rpm: float
    explained: float
    heights_percent: NDArray[np.float64]
    others: tuple[Estimate, ...] = ()
    rivals: tuple[Rival, ...] = ()
    details: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Hypothesis:
    rate: RateCandidate
    track: CycleTrack
    seen: Seen


def estimate(trace: CrankingTrace, engine: Engine) -> Estimate | None:
    """Return what a trace says of an engine, None when nothing repeats or the network knows no such engine."""
    return estimates([trace], [engine])[0]


def estimates(traces: Sequence[CrankingTrace], engines: Sequence[Engine]) -> list[Estimate | None]:
    """Return the same of many traces, all looked at together."""
    found = [_hypotheses(trace, engine) for trace, engine in zip(traces, engines, strict=True)]
    flat = [(h, engine) for some, engine in zip(found, engines, strict=True) for h in some]
    said = _heads([h.seen for h, _ in flat], [e for _, e in flat])
    out: list[Estimate | None] = []
    at = 0
    for trace, engine, some in zip(traces, engines, found, strict=True):
        out.append(_likeliest(trace, engine, some, said[at : at + len(some)]) if some else None)
        at += len(some)
    return out


def _heads(seen: list[Seen], engines: list[Engine]) -> list[Heads]:
    if not seen:
        return []
    return heads(np.stack([s.fold for s in seen]), np.stack([s.numbers for s in seen]),
                 np.stack([s.overview for s in seen]), [e.firing_deg / e.cycle_deg for e in engines],
                 [e.pattern_length for e in engines])


def _hypotheses(trace: CrankingTrace, engine: Engine) -> list[_Hypothesis]:
    if not 2 <= engine.cylinders <= MOST:
        return []
    out = []
    for rate in find_rates(trace, engine):
        track = count_cycles(trace, rate, engine)
        seen = look(trace, track, engine)
        if seen is not None:
            out.append(_Hypothesis(rate, track, seen))
    return out


def _likeliest(trace: CrankingTrace, engine: Engine, some: list[_Hypothesis], said: list[Heads]) -> Estimate:
    odds = np.array([h.right / max(1.0 - h.right, 1e-9) for h in said])
    shares = odds / (odds.sum() + NOTHING_ODDS)
    order = np.argsort(-shares)
    per_minute = engine.cycle_deg / 6.0
    lowest = [float(h.placements[0].least @ PERCENT) for h in said]
    rivals = tuple(Rival(some[k].rate.rate_hz * per_minute, float(shares[k]), lowest[k]) for k in order)
    best = int(order[0])
    chosen = said[best]
    details = _starter(trace, engine, some[best].track)
    made = [_made(trace, engine, some[best], (chosen, placed), rivals, details) for placed in chosen.placements]
    return replace(made[0], others=tuple(made[1:]))


def _made(trace: CrankingTrace, engine: Engine, hypothesis: _Hypothesis, heard: tuple[Heads, Placed],
          rivals: tuple[Rival, ...], details: Mapping[str, float]) -> Estimate:
    said, placed = heard
    time_s, cycle = _count(trace, hypothesis)
    angle = (cycle - placed.at) * engine.cycle_deg
    turn = _first_whole(angle, engine)
    angle = angle - engine.firing_deg[turn]
    each = np.roll(placed.each, -turn, axis=0)
    low, middle, high = quantiles(each, AT).T
    current = np.interp(time_s, trace.time_s, trace.smooth)
    minutes = max(time_s[-1] - time_s[0], STEP_S) / 60.0
    return Estimate(
        relative_percent=middle, interval_percent=np.stack((low, high), axis=1), chances=each, lowest=placed.least,
        right=min(said.right, rivals[0].share), fires=said.fires,
        compresses=said.compresses, placed=placed.share, time_s=time_s, angle_deg=angle,
        model=_repeated(hypothesis.seen, cycle), cycles=float(cycle[-1] - cycle[0]),
        rpm=float((cycle[-1] - cycle[0]) * engine.cycle_deg / 360.0 / minutes), explained=hypothesis.seen.repeats,
        heights_percent=trough_heights(angle, current, engine), rivals=rivals,
        details=details,
    )


def _count(trace: CrankingTrace, hypothesis: _Hypothesis) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times through the judged stretch and the cycles passed since the fold's beginning, both rising."""
    steady = trace.time_s[trace.steady]
    time_s = np.arange(steady[0], steady[-1] + 0.5 * STEP_S, STEP_S)
    counted = hypothesis.track.at(time_s) - float(hypothesis.track.at(hypothesis.seen.edges_s[0]))
    return time_s, np.maximum.accumulate(counted + 1e-9 * (time_s - time_s[0]))


def _repeated(seen: Seen, cycle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean cycle laid over every cycle that was judged, NaN outside."""
    inside = (cycle >= 0) & (cycle < len(seen.own))
    number = np.clip(cycle.astype(np.int64), 0, len(seen.own) - 1)
    middles = (np.arange(-1, BINS + 1) + 0.5) / BINS
    ends = np.concatenate((seen.mean[-1:], seen.mean, seen.mean[:1]))
    out: NDArray[np.float64] = np.where(inside, seen.own[number] + np.interp(np.mod(cycle, 1.0), middles, ends), np.nan)
    return out


def _first_whole(angle: NDArray[np.float64], engine: Engine) -> int:
    """Return the position to call the first: of the first whole hump, and one where the firing pattern begins."""
    fire, cycle, repeat = engine.firing_deg, engine.cycle_deg, engine.pattern_length
    after = [angle[0] + engine.intervals_deg[c - 1] for c in range(0, engine.cylinders, repeat)]
    whole = [fire[c] + cycle * np.ceil((a - fire[c]) / cycle)
             for a, c in zip(after, range(0, engine.cylinders, repeat), strict=True)]
    return int(np.argmin(whole)) * repeat


def _starter(trace: CrankingTrace, engine: Engine, track: CycleTrack) -> dict[str, float]:
    """Return what the whole crank says of starter and battery, in-rush included."""
    seen = look(trace, track, engine, onset=True)
    if seen is None:
        return {}
    (said,) = _heads([seen], [engine])
    stall, lag, sag = (float(x) for x in said.starter)
    return {"stall_current": seen.level * float(np.exp(np.clip(stall, 0.0, 4.0))),
            "lag_s": USUAL_LAG_S * float(np.exp(np.clip(lag, -5.0, 4.0))),
            "drift_percent": -100.0 * sag / SAG_TOLD * (trace.steady_to_s - trace.steady_from_s)}
