"""The per-cylinder estimate: relative compression with intervals, and the crank angle it was read at."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from crankfold.analysis.model import intervals
from crankfold.analysis.signal import (
    FAINT_LINE,
    RIVAL_LINE,
    CycleTrack,
    RateCandidate,
    rate_candidates,
    rivals,
    track_cycles,
    trough_heights,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model.acceptance import Fit, Trace
    from crankfold.analysis.model.options import FitOptions
    from crankfold.analysis.signal import CrankingTrace

Motor = Literal["permanent-magnet", "series"]


@dataclass(frozen=True, eq=False)
class Estimate:
    """One explanation of the trace.

    Arrays over cylinders are by **position**: index 0 is the first of the firing order *as this explanation places it*.
    With even firing and no mark the placement is arbitrary up to a rotation (index 0 is then the first whole hump
    after the in-rush); with uneven firing the pattern places it.

    Parameters
    ----------
    relative_percent : ndarray, shape (cylinders,)
        Peak gauge compression pressure as percent of the strongest cylinder; finite, 0 and up.
    interval_percent : ndarray, shape (cylinders, 2)
        95 % interval of each.
    time_s : ndarray, shape (m,)
        Times of the track below, seconds from the start of the capture, increasing.
    angle_deg : ndarray, shape (m,)
        Crank angle at those times, unwrapped; 0 (modulo the cycle) is the compression TDC of index 0.
    model : ndarray, shape (m,)
        The current the model predicts there, in the trace's unit; NaN where it was not fitted.
    cycles
        Engine cycles in the steady cranking.
    rpm
        Mean crank speed over the steady cranking.
    explained
        Share of the variance explained by the model, 0 to 1.
    cost
        What the fit minimised; comparable between explanations of the same trace.
    motor
        The starter kind that explained it better.
    heights_percent : ndarray, shape (cylinders,)
        The independent second opinion: trough-referred hump heights, percent of the strongest.
    fitted_heights_percent : ndarray, shape (cylinders,)
        The same heights of the fitted current; empty where they are not known.
    details
        Fitted values by name with the unit in the name, for the picture, health and tests
        (for example ``stall_current``, ``lag_s``, ``worst_sigma_percent``).
    """

    relative_percent: NDArray[np.float64]
    interval_percent: NDArray[np.float64]
    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    model: NDArray[np.float64]
    cycles: float
    rpm: float
    explained: float
    cost: float
    motor: Motor
    heights_percent: NDArray[np.float64]
    fitted_heights_percent: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    details: Mapping[str, float] = field(default_factory=dict)


JUDGED_S = 4.0  # more cycles than this holds add nothing: the error is the model's
JUDGED_CYCLES = 5.0  # but as many as this of a slow engine
RATE_GRID_HZ = 500.0  # for the rate: a hump holds thirty samples even at a twelve's fastest
TRACK_STEP_S = 0.001
STALL_OVER_LEVEL = 2.2  # in-rush over the 95th percentile of the steady current, where the in-rush was not recorded
PHASE_BINS = 72
LEAST_SAMPLES = 16
MOST_OF_MISFIT = 0.75  # the model is never held for perfect
MOST_NOISE_SHARE = 0.1  # more than that and the humps themselves are in doubt
RIVAL_COST = 0.01  # a slower rate never explains what a faster one explains so well
NO_EXPLANATION = 0.03  # a slower rate that leaves so much unexplained is none: no verdict is drawn from it
FASTER_GAIN = 0.15  # of the slower rate's cost: what a faster one with dead cylinders must come below
NO_RIVAL = 1e6  # stands for no rival


def estimate(trace: CrankingTrace, engine: Engine, options: FitOptions | None = None, *,
             rates: list[RateCandidate] | None = None) -> tuple[Estimate, ...]:
    """Return explanations of the trace, best first: one for even firing, one a placement of the pattern for odd.

    Empty when nothing repeats or nothing fits. No result holds a number that is not finite. ``details`` holds, all as
    floats: ``stall_current``, ``hold_in_current``, ``friction_current`` (trace's unit), ``drift_percent``, ``lag_s``,
    ``armature_time_s``, ``engine_time_s``, ``electrical_lag_s``, ``knee_current``, ``ratio``, ``push_back``,
    ``worst_sigma_percent``, ``slip_deg``, ``jump_humps``, ``upward_outlier_percent``, ``fitted_cycles``,
    ``rate_margin``, ``rate_repeat``, ``rate_line``, ``rival_cost_ratio`` (cost of the best
    explanation at another cycle rate over this one's; near or below 1 the rate is in doubt), ``offset``, ``filling``.

    Parameters
    ----------
    rates
        Cycle rates to try, the first preferred; None: those that `find_rates` finds.
    """
    from crankfold.analysis.model.faults import with_faults
    from crankfold.analysis.model.options import FULL

    options = FULL if options is None else options
    y = trace.smooth[trace.steady]
    if len(y) < LEAST_SAMPLES or not np.isfinite(y).all() or float(np.ptp(y)) <= 0:
        return ()
    candidates = find_rates(trace, engine) if rates is None else rates
    if not candidates:
        return ()
    prepared, fits, rival = _best_rate(trace, engine, candidates, options)
    fits = sorted((with_faults(prepared, fit, options) for fit in fits), key=lambda f: f.cost)
    made = [_estimate(trace, prepared, fit, candidates, rival) for fit in fits]
    return tuple(e for e in made if np.isfinite(e.relative_percent).all() and np.isfinite(e.interval_percent).all())


def _best_rate(trace: CrankingTrace, engine: Engine, candidates: list[RateCandidate],
               options: FitOptions) -> tuple[Trace, list[Fit], float]:
    """Return the fits at the cycle rate that explains best, and the nearest rival's cost over theirs (inf: no rival).

    Half as many humps at twice the rate repeat as well as the true ones do; only their shape, against crank angle,
    tells the two apart. A faster rate, with cylinders dead, must explain much better than the slower.
    """
    from crankfold.analysis.model.acceptance import explain

    prepared = _prepare(trace, engine, candidates[0], options)
    fits = explain(prepared, options=options)
    ratio = float("inf")
    for other in rivals(candidates, engine.cycle_deg):
        cost = fits[0].cost if fits else float("inf")
        faster = other.rate_hz > candidates[0].rate_hz
        if not faster and cost < RIVAL_COST:
            continue
        tried = _prepare(trace, engine, other, options)
        found = explain(tried, options=replace(options, more_starts=False))
        if not found:
            continue
        if found[0].cost < cost * (FASTER_GAIN if faster else 1.0):
            prepared, fits, ratio = tried, explain(tried, options=options), min(ratio, cost / found[0].cost)
            # hardly any humps of its own: doubt the slower, where that explains anything at all, and trust neither
            if faster and other.line <= (RIVAL_LINE if cost < NO_EXPLANATION else FAINT_LINE):
                ratio = 0.0
        else:
            ratio = min(ratio, found[0].cost / cost)
    return prepared, fits, ratio


def find_rates(trace: CrankingTrace, engine: Engine) -> list[RateCandidate]:
    """Return cycle-rate candidates of a trace's steady cranking, best first; empty when nothing repeats."""
    y = trace.smooth[trace.steady]
    if len(y) < LEAST_SAMPLES or not np.isfinite(y).all() or float(np.ptp(y)) <= 0:
        return []
    pooled, rate_hz = _pooled(y, trace.rate_hz)
    limit = round(JUDGED_S * rate_hz)
    found = rate_candidates(pooled[:limit], rate_hz, engine)
    if found and JUDGED_CYCLES / found[0].rate_hz > JUDGED_S < len(pooled) / rate_hz:
        found = rate_candidates(pooled[: round(JUDGED_CYCLES / found[0].rate_hz * rate_hz)], rate_hz, engine)
    return found


def _pooled(y: NDArray[np.float64], rate_hz: float) -> tuple[NDArray[np.float64], float]:
    block = max(1, round(rate_hz / RATE_GRID_HZ))
    return y[: len(y) // block * block].reshape(-1, block).mean(axis=1), rate_hz / block


def _prepare(trace: CrankingTrace, engine: Engine, rate: RateCandidate, options: FitOptions) -> Trace:
    from crankfold.analysis.model import acceptance
    from crankfold.analysis.model.parameters import NOMINAL_LEVEL

    y = trace.smooth[trace.steady]
    pooled, pooled_hz = _pooled(y, trace.rate_hz)
    track = track_cycles(pooled, pooled_hz, rate.rate_hz, engine.cylinders)
    if not options.tracking:
        track = CycleTrack(np.array([0.0, 1.0 / rate.rate_hz]), np.array([0.0, 1.0]))
    judged = y[: round(max(JUDGED_S, JUDGED_CYCLES / rate.rate_hz) * trace.rate_hz)]
    factor = acceptance.scale_to_model(judged)
    begin_s = float(trace.time_s[trace.steady.start])
    weight = trace.weight[trace.steady][: len(judged)]
    grids = [acceptance.make_data(judged * factor, trace.rate_hz, begin_s, step, weight)
             for step in (acceptance.START_STEP_S, acceptance.POLISH_STEP_S)]
    inrush = trace.inrush * factor if np.isfinite(trace.inrush) else 0.0
    inrush = max(inrush, 1.2 * float(grids[0].y.max())) if inrush > 0 else STALL_OVER_LEVEL * NOMINAL_LEVEL
    return acceptance.Trace(grids[0], grids[1], engine, track, rate.rate_hz, inrush)


def _estimate(trace: CrankingTrace, prepared: Trace, fit: Fit, candidates: list[RateCandidate],
              rival: float) -> Estimate:
    engine = prepared.engine
    time_s, angle, model = _track(trace, prepared, fit)
    turn = _first_whole(angle, engine)
    amplitudes = np.roll(fit.amplitudes, -turn)
    sigma = np.roll(_sigma(prepared, fit), -turn)
    angle = angle - engine.firing_deg[turn]
    top = max(float(amplitudes.max()), 1e-9)
    relative = 100.0 * amplitudes / top
    relative = relative / (1.0 - 0.01 * intervals.maximum_bias(relative, sigma))
    shifts = np.array([np.roll(r.shift, -turn) for r in fit.rivals]).reshape(-1, engine.cylinders)
    fault = intervals.fault_sigma(np.array([r.cost for r in fit.rivals]), shifts)
    sigma = intervals.total_sigma(relative, sigma, float(np.clip(fit.solution.data_cost, 0.0, 1.0)), fault)
    current = np.interp(time_s, trace.time_s, trace.smooth)
    cycles = float((angle[-1] - angle[0]) / engine.cycle_deg)
    details = _details(trace, prepared, fit, candidates)
    details["rival_cost_ratio"] = min(rival, NO_RIVAL)
    details["worst_sigma_percent"] = float(sigma.max())
    return Estimate(
        relative_percent=relative, interval_percent=intervals.interval(relative, sigma), time_s=time_s, angle_deg=angle,
        model=model, cycles=cycles, rpm=float((angle[-1] - angle[0]) / (time_s[-1] - time_s[0]) / 6.0),
        explained=_explained(trace, fit.explained), cost=float(fit.cost),
        motor="series" if fit.problem.series else "permanent-magnet",
        heights_percent=trough_heights(angle, current, engine), details=details,
        fitted_heights_percent=trough_heights(angle, np.where(np.isfinite(model), model, current), engine),
    )


def _explained(trace: CrankingTrace, explained: float) -> float:
    """Return the share of the judged current's variance that is explained, noise as the quiet has it left out."""
    share = trace.smooth_noise**2 / max(float(np.var(trace.smooth[trace.steady])), 1e-30)
    noise = min(MOST_NOISE_SHARE, share, MOST_OF_MISFIT * (1.0 - explained))
    return float(np.clip(explained + noise, 0.0, 1.0))


def _track(trace: CrankingTrace, prepared: Trace,
           fit: Fit) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return times through the steady cranking, the angle there, and the model's current (NaN where not fitted)."""
    from crankfold.analysis.model.acceptance import scale_to_model

    data = prepared.fine
    y = trace.smooth[trace.steady]
    count = int((len(y) - 1) / trace.rate_hz / TRACK_STEP_S) + 1
    seconds = np.arange(count, dtype=np.float64) * TRACK_STEP_S
    cycle = prepared.engine.cycle_deg
    counted = prepared.track.at(seconds)
    fit.problem.gain = 0.0
    fit.problem.residuals(fit.solution.p)
    index = fit.problem.sample_index
    off = fit.problem.angle - cycle * counted[np.minimum(index, count - 1)]
    bins = (np.mod(counted[np.minimum(index, count - 1)], 1.0) * PHASE_BINS).astype(np.int64) % PHASE_BINS
    number = np.bincount(bins, minlength=PHASE_BINS)
    mean = float(np.median(off))
    ripple = np.where(number > 0, np.bincount(bins, off, PHASE_BINS) / np.maximum(number, 1), mean)
    middles = (np.arange(-1, PHASE_BINS + 1) + 0.5) / PHASE_BINS
    ripple = np.concatenate((ripple[-1:], ripple, ripple[:1]))
    angle = cycle * counted + np.interp(np.mod(counted, 1.0), middles, ripple)
    model = np.full(count, np.nan)
    angle[index] = fit.problem.angle
    factor = scale_to_model(y[: round(len(data.y) * data.step_s * trace.rate_hz)])
    model[index] = fit.problem.model / factor
    rising: NDArray[np.float64] = np.maximum.accumulate(angle) + 1e-3 * seconds  # never stands still, even at a seam
    return data.begin_s + seconds, rising, model


def _first_whole(angle: NDArray[np.float64], engine: Engine) -> int:
    """Return the position to call the first: of the first whole hump, and one where the firing pattern begins."""
    fire, cycle, repeat = engine.firing_deg, engine.cycle_deg, engine.pattern_length
    whole = [_next_tdc(angle[0] + engine.intervals_deg[c - 1], fire[c], cycle)
             for c in range(0, engine.cylinders, repeat)]
    return int(np.argmin(whole)) * repeat


def _next_tdc(after_deg: float, fire_deg: float, cycle_deg: float) -> float:
    return float(fire_deg + cycle_deg * np.ceil((after_deg - fire_deg) / cycle_deg))


def _sigma(prepared: Trace, fit: Fit) -> NDArray[np.float64]:
    """Return the curvature's standard deviation of every position's relative compression, percent."""
    from crankfold.analysis.model.parameters import GLOBALS

    free = fit.problem.free
    jac = fit.problem.jacobian(fit.solution.p)
    hump = 1.0 / prepared.cycle_hz / prepared.engine.cylinders / prepared.fine.step_s
    cov = intervals.covariance(jac[:, free], fit.box.weight[free], fit.solution.data_cost,
                               intervals.CORRELATED_HUMP * hump)
    n = prepared.engine.cylinders
    first = int(free[:GLOBALS].sum())
    return intervals.relative_sigma(np.maximum(fit.amplitudes, 1e-9), cov[first : first + n, first : first + n])


def _details(trace: CrankingTrace, prepared: Trace, fit: Fit, candidates: list[RateCandidate]) -> dict[str, float]:
    from crankfold.analysis.model import parameters as at
    from crankfold.analysis.model.acceptance import carried_phases, jump_deg

    p = fit.solution.p
    n = prepared.engine.cylinders
    y = trace.smooth[trace.steady]
    judged = y[: round(len(prepared.fine.y) * prepared.fine.step_s * trace.rate_hz)]
    unit = float(np.percentile(judged, 95)) / at.NOMINAL_LEVEL
    own = fit.problem.starts.astype(np.float64) * fit.problem.data.step_s
    slip = float(np.abs(fit.phases_deg - carried_phases(prepared, fit, own)).max())
    rank = np.sort(fit.amplitudes)[::-1]
    others = float(np.median(rank[1:])) if n > 1 else float(rank[0])
    second = candidates[1].score if len(candidates) > 1 else candidates[0].score - 1.0
    return {
        "stall_current": float(np.exp(p[at.LOG_STALL])) * unit, "hold_in_current": float(p[at.HOLD_IN]) * unit,
        "friction_current": float(p[at.FRICTION]) * unit, "drift_percent": 100.0 * float(p[at.DRIFT]),
        "armature_time_s": float(np.exp(p[at.LOG_ARMATURE])), "engine_time_s": float(np.exp(p[at.LOG_ENGINE])),
        "lag_s": float(np.exp(p[at.LOG_ARMATURE]) + np.exp(p[at.LOG_ENGINE])),
        "electrical_lag_s": float(np.exp(p[at.LOG_LAG])), "knee_current": float(np.exp(p[at.LOG_KNEE])) * unit,
        "ratio": float(p[at.RATIO]), "push_back": float(np.exp(p[at.LOG_PUSH])), "slip_deg": slip,
        "jump_humps": jump_deg(fit) / prepared.engine.cycle_deg * n,
        "upward_outlier_percent": 100.0 * (float(rank[0]) / max(others, 1e-9) - 1.0),
        "fitted_cycles": float(fit.problem.lengths.sum() * prepared.fine.step_s * prepared.cycle_hz),
        "rate_margin": candidates[0].score - second, "rate_repeat": candidates[0].repeat,
        "rate_line": candidates[0].line,
        "offset": float(fit.offset), "filling": float("filling" in fit.problem.families),
    }
