"""From starts to an accepted explanation: run starts, polish the best, try more while too little is explained."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.model import starts as begin
from crankfold.analysis.model.options import FULL, FitOptions
from crankfold.analysis.model.parameters import GLOBALS, HOLD_IN, LOG_KNEE, LOG_LAG, NOMINAL_LEVEL, Box, make_box
from crankfold.analysis.model.problem import Data, Problem, prior_terms
from crankfold.analysis.model.solver import Solution, minimise

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model.gas import Family
    from crankfold.analysis.signal import CycleTrack

START_STEP_S = 0.002
POLISH_STEP_S = 0.001
START_WINDOWS, START_CYCLES = 3, 0.6
POLISH_WINDOWS = 9
START_PHASE_WEIGHT = 0.0
START_PRIOR_TIMES = 10.0  # short windows cannot tell drift from load: hold the unknowns tighter there
POLISH_PHASE_WEIGHT = 3e-4  # a window's phase one degree off the tracked cycle
FINE = 0.998  # explained by the first start: no other start does better
GOOD = 0.985
POOR = 0.97  # explained by the best start: such a fit is stuck, and no verdict is drawn from it
AT_BOUND = 0.1  # of a step: so near to its bound a parameter is at it
ANNEALED_LAG = float(np.log(0.0015))  # s: below that of most starters
FLOOR_PERCENTILE = 2.0  # of the current: between the humps, where the clutch lets the starter run by itself
PLACED_APART_DEG = 25.0  # fits whose patterns lie nearer than this place the cylinders alike
COMPARABLE, COMPARABLE_SHARE = 6.0, 0.01  # placements that explain nearly as well as the best are kept
HOPELESS = 0.3  # left unexplained by four rounds of starts: no cranking of this engine at this rate
MOST_ROUNDS = 7  # more starts than this have never helped a trace that is not explained
MOST_WORK = 80_000_000  # samples times unknowns: about a second on one core of an ordinary machine
SAME_COST, SAME_SHARE = 0.05, 0.02  # starts that agree so far in cost and in relative compression are one optimum
NEAR_BEST = 3.0  # starts within this many times the best cost are polished


@dataclass(frozen=True, eq=False)
class Trace:
    """What a fit needs of a trace: data on both grids, in model amperes, and the cycle.

    Parameters
    ----------
    coarse, fine
        The judged stretch at `START_STEP_S` and `POLISH_STEP_S`.
    track
        Cycle count against time from the first sample.
    cycle_hz
        Mean cycle rate.
    inrush
        In-rush peak, model amperes, or what stands for it.
    torques
        Gas torques to use, as from `all_torques`; None: those of a steady crank.
    """

    coarse: Data
    fine: Data
    engine: Engine
    track: CycleTrack
    cycle_hz: float
    inrush: float
    torques: NDArray[np.float64] | None = None


@dataclass(frozen=True, eq=False)
class Rival:
    """Another explanation of the low cylinders.

    Parameters
    ----------
    cost
        Over that of the best.
    shift : ndarray, shape (cylinders,)
        Its amplitudes, as shares of the strongest, less the best's.
    """

    cost: float
    shift: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Fit:
    """A solved problem: its solution, where it began, the placement of the pattern it assumed.

    ``rivals`` are what other kinds of fault would make of the same trace.
    """

    problem: Problem
    box: Box
    solution: Solution
    offset: int
    rivals: tuple[Rival, ...] = ()

    @property
    def cost(self) -> float:
        """What was minimised."""
        return self.solution.cost

    @property
    def explained(self) -> float:
        """Share of the variance explained, at most 1; minus infinity where the fit broke."""
        return 1.0 - self.solution.data_cost

    @property
    def amplitudes(self) -> NDArray[np.float64]:
        """Peak gauge pressure of each position, up to one factor."""
        n = self.problem.engine.cylinders
        return self.solution.p[GLOBALS : GLOBALS + n]

    @property
    def phases_deg(self) -> NDArray[np.float64]:
        """Crank angle at the start of each window."""
        return self.solution.p[GLOBALS + self.problem.engine.cylinders :]


def make_data(y: NDArray[np.float64], rate_hz: float, begin_s: float, step_s: float,
              weight: NDArray[np.float64] | None = None) -> Data:
    """Return the samples `y` on a grid of `step_s`, scaled to model amperes by the caller, with their weights."""
    count = int((len(y) - 1) / rate_hz / step_s) + 1
    at = np.arange(count) * step_s * rate_hz
    grid = np.interp(at, np.arange(len(y)), y)
    if weight is None or (weight >= 1.0).all():
        return Data(grid, step_s, begin_s, float(np.var(grid)))
    share = weight[np.minimum(np.rint(at).astype(np.int64), len(y) - 1)]
    return Data(grid, step_s, begin_s, float(np.var(grid[share > 0])) if share.any() else float(np.var(grid)), share)


def scale_to_model(y: NDArray[np.float64]) -> float:
    """Return the factor that brings a trace to model amperes."""
    return NOMINAL_LEVEL / max(float(np.percentile(y, 95)), 1e-30)


def _problem(trace: Trace, data: Data, starts: NDArray[np.int64], lengths: NDArray[np.int64], *, series: bool,
             families: tuple[Family, ...] = (), options: FitOptions) -> Problem:
    return Problem(data, trace.engine, starts, lengths, trace.engine.cycle_deg * trace.cycle_hz, series, families,
                   scaled_torque=not options.leak_table, torques=trace.torques)


def _run(problem: Problem, p: NDArray[np.float64], box: Box, stages: Iterable[begin.Stage],
         amplitude: float) -> Solution:
    n = problem.engine.cylinders
    solution = Solution(p, np.inf, np.inf, 0)
    for stage in stages:
        free = np.zeros(problem.parameters, dtype=np.bool_)
        free[list(stage.free)] = True
        free[LOG_KNEE] &= problem.series
        free[GLOBALS:] = True
        problem.gain, problem.free = stage.gain, free
        extra = prior_terms(box.prior, box.weight * free, n, stage.ridge, amplitude)
        solution = minimise(problem, solution.p, extra, free=free, low=box.low, high=box.high, step=box.step,
                            steps=stage.steps)
        if not np.isfinite(solution.cost):
            break
    return solution


def start_fit(trace: Trace, menu: begin.Menu, *, series: bool, offset: int,
              options: FitOptions = FULL) -> Fit | None:
    """Return the fit of a few short windows from one set of first guesses; None if the trace has no window."""
    data, engine = trace.coarse, trace.engine
    period = 1.0 / trace.cycle_hz / data.step_s
    tops = begin.hump_tops(data.y, period / engine.cylinders)
    skipped = menu.skip + int(np.searchsorted(tops, menu.begin_s / data.step_s))
    tops = tops[min(skipped, max(len(tops) - 3, 0)) :]
    if not len(tops):
        return None
    starts, lengths = begin.windows_from(tops, len(data.y), first=int(tops[0]), spacing=START_CYCLES * period,
                                         length=START_CYCLES * period, count=START_WINDOWS)
    if not len(starts):
        return None
    phases = begin.expected_phases(trace.track, starts.astype(np.float64) * data.step_s, engine, offset, menu.phase_deg)
    p = begin.first_values(data, engine, phases, menu, trace.inrush, series)
    problem = _problem(trace, data, starts, lengths, series=series, options=options)
    amplitude = float(p[GLOBALS])
    box = make_box(engine.cylinders, phases, trace.inrush, amplitude, phase_weight=START_PHASE_WEIGHT,
                   prior_scale=START_PRIOR_TIMES * options.prior_scale, drift=options.drift, drift_sd=options.drift_sd)
    stages = begin.START_STAGES if options.continuation else begin.PLAIN_STAGES
    return Fit(problem, box, _run(problem, p, box, stages, amplitude), offset)


def polish(trace: Trace, fit: Fit, *, options: FitOptions = FULL) -> Fit | None:
    """Return the fit of whole cycles through the trace, all unknowns free, from where a start ended."""
    data, engine = trace.fine, trace.engine
    period = 1.0 / trace.cycle_hz / data.step_s
    tops = begin.hump_tops(data.y, period / engine.cylinders)
    if not len(tops):
        return None
    starts, lengths = begin.windows_from(tops, len(data.y), first=int(tops[0]), spacing=0.97 * period, length=period,
                                         count=POLISH_WINDOWS)
    if not len(starts):
        starts, lengths = tops[:1], np.array([len(data.y) - tops[0]])
    times = starts.astype(np.float64) * data.step_s
    phases = carried_phases(trace, fit, times)
    p = np.concatenate((fit.solution.p[: GLOBALS + engine.cylinders], phases))
    problem = _problem(trace, data, starts, lengths, series=fit.problem.series, options=options)
    amplitude = max(float(fit.amplitudes.max()), 1.0)
    box = make_box(engine.cylinders, phases, trace.inrush, amplitude, prior_scale=options.prior_scale,
                   phase_weight=POLISH_PHASE_WEIGHT, drift=options.drift, drift_sd=options.drift_sd)
    return Fit(problem, box, _run(problem, p, box, begin.polish_stages(options), amplitude), fit.offset)


def anneal(trace: Trace, fit: Fit, *, options: FitOptions = FULL) -> Fit:
    """Return a polished fit, or where it is stuck a better one: the observer's gain raised and let down again.

    It is stuck where it explains too little, or has run to the longest electrical lag, from which it cannot find back
    to sharp edges. The lag begins anew and, where still too little is explained, so does the hold-in current, at the
    floor between the humps.
    """
    longest = fit.solution.p[LOG_LAG] > fit.box.high[LOG_LAG] - fit.box.step[LOG_LAG] * AT_BOUND
    if not options.more_starts or (fit.explained >= POOR and not longest):
        return fit
    stages = (*begin.START_STAGES, begin.polish_stages(options)[-1])
    for holds in (False, True):
        p = fit.solution.p.copy()
        p[LOG_LAG] = ANNEALED_LAG
        if holds:
            floor = float(np.percentile(trace.fine.y, FLOOR_PERCENTILE))
            p[HOLD_IN] = np.clip(floor, fit.box.low[HOLD_IN], fit.box.high[HOLD_IN])
        solution = _run(fit.problem, p, fit.box, stages, max(float(fit.amplitudes.max()), 1.0))
        if solution.cost < fit.cost and np.isfinite(solution.p).all():
            fit = replace(fit, solution=solution)
        if fit.solution.data_cost < 1.0 - FINE:
            break
    return fit


def refit(trace: Trace, fit: Fit, families: tuple[Family, ...], options: FitOptions, *,
          stages: tuple[begin.Stage, ...] = ()) -> Fit:
    """Return a polished fit solved again with other kinds of fault, in the stages given or else as it was polished."""
    old = fit.problem
    problem = _problem(trace, old.data, old.starts, old.lengths, series=old.series, families=families, options=options)
    stages = stages or begin.polish_stages(options)
    solution = _run(problem, fit.solution.p, fit.box, stages, max(float(fit.amplitudes.max()), 1.0))
    return Fit(problem, fit.box, solution, fit.offset)


def with_windows(trace: Trace, fit: Fit, chosen: NDArray[np.int64], options: FitOptions) -> Fit:
    """Return a fit cut down to some of its windows, unsolved."""
    old = fit.problem
    problem = _problem(trace, old.data, old.starts[chosen], old.lengths[chosen], series=old.series,
                       families=old.families, options=options)
    common = GLOBALS + trace.engine.cylinders
    index = np.concatenate((np.arange(common), common + chosen))
    box = Box(*(getattr(fit.box, each.name)[index] for each in fields(Box)))
    return Fit(problem, box, replace(fit.solution, p=fit.solution.p[index]), fit.offset)


def carried_phases(trace: Trace, fit: Fit, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the angles that the tracked cycle gives at `times_s`, tied to the windows of a fit by their median."""
    own = fit.problem.starts.astype(np.float64) * fit.problem.data.step_s
    cycle = trace.engine.cycle_deg
    off = fit.phases_deg - cycle * trace.track.at(own)
    out: NDArray[np.float64] = cycle * trace.track.at(times_s) + float(np.median(off))
    return out


