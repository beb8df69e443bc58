"""What ails the low cylinders: leak, poor filling or a larger clearance, each by the fit's word, one by one.

A hump's shape tells them apart, but not always: what the others that explain nearly as well make of the trace is kept,
and widens the intervals.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.model.acceptance import Fit, Rival, Trace, refit, with_windows
from crankfold.analysis.model.gas import FAMILIES
from crankfold.analysis.model.slowing import with_slowing
from crankfold.analysis.model.starts import QUICK_STAGES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.model.gas import Family
    from crankfold.analysis.model.options import FitOptions

PARTIAL = (0.03, 0.94)  # of the strongest: cylinders whose shape tells one fault from another
ONE_BY_ONE = 3  # lowest cylinders that are asked singly
GAIN = 0.9  # a rarer fault must bring the cost below this share of the leak's
SINGLE_GAIN = 0.95  # and a change of one cylinder below this share of what it changes
FEW_WINDOWS = 3  # spread over the trace: enough to choose by
WORTH = 0.9  # explained less than this, the shapes say nothing


def with_faults(trace: Trace, fit: Fit, options: FitOptions) -> Fit:
    """Return the fit with the fault that explains each low cylinder best, and what other faults make of the trace.

    Which fault it is shows at a steady crank; how low a leak leaves a cylinder is then read at the crank's own speed.
    """
    if not options.leak_table or fit.explained < WORTH or not _partial(fit):
        return fit
    done = _likeliest(trace, fit, options) if options.filling_table else fit
    partial = _partial(done)
    if not options.slowing or not partial or "leak" not in done.problem.families:
        return done
    return replace(with_slowing(trace, done, partial, options), rivals=done.rivals)


def _likeliest(trace: Trace, fit: Fit, options: FitOptions) -> Fit:
    spread = np.linspace(0, len(fit.problem.starts) - 1, FEW_WINDOWS).round().astype(np.int64)
    few = with_windows(trace, fit, np.unique(spread), options)
    leak, best, tried = _search(trace, few, options)
    done = fit
    if best is not leak:
        done = refit(trace, fit, best.problem.families, options)
        if not np.isfinite(done.solution.p).all() or done.cost >= GAIN * fit.cost:
            done, best = fit, leak
    rivals = tuple(Rival(f.cost / max(best.cost, 1e-12), _share(f) - _share(best)) for f in tried
                   if f is not best and np.isfinite(f.cost))
    return replace(done, rivals=rivals)


def _search(trace: Trace, few: Fit, options: FitOptions) -> tuple[Fit, Fit, list[Fit]]:
    """Return, in a few windows, the fit in which all leak, the best, and all that were tried."""
    n = trace.engine.cylinders
    tried = [refit(trace, few, (family,) * n, options, stages=QUICK_STAGES) for family in FAMILIES]
    leak = tried[0]
    best = _chosen(leak, tried[1:], GAIN)
    for position in _partial(best)[:ONE_BY_ONE] if n > 2 else ():
        singles = [refit(trace, best, _changed(best, position, family), options, stages=QUICK_STAGES)
                   for family in FAMILIES if family != best.problem.families[position]]
        tried += singles
        best = _chosen(best, singles, SINGLE_GAIN if best is not leak else GAIN)
    return leak, best, tried


def _chosen(fit: Fit, others: list[Fit], gain: float) -> Fit:
    best = min(others, key=lambda f: f.cost)
    return best if np.isfinite(best.solution.p).all() and best.cost < gain * fit.cost else fit


def _share(fit: Fit) -> NDArray[np.float64]:
    out: NDArray[np.float64] = fit.amplitudes / max(float(fit.amplitudes.max()), 1e-9)
    return out


def _partial(fit: Fit) -> list[int]:
    """Return the positions between dead and healthy, the lowest first."""
    share = _share(fit)
    return [int(k) for k in np.argsort(share) if PARTIAL[0] < share[k] < PARTIAL[1]]


def _changed(fit: Fit, position: int, family: Family) -> tuple[Family, ...]:
    families = list(fit.problem.families)
    families[position] = family
    return tuple(families)