def jump_deg(fit: Fit) -> float:
    """Return by how much the angle of any window misses where the next one begins; 0 for a single window.

    Every window has a phase of its own, held near the tracked cycle. A fit may explain two healthy humps by one and
    the same cylinder, if the crank races through a turn more within each window: then its windows do not meet.
    """
    problem = fit.problem
    problem.gain = 0.0
    problem.residuals(fit.solution.p)
    starts, lengths = problem.starts, problem.lengths
    first = np.cumsum(lengths) - lengths
    worst = 0.0
    for k, begin_deg in enumerate(fit.phases_deg[1:]):
        angle = problem.angle[first[k] : first[k] + lengths[k]]
        after = int(starts[k + 1] - starts[k])
        beyond = max(0, after - lengths[k] + 1) * float(angle[-1] - angle[-2])
        worst = max(worst, abs(float(angle[min(after, lengths[k] - 1)]) + beyond - float(begin_deg)))
    return worst


def explain(trace: Trace, *, series_kinds: tuple[bool, ...] = (False, True),
            options: FitOptions = FULL) -> list[Fit]:
    """Return the best polished fit of each placement of the firing pattern, best first; empty when nothing fits.

    Even firing has one placement. Both motor kinds are tried; further starts only while too little is explained.
    """
    placements = range(trace.engine.pattern_length)
    best: list[Fit] = []
    seen: list[Fit] = []
    work = 0
    for round_number, menu in enumerate(begin.MENUS if options.more_starts else begin.MENUS[:1]):
        if work > MOST_WORK:
            break
        starts = [f for offset in placements for series in series_kinds
                  if (f := start_fit(trace, menu, series=series, offset=offset, options=options)) is not None
                  and np.isfinite(f.cost)]
        work += sum(f.problem.work for f in starts)
        again = False
        for fit in _worth_polishing(starts, best):
            if any(_same_optimum(fit, other) for other in seen):
                again = True
                continue
            seen.append(fit)
            done = polish(trace, fit, options=options)
            work += 0 if done is None else done.problem.work
            if done is not None and np.isfinite(done.cost) and np.isfinite(done.solution.p).all():
                best = _with(trace, best, done)
        if not best:
            if round_number >= 2:
                break
            continue
        lowest = best[0].cost
        good = lowest < 1.0 - GOOD and (again or round_number >= 2)
        hopeless = round_number >= 3 and lowest > HOPELESS
        if good or hopeless or lowest < 1.0 - FINE or round_number >= MOST_ROUNDS:
            break
    best = sorted((anneal(trace, fit, options=options) for fit in best), key=lambda f: f.cost)
    limit = max(COMPARABLE * best[0].cost, best[0].cost + COMPARABLE_SHARE) if best else 0.0
    return [f for f in best if f.cost <= limit]


def _with(trace: Trace, fits: list[Fit], new: Fit) -> list[Fit]:
    """Return the best fit of each placement of the pattern, best first, after one more."""
    pattern = trace.engine.cycle_deg * trace.engine.pattern_length / trace.engine.cylinders
    kept = []
    for fit in fits:
        apart = float(carried_phases(trace, fit, np.zeros(1))[0] - carried_phases(trace, new, np.zeros(1))[0])
        same = trace.engine.even_firing or abs((apart + 0.5 * pattern) % pattern - 0.5 * pattern) < PLACED_APART_DEG
        if not same:
            kept.append(fit)
        elif fit.cost <= new.cost:
            return fits
    return sorted([*kept, new], key=lambda f: f.cost)


def _same_optimum(fit: Fit, other: Fit) -> bool:
    """Return whether two starts ended in the same place."""
    if fit.offset != other.offset or fit.problem.series != other.problem.series:
        return False
    if abs(fit.cost - other.cost) > SAME_COST * max(fit.cost, other.cost):
        return False
    first, second = (f.amplitudes / max(float(f.amplitudes.max()), 1e-9) for f in (fit, other))
    if fit.problem.engine.even_firing:  # two starts may call different cylinders the first
        return min(float(np.abs(np.roll(first, k) - second).max()) for k in range(len(first))) < SAME_SHARE
    return float(np.abs(first - second).max()) < SAME_SHARE


def _worth_polishing(starts: list[Fit], best: list[Fit]) -> list[Fit]:
    if not starts:
        return []
    limit = NEAR_BEST * max(min(f.cost for f in starts), 1e-6)
    if best:
        limit = max(limit, NEAR_BEST * best[0].cost)
    return [f for f in starts if f.cost <= limit]
